"""Snaps without an air-mass sensor: from manifold pressure and speed, or with lambda alone beside throttle or speed."""

from collections.abc import Collection
from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import Conditions, make_waveform
from data_contracts.family import Family
from data_contracts.signals import QUANTITIES
from models.reading.read import Readings, read_one, read_waveforms
from tests.analytic import family as metered
from tests.analytic_pressure import PressureSnap, channels, family

WARM = Conditions(coolant_c=90.0, intake_air_c=25.0, barometer_kpa=99.0, closed_loop=True)
SURGE = ("first_peak_g_s", "dip_g_s", "climb_slope_g_s2", "fall_time_s", "undershoot_g_s", "volumetric_efficiency")


def read(
    snap: PressureSnap, named: Collection[str], of: Family | None = None, conditions: Conditions = WARM, seed: int = 1
) -> Readings:
    time, every = channels(snap, np.random.default_rng(seed))
    waveform = make_waveform(time, {name: every[name] for name in named})
    return read_waveforms([waveform], [of or family()], [conditions])


def value(readings: Readings, name: str) -> float:
    return float(readings.values[name][0])


def by_hand(pressure: float, speed: float) -> float:
    """Speed-density flow of the family at 25 °C with the usual efficiency, on one line. [g/s]"""
    return (0.65 + 0.21 * (pressure - 30.0) / 70.0) * pressure * 1.6 * speed / (120.0 * 0.287047 * 298.15)


PRESSURE = ("map_kpa", "engine_rpm", "lambda_ratio")


def test_pressure_and_speed_give_idle_hold_and_lambda_but_no_surge() -> None:
    found = read(PressureSnap(), PRESSURE)
    assert found.grade == ["usable"]
    assert value(found, "idle_g_s") == pytest.approx(by_hand(32.0, 800.0), rel=0.005)
    assert value(found, "main_peak_g_s") == pytest.approx(by_hand(97.0, 5800.0), rel=0.01)
    assert value(found, "engine_speed_idle_rpm") == pytest.approx(800.0, abs=3.0)
    assert value(found, "engine_speed_peak_rpm") == pytest.approx(5800.0, abs=10.0)
    assert value(found, "lambda_full_throttle") == pytest.approx(0.88, abs=0.005)
    assert value(found, "lambda_to_rich_time_constant_s") == pytest.approx(0.08, abs=0.02)
    for name in (*SURGE, "settle_time_s", "climb_notches", "throttle_opened"):
        assert found.unread[0][name] == "not_with_this_sensor", name
    assert found.unread[0]["idle_v"] == "not_for_this_family"


def test_the_pressure_tells_the_moments_within_what_it_states_and_the_plate_better() -> None:
    for named, most in ((PRESSURE, 0.03), ((*PRESSURE, "throttle_pct"), 0.01)):
        found = read(PressureSnap(), named)
        for name, true in (("opening_s", 2.0), ("release_s", 3.0)):
            u = float(found.u[name][0])
            assert u < most
            assert abs(value(found, name) - true) < 2.0 * u, (named, name)
    assert value(found, "throttle_opened") == pytest.approx(1.0, abs=0.01)
    # a half-opened plate is told from its channel, and the snap sent back
    half = read(PressureSnap(), (*PRESSURE, "throttle_pct"), family(throttle_open_pct=180))
    assert half.grade == ["repeat"]
    assert "throttle_not_full" in half.grade_reasons[0]


def test_the_efficiency_is_stated_with_the_level() -> None:
    for u in (0.05, 0.2):
        found = read(PressureSnap(), PRESSURE, family(airflow_sensor={"kind": "map_kpa", "efficiency_u": u}))
        for name in ("idle_g_s", "main_peak_g_s", "main_peak_reference_g_s", "flow_per_rev_mg"):
            assert found.u[name][0] / value(found, name) == pytest.approx(u, rel=0.1), name


def test_an_unknown_air_temperature_counts_in_the_flow_as_read_and_cancels_at_the_reference() -> None:
    of = family(airflow_sensor={"kind": "map_kpa", "efficiency_u": 0.01})
    known, unknown = (read(PressureSnap(), PRESSURE, of, replace(WARM, intake_air_c=c)) for c in (25.0, None))
    for name in ("idle_g_s", "main_peak_g_s"):
        part = np.sqrt(unknown.u[name][0] ** 2 - known.u[name][0] ** 2) / value(unknown, name)
        assert part == pytest.approx(0.5 * 12.0 / 298.15, rel=0.02), name  # half of 12 K
    at_reference = [
        each.u["main_peak_reference_g_s"][0] / value(each, "main_peak_reference_g_s") for each in (known, unknown)
    ]
    assert at_reference[1] == pytest.approx(at_reference[0], rel=0.02)
    warm, cold = (
        value(read(PressureSnap(), PRESSURE, of, replace(WARM, intake_air_c=c)), "main_peak_reference_g_s")
        for c in (30.0, 6.0)
    )
    assert warm == pytest.approx(cold, rel=0.005)  # so it does cancel


