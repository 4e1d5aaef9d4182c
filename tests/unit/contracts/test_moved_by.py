"""Which causes move a quantity, against the effects they declare and the trade's own signs."""

import pytest

from data_contracts.causes import CAUSES, EVERY_CAUSE
from data_contracts.features import FEATURES
from data_contracts.moved_by import movers, stands_for
from data_contracts.signals import BANK2_PREFIX, QUANTITIES


@pytest.mark.parametrize(
    ("quantity", "side", "cause"),
    [
        ("trim_idle_pct", "high", "unmetered_air"),
        ("trim_idle_pct", "low", "injector_leaking"),
        ("trim_2500_pct", "high", "injector_restricted"),  # both trims, so that the difference does not move
        ("trim_2500_pct", "low", "injector_leaking"),
        ("main_peak_reference_g_s", "low", "airflow_under_reading"),
        ("main_peak_reference_g_s", "low", "exhaust_restricted"),
        ("first_peak_g_s", "low", "throttle_not_full"),
        ("lambda_full_throttle", "high", "fuel_delivery_weak"),
        ("lambda_fuel_cut", "low", "injector_leaking"),  # the plateau is not reached: richer, more of 1/lambda
        ("lambda_to_lean_time_constant_s", "high", "lambda_slow"),
        ("recirculation_pulse_g_s", "low", "recirculation_valve"),
        ("lean_needles", "high", "ignition_weak"),
        ("lambda_full_throttle", "unsteady", "fuel_aeration"),
    ],
)
def test_signs_are_those_of_the_trade(quantity: str, side: str, cause: str) -> None:
    """As the table of causes in the trade has them (common practice, no source)."""
    assert cause in movers(quantity)[side]  # type: ignore[index]


def test_what_a_cause_does_not_do_is_not_said_of_it() -> None:
    """A choked exhaust takes the main peak and hardly the first; a slow sensor leaves the air alone."""
    first = movers("first_peak_g_s")["low"]
    assert first.index("throttle_not_full") < first.index("exhaust_restricted")
    assert not any("lambda_slow" in causes for causes in movers("main_peak_reference_g_s").values())
    assert "unmetered_air" not in movers("trim_idle_pct")["low"]


def test_the_clearest_stands_first_and_a_cause_stands_once_on_a_side() -> None:
    assert movers("main_peak_reference_g_s")["low"][0] == "airflow_under_reading"
    for quantity in QUANTITIES:
        for causes in movers(quantity).values():
            assert len(set(causes)) == len(causes)


@pytest.mark.parametrize("cause", CAUSES)
def test_a_repair_brings_back_only_what_its_cause_moves(cause: str) -> None:
    moved = {quantity for quantity in QUANTITIES if any(cause in side for side in movers(quantity).values())}
    slight = {quantity for quantity in EVERY_CAUSE[cause].job.touches if quantity not in moved}
    effects = {FEATURES[name].quantity for way in EVERY_CAUSE[cause].shows for name in way.effects}
    assert slight <= effects, slight - effects
    assert moved & set(EVERY_CAUSE[cause].job.touches)


def test_a_landmark_that_nothing_is_judged_by_leads_to_the_one_that_is() -> None:
    assert stands_for("main_peak_v") == stands_for("main_peak_g_s") == "main_peak_reference_g_s"
    assert stands_for("main_peak_reference_g_s") == "main_peak_reference_g_s"
    assert stands_for("idle_v") == "idle_g_s"
    assert stands_for("hold_s") == ""
    assert not any(stands_for(name).startswith(BANK2_PREFIX) for name in QUANTITIES)
