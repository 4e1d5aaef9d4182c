"""Needles of the lambda trace against their slow twin."""

import numpy as np
import pytest

from models.reading.lambda_trace.lean_dips import COUNT, QUICK, SIZE, count_needles
from tests import naive_lambda
from tests.analytic_lambda import coloured

INTERVAL_S = 0.0025
IDLE_STOP, FIRST, STOP, SAMPLES = 400, 480, 900, 1000


def trace(needles: int, depth: float, seed: int) -> np.ndarray:
    """Richness with coloured noise; needles 20 ms wide at half height, evenly spaced in the hold."""
    x = 1.1 + coloured(np.random.default_rng(seed), (1, SAMPLES), 0.002, 0.02, INTERVAL_S)[0]
    places = np.linspace(FIRST, STOP, needles + 2)[1:-1]
    for place in places:
        x -= depth * np.exp(-0.5 * ((np.arange(SAMPLES) - place) * INTERVAL_S / 0.0085) ** 2)
    return x


def fast(x: np.ndarray) -> np.ndarray:
    rows = x.shape[0]
    return count_needles(
        x,
        interval_s=INTERVAL_S,
        idle_stop=np.full(rows, IDLE_STOP),
        first=np.full(rows, FIRST),
        stop=np.full(rows, STOP),
        noise=np.full(rows, 0.001),
        least=0.02,
    )


@pytest.mark.parametrize(("needles", "depth"), [(0, 0.0), (1, 0.1), (4, 0.06), (7, 0.2)])
def test_needles_agree_with_their_twin(needles, depth):
    x = np.stack([trace(needles, depth, seed) for seed in range(6)])
    found = fast(x)
    for row in range(x.shape[0]):
        count, size = naive_lambda.lean_needles(x[row], IDLE_STOP, FIRST, STOP, INTERVAL_S, 0.001, 0.02)
        assert found[row, COUNT] == count == needles
        assert found[row, QUICK] == 0
        # the kernel takes the level around at eight places per reach, the twin at every sample
        np.testing.assert_allclose(found[row, SIZE], size, rtol=0.02)


def test_a_needle_cut_by_the_window_is_not_counted():
    x = trace(0, 0.0, 9)
    x[STOP - 3 :] -= 0.2
    assert fast(x[None])[0, COUNT] == 0
    assert naive_lambda.lean_needles(x, IDLE_STOP, FIRST, STOP, INTERVAL_S, 0.001, 0.02)[0] == 0
