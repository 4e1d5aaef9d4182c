"""Lean dips of the lambda trace against their slow twin."""

import numpy as np
import pytest

from models.reading.lambda_trace.lean_dips import LeanDips, count_lean_dips
from tests import naive_lambda
from tests.analytic_lambda import coloured

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
