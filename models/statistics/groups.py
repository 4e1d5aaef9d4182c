"""Medians and ranks within groups of rows."""

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel


@kernel
def _group_medians(ordered: Floats, bounds: Codes) -> tuple[Floats, Codes]:  # pragma: no cover
    groups, columns = bounds.size - 1, ordered.shape[1]
    medians, counts = np.full((groups, columns), np.nan), np.zeros((groups, columns), np.int64)
    for g in range(groups):
        held = np.empty(bounds[g + 1] - bounds[g])
        for column in range(columns):
            n = 0
            for row in range(bounds[g], bounds[g + 1]):
                if np.isfinite(ordered[row, column]):
                    held[n] = ordered[row, column]
                    n += 1
            counts[g, column] = n
            if n:
                medians[g, column] = np.median(held[:n])
    return medians, counts


@kernel
def _medians_of_lists(values: Floats, order: Codes, bounds: Codes) -> tuple[Floats, Codes]:  # pragma: no cover
    lists = bounds.size - 1
    medians, counts = np.full(lists, np.nan), np.zeros(lists, np.int64)
    held = np.empty(0 if lists == 0 else np.max(bounds[1:] - bounds[:-1]))
    for k in range(lists):
        n = 0
        for place in range(bounds[k], bounds[k + 1]):
            value = values[order[place]]
            if np.isfinite(value):  # kept sorted
                at = n
                while at > 0 and held[at - 1] > value:
                    held[at] = held[at - 1]
                    at -= 1
                held[at] = value
                n += 1
        counts[k] = n
        if n:
            medians[k] = 0.5 * (held[(n - 1) // 2] + held[n // 2])
    return medians, counts


def medians_of_lists(values: Floats, order: Codes, bounds: Codes) -> tuple[Floats, Codes]:
    """Median of each of many short lists of rows, NaN left out.

    Parameters
    ----------
    values : ndarray of shape (rows,)
        Values. [any unit]
    order : ndarray of shape (places,), int
        Rows of the lists, one list after the other.
    bounds : ndarray of shape (lists + 1,), int
        First place of each list, and the end.

    Returns
    -------
    medians : ndarray of shape (lists,)
        NaN for an empty one.
    counts : ndarray of shape (lists,), int
    """
    medians, counts = _medians_of_lists(np.ascontiguousarray(values), order, bounds)
    return medians, counts


def group_medians(values: Floats, group: Codes, groups: int) -> tuple[Floats, Codes]:
    """Median of each column in each group, NaN left out.

    Parameters
    ----------
    values : ndarray of shape (rows, columns)
        Values. [any unit]
    group : ndarray of shape (rows,), int
        From 0 to `groups` - 1.
    groups : int
        Number of groups.

    Returns
    -------
    medians : ndarray of shape (groups, columns)
        NaN for an empty one.
    counts : ndarray of shape (groups, columns), int
    """
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(groups + 1))
    medians, counts = _group_medians(np.ascontiguousarray(values[order]), bounds.astype(np.int64))
    return medians, counts


def ranked(values: Floats, group: Codes, groups: int) -> tuple[Floats, Codes, Codes]:
    """Values sorted within each group, one group after the other.

    Parameters
    ----------
    values : ndarray of shape (rows,)
        No NaN. [any unit]
    group : ndarray of shape (rows,), int
        From 0 to `groups` - 1.
    groups : int
        Number of groups.

    Returns
    -------
    ordered : ndarray of shape (rows,)
        [unit of values]
    first, counts : ndarray of shape (groups,), int
        Where each group begins, and how many values it has.
    """
    counts = np.bincount(group, minlength=groups)
    return values[np.lexsort((values, group))], np.cumsum(counts) - counts, counts


def middle_of(x: Floats) -> Floats:
    """Median along the second axis, NaN left out.

    Parameters
    ----------
    x : ndarray of shape (rows, n) or (rows, n, columns)
        Values. [any unit]

    Returns
    -------
    ndarray of shape (rows,) or (rows, columns)
        NaN where every value is NaN. [unit of x]
    """
    ordered = np.sort(x, axis=1)  # NaN last
    count = np.isfinite(x).sum(axis=1)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    high = np.minimum(high, np.maximum(count - 1, 0))
    both = [np.take_along_axis(ordered, place[:, None], axis=1)[:, 0] for place in (low, high)]
    return np.asarray((both[0] + both[1]) / 2.0)
