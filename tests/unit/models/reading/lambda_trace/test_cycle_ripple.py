"""Ripple once per cycle at idle, and the chance that it is only noise."""

import numpy as np
import pytest

from models.reading.lambda_trace.cycle_ripple import cycle_ripple, ratio_p_value
from tests import naive_lambda
from tests.analytic_lambda import RATE, coloured, read_ratio, snap_trace


@pytest.mark.parametrize("known", [True, False])
def test_once_per_cycle_ripple(known):
    time = np.arange(int(9.0 * RATE)) / RATE
    x = snap_trace(rows=30)
    rippled = x + 0.01 * np.sin(2 * np.pi * 820.0 / 120.0 * time + 0.4)
    out, _ = read_ratio(rippled, idle_rpm=820.0 if known else np.nan)
    np.testing.assert_allclose(out["cycle_ripple"].value, 0.01, rtol=0.15)
    covered = np.abs(out["cycle_ripple"].value - 0.01) < 1.96 * out["cycle_ripple"].u
    assert covered.mean() > 0.85


@pytest.mark.parametrize("known", [True, False])
def test_a_quiet_idle_has_no_ripple(known):
    x = snap_trace(rows=30)
    quiet, _ = read_ratio(x, idle_rpm=820.0 if known else np.nan)
    if known:
        assert np.mean(quiet["cycle_ripple"].value < 2.5 * quiet["cycle_ripple"].u + 1e-4) > 0.9
    else:
        assert np.mean(quiet["cycle_ripple"].reason != 0) > 0.9


@pytest.mark.parametrize("memory_s", [0.005, 0.02, 0.06])
@pytest.mark.parametrize("length_s", [0.6, 3.0])
def test_chance_of_ripple_is_that_of_noise_and_slow_switching(length_s, memory_s):
    """The share of quiet traces called at 1 and 5 % is at most a little more than that, whatever colours the noise."""
    h, rows = 0.0025, 1500
    time = np.arange(int(length_s / h)) * h
    rng = np.random.default_rng(8)
    switching = 0.01 * np.sin(2 * np.pi * rng.uniform(0.8, 2.0, (rows, 1)) * time + rng.uniform(0.0, 6.3, (rows, 1)))
    x = 1.0 + switching + coloured(rng, (rows, time.size), 0.002, memory_s, h)
    for speed in (820.0, np.nan):
        found = cycle_ripple(x, np.full(rows, time.size), np.full(rows, speed), interval_s=h)
        for chance in (0.01, 0.05):
            called = np.mean(found.p_value < chance)
            assert called < chance + 3.0 * np.sqrt(chance / rows)


def test_chance_is_the_tail_of_the_f_distribution():
    from scipy.stats import f

    for ratio, above, below in ((3.0, 4, 12), (18.0, 1, 2), (0.7, 3, 18)):
        assert ratio_p_value(ratio, above, below) == pytest.approx(f.sf(ratio, 2 * above, 2 * below), rel=1e-9)


def test_ripple_agrees_with_general_least_squares():
    h = 0.0025
    time = np.arange(1200) * h
    y = 1.0 + 0.01 * time + 0.02 * np.sin(2 * np.pi * 790.0 / 120.0 * time)
    found = cycle_ripple(y[None, :], np.array([1200]), np.array([790.0]), interval_s=h)
    assert found.amplitude[0] == pytest.approx(naive_lambda.ripple_amplitude(y, h, 790.0), rel=0.02)
