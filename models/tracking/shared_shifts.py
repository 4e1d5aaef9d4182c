"""What many vans do together: medians of groups of visits, and the shift a group has in common."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel

Array = NDArray[np.float64]


@kernel
def _group_medians(ordered: Array, bounds: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:  # pragma: no cover
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


def group_medians(values: Array, group: NDArray[np.int64], groups: int) -> tuple[Array, NDArray[np.int64]]:
    """Median of each column in each group, NaN left out.

    Parameters
    ----------
    values : ndarray of shape (rows, columns)
        [any unit]
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


def ranked(values: Array, group: NDArray[np.int64], groups: int) -> tuple[Array, NDArray[np.int64], NDArray[np.int64]]:
    """Values of each group in order of size, one group after the other: what ranks within groups are read from.

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
    first, counts : ndarray of shape (groups,), int
        Where each group begins, and how many it has.
    """
    counts = np.bincount(group, minlength=groups)
    return values[np.lexsort((values, group))], np.cumsum(counts) - counts, counts


@dataclass(frozen=True)
class SharedMovement:
    """What a group of vans did together, apart from its vans.

    Attributes
    ----------
    shift, u : ndarray of shape (groups, quantities)
        Taken off each of the group's visits, and the standard uncertainty left. [scatters]
    vans : ndarray of shape (groups, quantities), int
        Visits it rests on.
    spread : ndarray of shape (quantities,)
        Standard deviation of true shifts between groups: what a group that is not known may be off by. [scatters]
    """

    shift: Array
    u: Array
    vans: NDArray[np.int64]
    spread: Array


FEWEST_TOGETHER = 5


def shared_movement(residual: Array, group: NDArray[np.int64], groups: int) -> SharedMovement:
    """Robust, shrunken common shift of each group of visits.

    Parameters
    ----------
    residual : ndarray of shape (visits, quantities)
        Standardised: in-control standard deviation 1; NaN left out. [scatters]
    group : ndarray of shape (visits,), int
        For example family and week, or depot, recorder and week.
    groups : int
        Number of groups.

    Returns
    -------
    SharedMovement
        A group of fewer than five vans has no shift: it can't be told from its vans'.

    Notes
    -----
    Group medians m with sampling variance 1.57 / n are shrunk by s² / (s² + 1.57 / n), s² being the variance of true
    shifts by moments over all groups of a quantity (empirical Bayes).
    """
    medians, counts = group_medians(residual, group, groups)
    enough = counts >= FEWEST_TOGETHER
    sampling = 1.57 / np.maximum(counts, 1)
    shift, u, spread = np.zeros_like(medians), np.zeros_like(medians), np.zeros(residual.shape[1])
    for column in range(residual.shape[1]):
        use = enough[:, column]
        if use.sum() < 2:
            continue
        m, noise = medians[use, column], sampling[use, column]
        real = max(float(np.mean(np.minimum(m**2, 9.0) - noise)), 0.0)
        spread[column] = np.sqrt(real)
        shift[use, column] = m * real / (real + noise)
        u[use, column] = np.sqrt(real * noise / (real + noise))
    return SharedMovement(shift, u, counts, spread)
