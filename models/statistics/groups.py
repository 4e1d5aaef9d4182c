"""Medians and ranks within groups of rows."""

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel

_FEW = 64
"""Up to so many values are sorted as they come; of more, the middle is found by partition. Of our choosing."""


@kernel
def _medians(values: Floats, order: Codes, bounds: Codes) -> tuple[Floats, Codes]:  # pragma: no cover - compiled
    lists, columns = bounds.size - 1, values.shape[1]
    medians, counts = np.full((lists, columns), np.nan), np.zeros((lists, columns), np.int64)
    held = np.empty(0 if lists == 0 else np.max(bounds[1:] - bounds[:-1]))
    for k in range(lists):
        few = bounds[k + 1] - bounds[k] <= _FEW
        for column in range(columns):
            n = 0
            for place in range(bounds[k], bounds[k + 1]):
                value = values[order[place], column]
                if not np.isfinite(value):
                    continue
                at = n
                while few and at > 0 and held[at - 1] > value:
                    held[at] = held[at - 1]
                    at -= 1
                held[at] = value
                n += 1
            counts[k, column] = n
            if n:
                middle = 0.5 * (held[(n - 1) // 2] + held[n // 2])
                medians[k, column] = middle if few else np.median(held[:n])
    return medians, counts


def medians_of_lists(values: Floats, order: Codes, bounds: Codes) -> tuple[Floats, Codes]:
    """Median of each column over many lists of rows, NaN left out.

    Parameters
    ----------
    values : ndarray of shape (rows, columns)
        Values. [any unit]
    order : ndarray of shape (places,), int
        Rows of the lists, one list after the other.
    bounds : ndarray of shape (lists + 1,), int
        First place of each list, and the end.

    Returns
    -------
    medians : ndarray of shape (lists, columns)
        NaN for an empty one.
    counts : ndarray of shape (lists, columns), int
    """
    medians, counts = _medians(np.ascontiguousarray(values), order, bounds)
    return medians, counts


def lists_of(group: Codes, groups: int) -> tuple[Codes, Codes]:
    """Rows of each group, as `medians_of_lists` takes them.

    Parameters
    ----------
    group : ndarray of shape (rows,), int
        From 0 to `groups` - 1.
    groups : int
        Number of groups.

    Returns
    -------
    order : ndarray of shape (rows,), int
        In each group, rows rise.
    bounds : ndarray of shape (groups + 1,), int
    """
    bounds = np.concatenate([[0], np.cumsum(np.bincount(group, minlength=groups))]).astype(np.int64)
    in_order = bool((group[1:] >= group[:-1]).all())
    order = np.arange(group.size) if in_order else np.argsort(group, kind="stable")
    return order.astype(np.int64, copy=False), bounds


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
    return medians_of_lists(values, *lists_of(group, groups))


def numbered(codes: Codes) -> Codes:
    """Numbers from 0 for the codes of rows that are sorted by them: each code is the next number.

    Parameters
    ----------
    codes : ndarray of shape (rows,), int
        Equal ones follow each other.

    Returns
    -------
    ndarray of shape (rows,), int
    """
    if not codes.size:
        return np.empty(0, np.int64)
    return np.concatenate([[0], np.cumsum(codes[1:] != codes[:-1])]).astype(np.int64)


@kernel
def _sort_lists(values: Floats, bounds: Codes) -> None:  # pragma: no cover - compiled
    for k in range(bounds.size - 1):
        values[bounds[k] : bounds[k + 1]].sort()


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
    order, bounds = lists_of(group, groups)
    ordered = values[order]
    _sort_lists(ordered, bounds)
    return ordered, bounds[:-1], np.diff(bounds)


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
