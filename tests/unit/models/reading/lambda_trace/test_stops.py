"""A ratio at its stop is censored: by the register's range, or seen from runs at one extreme value."""

from dataclasses import replace

import numpy as np
import pytest

from tests.analytic_lambda import RATE, RATIO, SNAP, Snap, read, reasons, snap_trace

RICH = Snap(opening_s=3.0, release_s=4.2, full=1.0 / 0.70, cut=0.6)
STEP = 2.0 / 65536.0  # lambda of a scan tool: SAE J1979, from memory


def recorded(snap: Snap, low: float, high: float, step: float = STEP, held: int = 1) -> np.ndarray:
    ratio = np.clip(1.0 / np.clip(snap_trace(snap), 1.0 / 8.0, None), low, high)
    return np.repeat((np.round(ratio / step) * step)[:, ::held], held, axis=1)[:, : ratio.shape[1]]


def read_snap(signal: np.ndarray, sensor=RATIO, snap: Snap = RICH):
    return read(signal, rate_hz=RATE, sensor=sensor, kind="ratio", opening_s=snap.opening_s, release_s=snap.release_s)


@pytest.mark.parametrize("held", [1, 20])
def test_a_ratio_that_stands_at_one_extreme_value_is_censored(held: int) -> None:
    """It was read as 0.750, certain to five digits."""
    out, signs = read_snap(recorded(RICH, 0.75, 1.5, held=held))
    for name in ("lambda_full_throttle", "lambda_full_throttle_slope_per_s", "lambda_fuel_cut", "lean_needles"):
        assert reasons(out[name]) == {"censored"}, name
    assert reasons(out["lambda_to_rich_time_constant_s"]) == {"censored"}
    assert np.isfinite(out["lambda_idle"].value).all()
    assert signs.clipped.all()


@pytest.mark.parametrize(("step", "held"), [(STEP, 1), (STEP, 20), (0.001, 1), (0.01, 200)])
def test_a_ratio_that_only_repeats_itself_is_at_no_stop(step: float, held: int) -> None:
    """Coarse steps and repeated samples make runs everywhere, not only at the ends."""
    out, signs = read_snap(recorded(Snap(opening_s=3.0, release_s=4.2, cut=0.6), 0.5, 8.0, step, held), snap=SNAP)
    assert np.isfinite(out["lambda_full_throttle"].value).all()
    assert "censored" not in {why for found in out.values() for why in reasons(found)}
    assert not signs.clipped.any()


def test_the_registers_range_is_believed_where_no_run_shows() -> None:
    """Noise of the recorder behind the stop hides the run."""
    signal = recorded(RICH, 0.75, 1.5) + np.random.default_rng(7).normal(0.0, 0.0004, (10, int(9.0 * RATE)))
    assert reasons(read_snap(signal)[0]["lambda_full_throttle"]) == {""}
    told = replace(RATIO, range_lambda=(0.751, 1.499))
    out, _ = read_snap(signal, told)
    assert reasons(out["lambda_full_throttle"]) == {"censored"}
    assert reasons(out["lambda_fuel_cut"]) == {"censored"}
    assert np.isfinite(out["lambda_idle"].value).all()
