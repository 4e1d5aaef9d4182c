"""What makes a first sign of a movement likely to be one: company at the same visit, and how rarely a visit of this fleet
stands apart by itself.
"""

import numpy as np
from scipy.special import ndtr

from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.change_hypotheses import GROSS_SHARE, GROSS_SPREAD
from models.tracking.charts.recursion import Followed
from models.tracking.restarts import CHANGED, REPAIRED
from models.tracking.standardise import Standardised

SIGN = 2.0
"""From here a visit, or the moving average, is a first sign of a movement. Common practice, no source (2026-11-29).
[standard deviations]"""
ONSET_RATE = 0.004
"""Probability that a quantity of a van begins to move within a week: a fault in some years, each seen in a few quantities.
Common practice, no source (2026-11-29). [1/week]"""
STANDS_OUT = 2.5
"""Another quantity this far from its baseline at the same visit, or in alarm, is company. Common practice, no source (2026-11-30).
[standard deviations]"""
IN_COMPANY, ALONE = 8.0, 0.3
"""So many times likelier is an onset where another quantity of the van stands out at the same visit, and where none does: faults show in
several quantities. Common practice, no source (2026-11-30). [1]"""
APART, BACK = 4.0, 2.0
"""A visit farther out than the first, before one nearer than the second, was a gross error. Common practice, no source (2026-11-30).
[standard deviations]"""
GROSS_VISITS = 50.0
"""For so many visits the usual share of gross errors counts beside what the fleet has shown. Common practice, no source (2026-11-30)."""


def first_signs(followed: Followed, q: int) -> Flags:
    """Whether a quantity begins to leave its baseline.

    Parameters
    ----------
    followed : Followed
        Charts.
    q : int
        Quantity number.

    Returns
    -------
    ndarray of shape (visits,)
    """
    with np.errstate(invalid="ignore"):
        return np.maximum(np.abs(followed.z[:, q]), np.abs(followed.ewma[:, q]) / followed.ewma_spread[:, q]) >= SIGN


def onset_rates(followed: Followed, alarms: Alarms) -> Floats:
    """Probability that a quantity begins to move within a week, by what the van's other quantities show at the same visit.

    Parameters
    ----------
    followed, alarms
        Charts and alarms.

    Returns
    -------
    ndarray of shape (visits, quantities)
        [1/week]
    """
    with np.errstate(invalid="ignore"):
        out = (np.abs(followed.z) >= STANDS_OUT) | alarms.any
    others = out.sum(axis=1, keepdims=True) - out
    return np.asarray(ONSET_RATE * np.where(others > 0, IN_COMPANY, ALONE))


def gross_counts(std: Standardised, followed: Followed) -> Codes:
    """Visits at which each quantity was a gross error.

    Parameters
    ----------
    std : Standardised
        Visits of any vans.
    followed : Followed
        Their charts.

    Returns
    -------
    ndarray of shape (2, quantities), int
        Visits that stood far apart while the next that read it did not, and all visits that would have shown it. A visit nothing
        follows yet is no witness of its own, nor is one that a repair or new software of the engine control ended.
    """
    counts = np.zeros((2, followed.z.shape[1]), np.int64)
    for q in range(followed.z.shape[1]):
        rows = np.flatnonzero(np.isfinite(followed.z[:, q]))
        size, van = np.abs(followed.z[rows, q]), std.van[rows]
        touched = np.cumsum((std.restart[:, q] == REPAIRED) | (std.restart[:, q] == CHANGED))[rows]
        same = (van[1:] == van[:-1]) & (touched[1:] == touched[:-1])
        counts[:, q] = ((size[:-1] > APART) & (size[1:] < BACK) & same).sum(), same.sum()
    return counts


def gross_shares(counts: Codes) -> Floats:
    """Share of visits at which each quantity is a gross error, as the fleet has shown it so far.

    Parameters
    ----------
    counts : ndarray of shape (2, quantities), int
        As `gross_counts` returns, summed over the fleet.

    Returns
    -------
    ndarray of shape (quantities,)
        Between what is usual and what was seen. [1]
    """
    noticed = 2.0 * float(ndtr(-APART / np.hypot(1.0, GROSS_SPREAD)))
    return np.asarray((GROSS_VISITS * GROSS_SHARE + counts[0]) / (GROSS_VISITS + noticed * counts[1]))
