"""Levels of several visits, and how they are compared."""

import numpy as np
import pytest

from models.statistics.levels_compared import Level, compared, level_at_last, mean_level


def test_a_visit_read_badly_hardly_counts_and_widens_nothing() -> None:
    """Inverse-variance weighting: two measurements of 62 ± 2 and 61 ± 5, and one that knows nothing, by hand."""
    level = mean_level(np.array([62.0, 70.0, 61.0]), np.array([2.0, 26.0, 5.0]))
    weights = np.array([1 / 4, 1 / 676, 1 / 25])
    assert level.value == pytest.approx(np.average([62.0, 70.0, 61.0], weights=weights))
    assert level.u == pytest.approx(weights.sum() ** -0.5)
    alike = mean_level(np.array([1.0, 2.0, 3.0]), np.full(3, 0.1))
    assert alike.value == pytest.approx(2.0)
    assert alike.u == pytest.approx(np.sqrt((2.0 * 0.01 + 2.0) / 4.0 / 3.0))


@pytest.mark.parametrize(
    ("values", "kept"),
    [
        ([2.0, 3.0, 2.5], 3),
        ([2.0, 2.1, 38.0], 1),  # stepped at the last visit
        ([2.0, 20.0, 38.0], 1),  # grew
        ([2.0, 20.0, 21.0], 2),
        ([20.0, 2.0, 20.5], 1),  # visits that agree, but not in a row
        ([2.0, np.nan, 3.0], 3),
        ([2.0, 3.0, np.nan], 3),
        ([4.0], 1),
    ],
)
def test_what_grew_until_the_last_visit_is_no_scatter_of_its_level(values: list[float], kept: int) -> None:
    x, u = np.array(values), np.full(len(values), 1.0)
    level, alike = level_at_last(x, u), mean_level(x[-kept:], u[-kept:])
    assert (level.value, level.u, level.moving) == (alike.value, alike.u, kept < np.isfinite(x).sum())
    assert not alike.moving


@pytest.mark.parametrize(
    ("moving", "after", "verdict"), [(False, 32, "restored"), (True, 32, "closer"), (True, 38.5, "restored")]
)
def test_after_one_odd_visit_half_the_way_back_proves_nothing(moving: bool, after: float, verdict: str) -> None:
    before, expected = Level(23.0, 1.9, moving), Level(39.0, 0.7)
    assert compared(before, Level(after, 1.9), expected, 1.96).verdict == verdict


def test_nothing_read_has_no_level() -> None:
    assert not level_at_last(np.array([np.nan, np.nan]), np.ones(2)).known
    assert not level_at_last(np.array([]), np.array([])).known
