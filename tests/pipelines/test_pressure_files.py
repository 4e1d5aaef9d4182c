"""Files without an air-mass column: which are taken, and what the others are told."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from data_contracts.capture import Waveform
from data_contracts.errors import NoFitError, WaveformError
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from pipelines.intake.in_turn import written_in_turn
from pipelines.intake.readers.recording import read_recording
from pipelines.intake.sensor_check import wrong_sensor
from pipelines.reports.paper import written_for
from pipelines.reports.setup_card import _channels
from pipelines.workspace.settings import DisplaySettings
from tests.analytic import family as metered
from tests.analytic_pressure import PressureSnap, channels, family
from tests.odd_csv import proposed


def made(named: Sequence[str], headers: Sequence[str] = (), pressure: float = 1.0, less: float = 0.0) -> bytes:
    time, every = channels(PressureSnap(), np.random.default_rng(4))
    every["map_kpa"] = np.round(pressure * (every["map_kpa"] - less), 2)
    columns = [pl.Series(header, every[name]) for name, header in zip(named, headers or named, strict=True)]
    return pl.DataFrame([pl.Series("time_s", time), *columns]).write_csv().encode()


def read(content: bytes, profile: RecorderProfile = CANONICAL) -> Waveform:
    return read_recording("w.csv", content, profile)


def mapped(**tables: dict[str, object]) -> RecorderProfile:
    return parse_profile("own", {"time": {"column": "time_s"}, "channels": tables})


def test_pressure_is_read_in_the_unit_its_profile_says() -> None:
    told = mapped(map_kpa={"column": "p", "unit": "mbar"}, engine_rpm={"column": "n"})
    waveform = read(made(("map_kpa", "engine_rpm"), ("p", "n"), pressure=10.0), told)
    assert np.median(waveform.channels["map_kpa"][:100]) == pytest.approx(32.0, abs=0.1)


@pytest.mark.parametrize(
    ("pressure", "less", "says"), [(10.0, 0.0, "write its unit"), (1.0, 99.0, "gauge pressure: write offset")]
)
def test_another_unit_and_gauge_pressure_are_asked_back(pressure: float, less: float, says: str) -> None:
    with pytest.raises(WaveformError, match=says):
        read(made(("map_kpa", "engine_rpm"), pressure=pressure, less=less))


def test_lambda_alone_is_taken_with_throttle_or_speed_beside_it() -> None:
    for beside in ("throttle_pct", "engine_rpm"):
        assert set(read(made(("lambda_ratio", beside))).channels) == {"lambda_ratio", beside}
    with pytest.raises(NoFitError, match="neither throttle nor engine speed beside lambda"):
        read(made(("lambda_ratio",)))
    with pytest.raises(NoFitError, match="there is no air-mass column"):
        read(made(("throttle_pct", "engine_rpm")))


def test_an_air_mass_column_that_a_profile_names_may_not_be_lost() -> None:
    beside: dict[str, dict[str, object]] = {
        "lambda_ratio": {"column": "lambda_ratio"},
        "throttle_pct": {"column": "throttle_pct"},
    }
    content = made(("lambda_ratio", "throttle_pct"))
    with pytest.raises(NoFitError, match=r"such as 'MAF': .* a recorder profile that has no such column"):
        read(content, mapped(airflow_v={"column": "MAF"}, **beside))
    assert "lambda_ratio" in read(content, mapped(**beside)).channels


def test_pressure_without_speed_is_refused_for_engines_that_need_it() -> None:
    alone = read(made(("map_kpa", "lambda_ratio")))
    refused = wrong_sensor(alone, family())
    assert refused is not None
    assert refused[0] == "no_engine_speed"
    assert "manifold pressure needs engine speed beside it" in refused[1]
    assert wrong_sensor(alone, metered("g_s", lambda_sensor={"kind": "ratio"})) is None
    both = read(made(("map_kpa", "engine_rpm", "lambda_ratio")))
    assert wrong_sensor(both, family()) is None
    empty = both.channels | {"engine_rpm": np.full(both.time_s.size, np.nan, np.float32)}
    assert wrong_sensor(replace(both, channels=empty), family()) == refused


def test_lambda_written_in_turn_is_told_too() -> None:
    whole = read(made(("lambda_ratio", "throttle_pct")))
    turn = {name: samples.copy() for name, samples in whole.channels.items()}
    turn["lambda_ratio"][::2] = np.nan
    turn["throttle_pct"][1::2] = np.nan
    told = written_in_turn(replace(whole, channels=turn), CANONICAL)
    assert told is not None
    assert "50 % of the samples hold no lambda" in told


@pytest.mark.parametrize(
    ("header", "times"), [("MAP [kPa]", 1.0), ("Intake manifold pressure", 1.0), ("Saugrohrdruck", 10.0)]
)
def test_a_profile_is_proposed_for_pressure(header: str, times: float) -> None:
    content = made(("map_kpa", "engine_rpm", "lambda_ratio"), (header, "Engine speed", "Lambda"), pressure=times)
    text, waveform = proposed("w.csv", content)
    assert "[channels.map_kpa]" in text
    assert "airflow_v" not in text
    assert np.median(waveform.channels["map_kpa"][:100]) == pytest.approx(32.0, abs=0.1)


@pytest.mark.parametrize(("language", "told"), [("en", "absolute, never gauge"), ("de", "kein Überdruck")])
def test_the_set_up_card_asks_for_pressure_and_speed(language: str, told: str) -> None:
    with written_for(DisplaySettings(language=language)):
        rows = _channels(family(), CANONICAL)
    assert [row[1] for row in rows] == ["map_kpa", "engine_rpm", "lambda_ratio"]
    assert told in rows[0][2]
