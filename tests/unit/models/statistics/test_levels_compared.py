"""Levels of several visits, and how they are compared."""

import numpy as np
import pytest

from models.statistics.levels_compared import mean_level


def test_a_visit_read_badly_hardly_counts_and_widens_nothing() -> None:
    """Inverse-variance weighting: two measurements of 62 ± 2 and 61 ± 5, and one that knows nothing, by hand."""
    level = mean_level(np.array([62.0, 70.0, 61.0]), np.array([2.0, 26.0, 5.0]))
    weights = np.array([1 / 4, 1 / 676, 1 / 25])
    assert level.value == pytest.approx(np.average([62.0, 70.0, 61.0], weights=weights))
    assert level.u == pytest.approx(weights.sum() ** -0.5)
    alike = mean_level(np.array([1.0, 2.0, 3.0]), np.full(3, 0.1))
    assert alike.value == pytest.approx(2.0)
    assert alike.u == pytest.approx(np.sqrt((2.0 * 0.01 + 2.0) / 4.0 / 3.0))
