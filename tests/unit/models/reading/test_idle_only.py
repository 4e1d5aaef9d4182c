"""Recordings of idle alone: a status of their own, with what idle tells, and what is none."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from data_contracts.capture import Conditions, Waveform, make_waveform
from data_contracts.family import Family, parse_family
from data_contracts.reasons import REPEAT_REASONS
from data_contracts.states import shown_grade
from models.at_the_van.repeats import accepted
from models.reading.read import Readings, read_waveforms
from tests.analytic import family as metered
from tests.analytic_pressure import PressureSnap, channels
from tests.analytic_pressure import family as by_pressure
from tests.idle_fleet import TABLE, idle

WARM = Conditions(coolant_c=90.0, intake_air_c=25.0, barometer_kpa=99.0, closed_loop=True)
REED = parse_family("reed-16", TABLE)


def waveform(frame: pl.DataFrame, *without: str) -> Waveform:
    return make_waveform(
        frame["time_s"].to_numpy(),
        {name: frame[name].to_numpy() for name in frame.columns if name != "time_s" and name not in without},
    )


def read(recording: Waveform, of: Family = REED, conditions: Conditions = WARM) -> Readings:
    return read_waveforms([recording], [of], [conditions])


def value(found: Readings, name: str) -> float:
    return float(found.values[name][0])


def is_idle_only(found: Readings) -> bool:
    assert found.grade == ["repeat"]  # the contract's grade of a recording without a snap
    sent_back = set(found.grade_reasons[0]) & set(REPEAT_REASONS)
    assert ("idle_only" in sent_back) == (sent_back == {"idle_only"})
    return shown_grade(found.grade[0], found.grade_reasons[0]) == "idle_only"


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def test_an_idle_gives_flow_speed_lambda_and_its_cycle(rng: np.random.Generator) -> None:
    found = read(waveform(idle(rng, flow=3.1, rpm=780.0, ripple=0.02)))
    assert is_idle_only(found)
    assert value(found, "idle_g_s") == pytest.approx(3.1, rel=0.01)
    assert value(found, "engine_speed_idle_rpm") == pytest.approx(780.0, abs=3.0)
    assert value(found, "lambda_idle") == pytest.approx(1.0, abs=0.004)
    assert value(found, "cycle_ripple") == pytest.approx(0.02, rel=0.15)
    assert value(found, "lambda_switch_rate_hz") > 0.5
    assert found.unread[0]["main_peak_g_s"] == "no_snap"


@pytest.mark.parametrize(("rate_hz", "length_s"), [(10.0, 30.0), (2.0, 60.0)])
def test_a_slow_log_of_idle_counts_too(rng: np.random.Generator, rate_hz: float, length_s: float) -> None:
    time = np.arange(0.0, length_s, 1.0 / rate_hz)
    channels = {"airflow_g_s": 3.0 + rng.normal(0, 0.02, time.size), "engine_rpm": 800.0 + rng.normal(0, 5, time.size)}
    found = read(make_waveform(time, channels))
    assert is_idle_only(found)
    assert "too_slow" not in found.grade_reasons[0]
    assert value(found, "idle_g_s") == pytest.approx(3.0, rel=0.01)


def test_volts_without_a_speed_channel_have_the_speed_from_the_ripple(rng: np.random.Generator) -> None:
    time = np.arange(0.0, 5.0, 1e-3)
    firing = 0.02 * np.sin(2 * np.pi * 820.0 / 30.0 * time)
    found = read(make_waveform(time, {"airflow_v": 0.9 + firing + rng.normal(0, 0.002, time.size)}), metered())
    assert is_idle_only(found)
    assert value(found, "idle_g_s") == pytest.approx(4.0, rel=0.01)
    assert value(found, "engine_speed_idle_rpm") == pytest.approx(820.0, rel=0.02)


def test_pressure_and_lambda_alone_idle_too() -> None:
    time, every = channels(PressureSnap(hold=0.0), np.random.default_rng(5))
    pressure = read(make_waveform(time, {n: every[n] for n in ("map_kpa", "engine_rpm")}), by_pressure())
    assert is_idle_only(pressure)
    assert pressure.u["idle_g_s"][0] / value(pressure, "idle_g_s") == pytest.approx(0.153, abs=0.01)
    for beside in ("engine_rpm", "throttle_pct"):
        alone = read(make_waveform(time, {n: every[n] for n in ("lambda_ratio", beside)}), by_pressure())
        assert is_idle_only(alone), beside
        assert value(alone, "lambda_idle") == pytest.approx(1.0, abs=0.003)
    driven = every["throttle_pct"] + np.where(time > 3.0, 12.0, 0.0)
    moved = read(make_waveform(time, {"lambda_ratio": every["lambda_ratio"], "throttle_pct": driven}), by_pressure())
    assert not is_idle_only(moved)


@pytest.mark.parametrize(
    ("conditions", "reason"),
    [(replace(WARM, coolant_c=20.0), "cold"), (replace(WARM, closed_loop=False), "not_closed_loop")],
)
def test_what_sends_a_snap_back_sends_an_idle_back(
    rng: np.random.Generator, conditions: Conditions, reason: str
) -> None:
    found = read(waveform(idle(rng)), REED, conditions)
    assert not is_idle_only(found)
    assert {"no_snap", reason} <= set(found.grade_reasons[0])


def test_driving_and_a_moment_of_idle_are_no_idle_only(rng: np.random.Generator) -> None:
    for without in ((), ("engine_rpm",)):
        driven = read(waveform(idle(rng, drive=True), *without))
        assert not is_idle_only(driven), without
        assert "no_snap" in driven.grade_reasons[0]
    brief = read(waveform(idle(rng).head(120)))
    assert not is_idle_only(brief)
    still = waveform(idle(rng))
    flat = still.channels | {"airflow_g_s": np.full(still.time_s.size, 3.0, np.float32)}
    assert not is_idle_only(read(make_waveform(still.time_s, flat)))


def test_at_the_van_snaps_count_before_idles() -> None:
    idle_only = ("idle_only", "low_rate")
    assert accepted(["repeat", "good"], [idle_only, ()]).tolist() == [1]
    assert accepted(["repeat", "repeat"], [idle_only, ("cold",)]).tolist() == [0]
    assert accepted(["repeat", "repeat"], [idle_only, ("throttle_not_full",)]).tolist() == [1]
    assert accepted(["repeat", "repeat"], [idle_only, idle_only]).tolist() == [0, 1]
    assert accepted([], []).tolist() == []
