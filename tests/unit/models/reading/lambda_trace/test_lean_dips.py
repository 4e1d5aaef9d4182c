"""Lean dips of the lambda trace against their slow twin."""

import numpy as np
import pytest

from models.reading.lambda_trace.lean_dips import LeanDips, count_lean_dips
from tests import naive_lambda
from tests.analytic_lambda import coloured, lagged

INTERVAL_S = 0.0025
IDLE_STOP, FIRST, STOP, SAMPLES = 400, 480, 900, 1000


def trace(dips: int, depth: float, seed: int) -> np.ndarray:
    """Richness with coloured noise; dips 20 ms wide at half height, evenly spaced in the hold."""
    x = 1.1 + coloured(np.random.default_rng(seed), (1, SAMPLES), 0.002, 0.02, INTERVAL_S)[0]
    places = np.linspace(FIRST, STOP, dips + 2)[1:-1]
    for place in places:
        x -= depth * np.exp(-0.5 * ((np.arange(SAMPLES) - place) * INTERVAL_S / 0.0085) ** 2)
    return x


def fast(x: np.ndarray) -> LeanDips:
    rows = x.shape[0]
    return count_lean_dips(
        x,
        interval_s=INTERVAL_S,
        idle_stop=np.full(rows, IDLE_STOP),
        first=np.full(rows, FIRST),
        stop=np.full(rows, STOP),
        noise=np.full(rows, 0.001),
        least=0.02,
    )


@pytest.mark.parametrize(("dips", "depth"), [(0, 0.0), (1, 0.1), (4, 0.06), (7, 0.2)])
def test_dips_agree_with_their_twin(dips, depth):
    x = np.stack([trace(dips, depth, seed) for seed in range(6)])
    found = fast(x)
    for row in range(x.shape[0]):
        number, median = naive_lambda.lean_dips(x[row], IDLE_STOP, FIRST, STOP, INTERVAL_S, 0.001, 0.02)
        assert found.number[row] == number == dips
        assert found.electrical[row] == 0
        # the kernel takes the level around at eight places per reach, the twin at every sample
        np.testing.assert_allclose(found.depth[row], median, rtol=0.02)


def test_a_dip_cut_by_the_window_is_not_counted():
    x = trace(0, 0.0, 9)
    x[STOP - 3 :] -= 0.2
    assert fast(x[None]).number[0] == 0
    assert naive_lambda.lean_dips(x, IDLE_STOP, FIRST, STOP, INTERVAL_S, 0.001, 0.02)[0] == 0


@pytest.mark.parametrize("width_s", [0.05, 0.1, 0.2])
def test_a_smooth_shoulder_is_no_dip(width_s):
    """The level only changes, or swells and settles: a tenth and more of one family's healthy captures counted one."""
    place = (np.arange(SAMPLES) - 650) * INTERVAL_S
    shoulder = 0.04 / (1.0 + np.exp(place / (0.25 * width_s)))
    hump = 0.05 * np.exp(-0.5 * (place / width_s) ** 2)
    noise = coloured(np.random.default_rng(3), (2, SAMPLES), 0.0005, 0.02, INTERVAL_S)
    x = 1.1 + np.stack([shoulder, hump + 0.02 * (place > 0.0)]) + noise
    found = fast(x)
    assert found.number.tolist() == [0, 0]
    for row in range(2):
        assert naive_lambda.lean_dips(x[row], IDLE_STOP, FIRST, STOP, INTERVAL_S, 0.001, 0.02)[0] == 0


def test_a_wide_dip_is_no_needle_and_a_needle_of_a_slow_sensor_is_one():
    """A level that sags for a fifth of a second is no missed firing; a sensor four times slower still shows one."""
    time = np.arange(SAMPLES) * INTERVAL_S
    for width_s, lag_s, expected in ((0.2, 0.02, 0), (0.03, 0.1, 1), (0.03, 0.02, 1)):
        x = np.where((time > 1.6) & (time < 1.6 + width_s), 0.8, 1.1)
        found = fast(lagged(time, x, lag_s)[None] + np.random.default_rng(3).normal(0.0, 0.0005, (1, SAMPLES)))
        assert found.number[0] == expected, (width_s, lag_s)
