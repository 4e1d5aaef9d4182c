"""Medians and ranks within groups, against the plain way."""

import numpy as np
import pytest

from models.statistics.groups import group_medians, medians_of_lists, numbered, ranked


def _some(rng: np.random.Generator, groups: int, most: int) -> tuple[np.ndarray, np.ndarray]:
    group = np.repeat(np.arange(groups), rng.integers(0, most, groups))
    values = rng.normal(size=(group.size, 3)).round(1)
    values[rng.random(values.shape) < 0.1] = np.nan
    values[rng.random(values.shape) < 0.02] = np.inf
    return values, group


@pytest.mark.parametrize("most", [4, 60, 300])
@pytest.mark.parametrize("shuffled", [False, True])
def test_a_group_median_is_that_of_its_finite_values(most, shuffled):
    rng = np.random.default_rng(most)
    values, group = _some(rng, 40, most)
    order = rng.permutation(group.size) if shuffled else np.arange(group.size)
    medians, counts = group_medians(values[order], group[order], 40)
    for g in range(40):
        for column in range(3):
            known = values[group == g, column]
            known = known[np.isfinite(known)]
            assert counts[g, column] == known.size
            assert medians[g, column] == np.median(known) if known.size else np.isnan(medians[g, column])


def test_lists_may_share_rows_and_be_empty():
    values = np.array([[3.0], [1.0], [np.nan], [8.0]])
    medians, counts = medians_of_lists(values, np.array([0, 1, 1, 2, 3]), np.array([0, 2, 2, 5]))
    assert medians[:, 0].tolist() == pytest.approx([2.0, np.nan, 4.5], nan_ok=True)
    assert counts[:, 0].tolist() == [2, 0, 2]


def test_ranks_are_within_each_group():
    rng = np.random.default_rng(5)
    group = rng.integers(0, 7, 200)
    values = rng.normal(size=200)
    ordered, first, counts = ranked(values, group, 9)
    assert counts.tolist() == np.bincount(group, minlength=9).tolist()
    for g in range(9):
        assert ordered[first[g] : first[g] + counts[g]].tolist() == sorted(values[group == g].tolist())


def test_codes_that_follow_each_other_are_numbered():
    assert numbered(np.array([4, 4, 2, 9, 9, 9])).tolist() == [0, 0, 1, 2, 2, 2]
    assert numbered(np.empty(0, np.int64)).size == 0
