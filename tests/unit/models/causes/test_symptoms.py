"""Symptoms: what of a movement is compared between engines that are built otherwise."""

import math
from dataclasses import replace

import numpy as np
import pytest

from data_contracts.features import FEATURES
from models.causes.effects import PROPORTIONS, Symptoms, symptoms
from models.causes.evidence import gather_evidence
from models.causes.table import load_effects
from models.tracking.state.residuals import Residuals

FIRST, MAIN, PULSE = "first_peak_g_s", "main_peak_reference_g_s", "recirculation_pulse_g_s"


def residuals_of(expected: dict[str, float], shift: dict[str, list[float]]) -> Residuals:
    """Vans that are alike but for what moved."""
    names = tuple(expected)
    shifts = np.column_stack([shift.get(name, [0.0] * len(next(iter(shift.values())))) for name in names])
    vans = len(shifts)
    level = np.tile([expected[name] for name in names], (vans, 1))
    ones = np.ones(shifts.shape)
    return Residuals(
        tuple(f"v{n}" for n in range(vans)), names, level, shifts, 0.001 * np.abs(level), ones, np.full(vans, 2)
    )


def moved_of(expected: dict[str, float], shift: dict[str, list[float]], kind: str = "wideband") -> Symptoms:
    """Their symptoms."""
    residuals = residuals_of(expected, shift)
    vans = len(residuals.van_ids)
    return symptoms(residuals, (kind,) * vans, np.zeros(vans, bool), load_effects("trade"))


def column(found: Symptoms, name: str) -> np.ndarray:
    """The symptom of every van. [scale of the feature]"""
    return found.moved[:, [feature.name for feature in found.features].index(name)]


@pytest.mark.parametrize("first", [45.0, 60.0, 95.0])
def test_what_chokes_ahead_of_the_engine_leaves_the_first_peak_its_share_whatever_its_height(first: float) -> None:
    lost, proportion = -0.2, first / 100.0
    choked = {FIRST: [first * proportion * lost, 0.0, 0.5 * lost * first], MAIN: [100.0 * lost, 100.0 * lost, 0.0]}
    intake, exhaust, plate = column(moved_of({FIRST: first, MAIN: 100.0}, choked), "first_beside_main")
    assert intake == pytest.approx(0.0, abs=1e-12)
    assert exhaust == pytest.approx(-proportion * lost)
    assert plate == pytest.approx(0.5 * lost)


def test_a_first_peak_out_of_all_proportion_is_compared_as_the_highest_in_order() -> None:
    found = moved_of({FIRST: 400.0, MAIN: 100.0}, {MAIN: [-10.0]})
    assert column(found, "first_beside_main") == pytest.approx(0.1 * PROPORTIONS[1])


def test_a_first_peak_speaks_by_itself_where_no_main_peak_was_read() -> None:
    shift = {FIRST: [-12.0, -12.0], MAIN: [np.nan, -20.0]}
    found = moved_of({FIRST: 60.0, MAIN: 100.0}, shift)
    assert column(found, "first_alone") == pytest.approx([-0.2, np.nan], nan_ok=True)
    assert column(found, "first_beside_main") == pytest.approx([np.nan, -0.08], nan_ok=True)
    names = [feature.name for feature in moved_of({FIRST: 60.0, MAIN: 100.0}, {FIRST: [-12.0]}).features]
    assert "first_alone" not in names


def test_what_a_cause_does_to_a_first_peak_alone_follows_from_its_parts() -> None:
    for pattern in load_effects().patterns:
        beside, main = (pattern.effect.get(name, 0.0) for name in ("first_beside_main", "main_peak"))
        assert pattern.effect.get("first_alone", 0.0) == pytest.approx(beside + 0.7 * main)
        beside, main = (pattern.spread.get(name, 0.0) for name in ("first_beside_main", "main_peak"))
        assert pattern.spread.get("first_alone", 0.0) == pytest.approx(np.hypot(beside, 0.7 * main))


def test_of_a_pulse_that_hardly_was_any_size_is_many_times_that() -> None:
    found = moved_of({PULSE: 0.05}, {PULSE: [-0.05, -0.02, 0.0, 0.05, 1.0, 4.0]})
    gone, less, same, double, large, huge = column(found, "recirculation_pulse")
    assert (gone, less, same) == pytest.approx((-1.0, -0.4, 0.0))
    assert 0.6 < double < large < huge < 2.0
    assert huge - large < 0.2


def test_what_is_told_of_such_a_pulse_is_its_whole_rise() -> None:
    expected, shift = {PULSE: 0.05}, {PULSE: [0.95]}
    told = gather_evidence(
        residuals_of(expected, shift),
        0,
        moved_of(expected, shift),
        np.array([0.3]),
        np.array([1.2]),
        1.0,
        "recirculation_valve",
        6.0,
    )
    (fact,) = told.supporting
    assert fact.numbers["moved"] == pytest.approx(19.0)


