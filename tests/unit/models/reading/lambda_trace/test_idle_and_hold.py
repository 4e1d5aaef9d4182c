"""Idle over its own window, fuel cut before the opening, and full throttle of holds too short for it."""

import numpy as np
import pytest

from tests.analytic_lambda import RATE, Snap, coloured, first_order, lagged, read_ratio, reasons, snap_trace


def with_something_before(x: np.ndarray, until_s: float, level: float) -> np.ndarray:
    """The same traces, with the mixture at another level up to a time, and the sensor's way back from it."""
    time = np.arange(x.shape[1]) / RATE
    return x + first_order(time, until_s, 0.06, level - 1.0, 0.0)


def test_idle_is_read_over_the_steady_idle_and_not_from_the_begin_of_the_record():
    """A rev or an overrun earlier in the record is no idle."""
    x = with_something_before(snap_trace(), 1.4, 0.93)
    whole, _ = read_ratio(x)
    assert np.all(whole["lambda_idle"].value > 1.02)
    out, _ = read_ratio(x, idle_s=(1.0, 2.9))
    np.testing.assert_allclose(out["lambda_idle"].value, 1.0, atol=0.002)
    blip, calm = out["tip_in_lean_blip"], read_ratio(snap_trace())[0]["tip_in_lean_blip"]
    np.testing.assert_allclose(blip.value, calm.value, atol=0.005)
    brief, _ = read_ratio(snap_trace(), idle_s=(0.0, 0.15))
    assert reasons(brief["lambda_idle"]) == {"not_enough_before"}


def test_a_snap_out_of_a_fuel_cut_has_no_idle_and_still_its_own_cut():
    """Lambda 3 before the opening is no mixture at idle, and the cut after the release is one all the same."""
    x = with_something_before(snap_trace(), 3.2, 0.3)
    out, signs = read_ratio(x, idle_s=(0.0, 2.9))
    for name in ("lambda_idle", "tip_in_lean_blip", "lambda_to_rich_time_constant_s", "cycle_ripple"):
        assert reasons(out[name]) == {"fuel_cut_before"}, name
    np.testing.assert_allclose(out["lambda_full_throttle"].value, 0.88, atol=0.003)
    assert reasons(out["lambda_fuel_cut"]) <= {"", "censored"}
    assert not signs.polarity_contradicts.any()


@pytest.mark.parametrize("level", [1.2, 1.35, 1.5])
def test_an_idle_that_a_leak_makes_lean_is_read_however_lean(level):
    """Steady between what usually idles and what no longer burns: the fault itself, not a fuel cut."""
    x = with_something_before(snap_trace(), 3.2, 1.0 / level)
    out, _ = read_ratio(x, idle_s=(0.0, 2.9))
    assert reasons(out["lambda_idle"]) == {""}
    np.testing.assert_allclose(out["lambda_idle"].value, level, rtol=0.01)


def test_lambda_on_its_way_back_from_a_fuel_cut_is_no_idle():
    time = np.arange(snap_trace().shape[1]) / RATE
    back = np.interp(time, [0.0, 0.9, 3.0, 9.0], [1 / 2.2, 1 / 1.9, 1 / 1.2, 1.0]) - 1.0
    out, _ = read_ratio(snap_trace() + back, idle_s=(0.0, 2.9))
    assert reasons(out["lambda_idle"]) == {"fuel_cut_before"}


@pytest.mark.parametrize("hold_s", [0.5, 0.6, 0.7, 0.8, 1.2])
def test_lambda_that_still_gets_richer_is_no_full_throttle_level(hold_s):
    """Through film, mixing and sensor the level is there a second after the opening; before, null or unsure by what lacks."""
    time = np.arange(int(9.0 * RATE)) / RATE
    mixture = np.where((time > 3.1) & (time < 3.1 + hold_s + 0.1), 1.0 / 0.88, 1.0)
    x = lagged(time, lagged(time, mixture, 0.12), 0.15)
    rows = np.tile(x, (8, 1)) + coloured(np.random.default_rng(2), (8, time.size), 0.002, 0.02, 1.0 / RATE)
    out, _ = read_ratio(rows, Snap(opening_s=3.0, release_s=3.0 + hold_s))
    found = out["lambda_full_throttle"]
    assert reasons(found) <= {"", "hold_too_short"}
    read_here = np.isfinite(found.value)
    assert np.all(np.abs(found.value - 0.88)[read_here] < 2.0 * found.u[read_here] + 0.003)
    assert read_here.all() or hold_s < 1.0