def test_a_bus_log_of_ten_a_second_counts() -> None:
    found = read(PressureSnap(rate=10.0, length=9.0), PRESSURE)
    assert found.grade == ["usable"]
    assert value(found, "idle_g_s") == pytest.approx(by_hand(32.0, 800.0), rel=0.01)
    assert value(found, "main_peak_g_s") == pytest.approx(by_hand(97.0, 5800.0), rel=0.03)
    assert found.marked[0]["main_peak_g_s"] == "lower_bound"
    assert value(found, "lambda_idle") == pytest.approx(1.0, abs=0.005)
    assert found.unread[0]["main_peak_reference_g_s"] == "rate_too_low"


def test_pressure_alone_gives_nothing_of_the_air_and_is_no_flat_trace_of_it() -> None:
    found = read(PressureSnap(), ("map_kpa", "lambda_ratio"))
    assert found.unread[0]["idle_g_s"] == "no_channel"
    assert found.unread[0]["opening_s"] == "no_channel"


@pytest.mark.parametrize("of", [family(), metered("g_s", lambda_sensor={"kind": "ratio"})], ids=["pressure", "meter"])
@pytest.mark.parametrize(
    ("beside", "opening_u"), [("throttle_pct", 0.01), ("engine_rpm", 0.06)], ids=["throttle", "speed"]
)
def test_lambda_alone_has_its_opening_from_throttle_or_speed(of: Family, beside: str, opening_u: float) -> None:
    found = read(PressureSnap(), ("lambda_ratio", beside), of)
    assert found.grade == ["usable"]
    assert "no_airflow" in found.grade_reasons[0]
    assert not {"flat", "gap", "no_snap"} & set(found.grade_reasons[0])
    for name, true in (("opening_s", 2.0), ("release_s", 3.0), ("hold_s", 1.0)):
        u = float(found.u[name][0])
        assert u < 1.5 * opening_u
        assert abs(value(found, name) - true) < 2.0 * u, name
    assert value(found, "lambda_idle") == pytest.approx(1.0, abs=0.003)
    assert value(found, "lambda_full_throttle") == pytest.approx(0.88, abs=0.005)
    assert value(found, "lambda_to_rich_dead_time_s") == pytest.approx(0.15, abs=2.5 * opening_u)
    assert found.unread[0]["idle_g_s"] == "no_channel"
    assert np.isfinite(value(found, "engine_speed_peak_rpm")) == (beside == "engine_rpm")
    assert np.isfinite(value(found, "throttle_opened")) == (beside == "throttle_pct")


def test_lambda_with_nothing_beside_it_has_no_opening() -> None:
    found = read(PressureSnap(), ("lambda_ratio",))
    assert found.grade == ["repeat"]
    assert {name for name, each in found.values.items() if np.isfinite(each[0])} == set()
    assert set(found.unread[0]) == set(QUANTITIES)


def test_two_snaps_without_air_are_two_captures_and_an_idle_is_none() -> None:
    rng = np.random.default_rng(3)
    (first, one), (second, two) = (channels(PressureSnap(), rng) for _ in range(2))
    time = np.concatenate((first, second + 6.0))
    both = {name: np.concatenate((one[name], two[name])) for name in ("lambda_ratio", "throttle_pct")}
    found = read_waveforms([make_waveform(time, both)], [family()], [WARM])
    assert found.snap.tolist() == [1, 2]
    assert found.values["opening_s"] == pytest.approx([2.0, 8.0], abs=0.02)
    idle = read(PressureSnap(hold=0.0), ("lambda_ratio", "throttle_pct"))
    assert "idle_only" in idle.grade_reasons[0]


def test_a_plot_can_be_made_of_every_one() -> None:
    time, every = channels(PressureSnap(), np.random.default_rng(1))
    for named in (PRESSURE, ("lambda_ratio", "throttle_pct")):
        _, details = read_one(make_waveform(time, {name: every[name] for name in named}), family(), WARM)
        assert "opening" in details[0].points
        assert set(details[0].points) <= {"opening", "release", "main_peak"}