def test_a_switching_signal_that_only_comes_late_is_slow_as_a_whole() -> None:
    dead, switch = "lambda_to_rich_dead_time_s", "lambda_to_rich_switch_time_s"
    expected = {dead: 0.2, switch: 0.05}
    found = moved_of(expected, {dead: [0.1, 0.0, 0.1], switch: [0.0, 0.1, -0.03]}, "narrowband")
    late, slow, both = column(found, "to_rich_switched")
    assert (late, slow, both) == pytest.approx((np.log(1.4), np.log(1.4), np.log(1.28)))
    assert "to_rich_whole" not in [feature.name for feature in found.features]


BLIP, LEVEL, DEAD = "tip_in_lean_blip", "lambda_full_throttle", "lambda_to_lean_dead_time_s"


def test_what_a_healthy_engine_shows_at_its_limit_of_speed_is_judged_as_that() -> None:
    """Spark cut at the limit leaves the air in the exhaust unburnt: lambda 2 there is neither blip nor mixture."""
    at_limit = moved_of(
        {BLIP: 1.0, LEVEL: 1.7, DEAD: 3.1}, {BLIP: [-0.45, 0.38], LEVEL: [-0.4, 0.3], DEAD: [0.5, -3.0]}
    )
    assert [feature.name for feature in at_limit.features if feature.scale != "scatter"] == ["lean_at_limit"]
    assert column(at_limit, "lean_at_limit") == pytest.approx(np.log([0.55, 1.38]))
    burning = moved_of({BLIP: 0.1, LEVEL: 0.9, DEAD: 0.2}, {BLIP: [0.05], LEVEL: [0.1], DEAD: [0.1]})
    assert {"lean_blip", "lambda_full_throttle", "to_lean_dead"} <= {feature.name for feature in burning.features}
    assert "lean_at_limit" not in {feature.name for feature in burning.features}


@pytest.mark.parametrize(("rich_low", "level", "told"), [(False, 0.85, True), (False, 0.07, False), (True, 0.1, True)])
def test_a_rich_level_is_on_the_rich_side_in_health(rich_low: bool, level: float, told: bool) -> None:
    residuals = residuals_of({"lambda_full_throttle_v": level}, {"lambda_full_throttle_v": [0.02]})
    found = symptoms(residuals, ("narrowband",), np.array([rich_low]), load_effects("trade"))
    assert ("rich_level" in {feature.name for feature in found.features}) == told


def test_a_lean_mixture_lifts_the_excursion_at_the_limit_and_a_slow_sensor_flattens_it() -> None:
    patterns = [pattern for pattern in load_effects().patterns if "lambda_full_throttle" in pattern.effect]
    for pattern in patterns:
        if not pattern.cause.startswith("lambda_slow"):
            assert pattern.effect["lean_at_limit"] == pytest.approx(2.0 * pattern.effect["lambda_full_throttle"])
    slow = [pattern for pattern in load_effects().patterns if pattern.cause == "lambda_slow"]
    assert len(slow) > 1  # fitted and as the trade has it: no engine of the fit showed one
    assert all(pattern.effect["lean_at_limit"] < -0.5 for pattern in slow)


def test_the_steepest_fall_stands_in_where_the_time_constant_is_not_read_or_much_less_certain() -> None:
    dead, constant, steepest = (f"lambda_to_lean_{name}_s" for name in ("dead_time", "time_constant", "steepest"))
    doubled = residuals_of(
        {dead: 0.05, constant: 0.05, steepest: 0.08},
        {dead: [0.05, 0.05, 0.05], constant: [0.05, np.nan, 0.05], steepest: [0.08, 0.08, 0.08]},
    )
    u = doubled.shift_u.copy()
    u[2, 1] = 0.02  # a fit of which two fifths are in doubt
    found = symptoms(replace(doubled, shift_u=u), ("ratio",) * 3, np.zeros(3, bool), load_effects("trade"))
    for name in ("to_lean", "to_lean_whole"):
        assert column(found, name) == pytest.approx([np.log(2.0), np.nan, np.nan], nan_ok=True)
    assert column(found, "to_lean_dead") == pytest.approx(np.log(2.0))
    assert column(found, "to_lean_steepest") == pytest.approx([np.nan, np.log(2.0), np.log(2.0)], nan_ok=True)


def test_what_stands_in_for_another_comes_after_all_that_rests_on_it() -> None:
    """Features are gone through in order: one further on would still speak from the less certain quantity."""
    names = list(FEATURES)
    for feature in FEATURES.values():
        if math.isfinite(feature.surer):
            quantity = FEATURES[feature.made_of[0][0]].quantity
            resting = [one.name for one in FEATURES.values() if quantity in (one.quantity, one.plus)]
            assert max(names.index(name) for name in resting) < names.index(feature.name)
