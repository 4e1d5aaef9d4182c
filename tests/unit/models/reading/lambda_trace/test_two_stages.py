"""A fall in two stages after the release: told apart where one is steeper, and not told where either could be meant."""

import numpy as np
import pytest

from tests.analytic_lambda import RATE, SNAP, coloured, first_order, read_ratio, reasons

FIRST_S, SECOND_S = 0.20, 0.96


def falls(first: float, second: float, rows: int = 12) -> np.ndarray:
    """Richness that falls at 0.20 s and at 0.96 s after the release, each with its size; repeats with noise of their own."""
    time = np.arange(int(9.0 * RATE)) / RATE
    x = np.where(time < SNAP.release_s, SNAP.richness(time), SNAP.full)
    x += first_order(time, SNAP.release_s + FIRST_S, 0.06, 0.0, -first)
    x += first_order(time, SNAP.release_s + SECOND_S, 0.06, 0.0, -second)
    return np.tile(x, (rows, 1)) + coloured(np.random.default_rng(8), (rows, x.size), 0.002, 0.02, 1.0 / RATE)


@pytest.mark.parametrize(("first", "second"), [(0.3, 0.3), (0.3, 0.33), (0.33, 0.3), (0.4, 0.35)])
def test_repeats_do_not_jump_between_two_falls_alike(first: float, second: float) -> None:
    out, _ = read_ratio(falls(first, second))
    for name in ("lambda_to_lean_dead_time_s", "lambda_to_lean_time_constant_s"):
        assert reasons(out[name]) == {"not_found"}


@pytest.mark.parametrize(("first", "second", "at"), [(0.12, 0.6, SECOND_S), (0.2, 0.6, SECOND_S), (0.6, 0.2, FIRST_S)])
def test_the_steeper_of_two_falls_is_the_response(first: float, second: float, at: float) -> None:
    out, _ = read_ratio(falls(first, second))
    np.testing.assert_allclose(out["lambda_to_lean_dead_time_s"].value, at, atol=0.015)
    np.testing.assert_allclose(out["lambda_to_lean_time_constant_s"].value, 0.06, rtol=0.2)
