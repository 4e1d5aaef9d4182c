"""The shift that a group of visits has in common."""

from dataclasses import dataclass

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import group_medians


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

    shift: Floats
    u: Floats
    vans: Codes
    spread: Floats


FEWEST_TOGETHER = 5


def shared_movement(residual: Floats, group: Codes, groups: int) -> SharedMovement:
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
