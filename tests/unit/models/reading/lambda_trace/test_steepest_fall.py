"""Fall to lean at its steepest: exact on first-order responses, and read where no first-order response fits."""

from dataclasses import replace

import numpy as np
import pytest

from models.statistics.estimate import UNREAD_CODES
from tests.analytic_lambda import NARROWBAND, RATIO, SNAP, WIDEBAND, lagged, read, snap_trace, volts_of_lambda

NAME = "lambda_to_lean_steepest_s"


def ratio_of(x: np.ndarray, rate_hz: float, *, most: float = 8.0, sensor=RATIO):
    """What is read of a trace in 1/lambda, every `2000 / rate_hz`-th sample of it, on a channel that ends at `most`."""
    signal = np.minimum(1.0 / np.maximum(x, 1e-3), most)[:, :: round(2000.0 / rate_hz)]
    out, _ = read(
        signal, rate_hz=rate_hz, sensor=sensor, kind="ratio", opening_s=SNAP.opening_s, release_s=SNAP.release_s
    )
    return out[NAME]


def reason(found) -> set[str]:
    return {UNREAD_CODES[code] for code in found.reason}


@pytest.mark.parametrize("rate_hz", [100.0, 500.0, 2000.0])
@pytest.mark.parametrize("constant", [0.04, 0.07, 0.2])
def test_of_a_first_order_response_it_is_the_time_constant(constant: float, rate_hz: float) -> None:
    # what is left of exp(-t/T) over its slope is T at every t: by definition
    found = ratio_of(snap_trace(replace(SNAP, constant_lean_s=constant)), rate_hz)
    np.testing.assert_allclose(found.value, constant, rtol=0.12)
    assert np.all(np.abs(found.value - np.median(found.value)) < 4.0 * found.u)


@pytest.mark.parametrize("most", [1.5, 2.0, 3.0])
def test_a_channel_that_ends_early_changes_nothing(most: float) -> None:
    x = snap_trace()
    np.testing.assert_allclose(ratio_of(x, 500.0, most=most).value, ratio_of(x, 500.0).value, rtol=0.05)


def test_of_a_wideband_sensor_in_volts_it_is_the_same() -> None:
    x = snap_trace(noise=0.001)
    signal = volts_of_lambda(WIDEBAND, 1.0 / np.maximum(x, 1e-3))
    out, _ = read(signal, rate_hz=2000.0, sensor=WIDEBAND, kind="v", opening_s=3.0, release_s=4.2)
    np.testing.assert_allclose(out[NAME].value, SNAP.constant_lean_s, rtol=0.25)


def film(constant: float, share: float, film_s: float) -> np.ndarray:
    """A cut after which a share of the fuel comes off the wall, seen through a lag."""
    time = np.arange(int(9.0 * 2000.0)) / 2000.0
    cut = SNAP.release_s + SNAP.dead_lean_s
    gas = np.where(time < cut, SNAP.full, SNAP.full * share * np.exp(-np.maximum(time - cut, 0.0) / film_s))
    gas = np.where(time < SNAP.opening_s + SNAP.dead_rich_s, SNAP.idle, gas)
    noise = np.random.default_rng(5).normal(0.0, 0.001, (8, time.size))
    return np.tile(lagged(time, gas, constant), (8, 1)) + noise


@pytest.mark.parametrize("share", [0.0, 0.2, 0.4])
def test_a_slow_sensor_shows_whatever_the_wall_film_adds(share: float) -> None:
    """Film burns off for 0.12 s and the channel ends at lambda 2, as real ones do: three times the lag is twice the time."""
    sound, slow = (ratio_of(film(constant, share, 0.12), 500.0, most=1.99).value for constant in (0.05, 0.15))
    assert np.all(np.isfinite(sound))
    assert np.all(np.isfinite(slow))
    assert np.median(slow) > 2.0 * np.median(sound)
    assert np.std(np.log(sound)) < 0.1


def test_a_ratio_held_between_updates_is_a_stair_and_read_as_a_slope() -> None:
    x = snap_trace(replace(SNAP, constant_lean_s=0.15), noise=0.0)
    held = np.repeat(x[:, ::80], 80, axis=1)[:, : x.shape[1]]  # an update each 40 ms
    found = ratio_of(held, 2000.0)
    np.testing.assert_allclose(found.value, 0.15, rtol=0.35)
    assert np.all(found.u > 0.01)


def test_without_a_cut_there_is_no_such_time() -> None:
    found = ratio_of(snap_trace(replace(SNAP, cut=0.95)), 500.0)
    assert np.isnan(found.value).all()
    assert reason(found) <= {"no_fuel_cut", "no_step"}


def test_where_the_record_ends_in_the_fall_there_is_none() -> None:
    snap = replace(SNAP, constant_lean_s=0.4)
    found = ratio_of(snap_trace(snap, length_s=SNAP.release_s + SNAP.dead_lean_s + 0.03), 500.0)
    assert np.isnan(found.value).all()
    assert reason(found) <= {"record_ends_early", "no_fuel_cut", "noise", "no_step"}


def test_a_switching_sensor_has_none() -> None:
    x = 0.1 + 0.7 * (snap_trace() > 1.0)
    out, _ = read(x, rate_hz=2000.0, sensor=NARROWBAND, kind="v", opening_s=3.0, release_s=4.2)
    assert reason(out[NAME]) == {"not_for_this_family"}
