"""Standard deviations of few values: stated wider, so that ±2 of them hold 95 %, and as they were again."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.special import stdtrit

from models.statistics.arrays import Floats

TWO_SIGMA = 0.97725
"""Share below plus two standard deviations of a normal value. [1]"""


def widening(degrees: Floats) -> Floats:
    """How much wider than a standard deviation its estimate is stated, so that ±2 of it hold 95 %.

    Parameters
    ----------
    degrees : ndarray
        Degrees of freedom; infinite: 1; fewer than one count as one. [1]

    Returns
    -------
    ndarray
        At least 1. [1]
    """
    finite = np.isfinite(degrees)
    return np.where(finite, stdtrit(np.where(finite, np.maximum(degrees, 1.0), 1.0), TWO_SIGMA), 2.0) / 2.0


def unwidened(stated: float, degrees: float) -> float:
    """The standard deviation behind one that is stated wider.

    Parameters
    ----------
    stated : float
        [any unit]
    degrees : float
        Its degrees of freedom. [1]

    Returns
    -------
    float
        NaN where there are none. [unit of `stated`]
    """
    return stated / float(widening(np.array([degrees]))[0]) if degrees >= 1.0 else np.nan


def differ_by(row: Mapping[str, Any]) -> float | None:
    """By how much the snaps of a visit differ, as people are told: a figure that the snaps beside it bear out.

    Parameters
    ----------
    row : mapping
        repeat_u, repeat_from and repeats, as in `trends`.

    Returns
    -------
    float or None
        The standard deviation of a visit's own snaps; else what is known of the van's or the family's, as it is stated; None for nothing. [unit
        of the quantity]
    """
    stated = row.get("repeat_u")
    if stated is None or not np.isfinite(stated):
        return None
    repeats = int(row.get("repeats") or 0)
    return unwidened(stated, repeats - 1.0) if row.get("repeat_from") == "visit" and repeats > 1 else float(stated)
