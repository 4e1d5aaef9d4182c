"""How much healthy vans move beyond their stated scatter, and what limits must allow for it."""

import numpy as np
from scipy.stats import norm

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import ranked
from models.statistics.student import quantile_ratio
from models.tracking.charts.chart_limits import tail_factor
from models.tracking.charts.recursion import Followed
from models.tracking.shared_shifts import FEWEST_TOGETHER
from models.tracking.standardise import Standardised

UPPER_VAN, UPPER_SIZE = 2.0 / 3.0, 0.92
"""The van whose averages stand for its family's, by rank, and what they come to in control: simulated with the
recursion of models/tracking/charts/recursion.py over 20 visits (tests/unit/models/tracking/charts/test_alarms.py). [1]"""
CALMEST, WILDEST = 0.8, 3.0
"""How far limits may be narrowed or widened by what a family's averages really do. Common practice, no source
(2026-11-25)."""
PRIOR_DEGREES, DEGREES_PER_PAIR = 10.0, 0.5
"""Degrees of freedom of a family's scatter: of its prior, and of each pair of neighbouring visits, which a robust scale
uses by half."""
FEWEST_VISITS = 4
"""Visits of some van from which on a quantity's limits follow what the fleet does."""
UPPER = 0.75
"""A van's scatter is told from the size of its bends at this rank: one reading in seven may be of another mode before
it is seen, a few wild ones or a step never are. [1]"""
UPPER_BEND = float(np.sqrt(6.0) * norm.isf((1.0 - UPPER) / 2.0))
"""Size at that rank of a second difference of normal values of variance 1."""
BEND_DEGREES = 0.4
"""Degrees of freedom of a variance told so, per bend: by simulation, 20 and 40 visits
(tests/unit/models/tracking/charts/test_alarms.py)."""


def dispersion_factors(std: Standardised, followed: Followed) -> tuple[Floats, Floats]:
    """How much more, or less, healthy vans move than their stated scatter would make them.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        Their charts.

    Returns
    -------
    of_averages : ndarray of shape (vans, quantities)
        Factor on the limits of averages: what families and depots share, and for a van that scatters more from visit to
        visit than these (shorter recordings, a noisier installation) its own scatter, held towards the shared as by
        `PRIOR_DEGREES`.
    of_visits : ndarray of shape (vans, quantities)
        Factor on single visits, at least 1: the van's own scatter, held towards the stated one. What a fleet's averages
        share is slow and hides no sudden fault, so it has no part in this.
    """
    averages, visits = shared_dispersion_factors(std, followed), np.ones((std.starts.size - 1, std.x.shape[1]))
    for q in range(std.x.shape[1]):
        own, bends = own_scatter(followed.z[:, q], std.starts)
        weight = BEND_DEGREES * bends
        for factor in (averages, visits):
            held = (weight * own + PRIOR_DEGREES * factor[:, q]) / (weight + PRIOR_DEGREES)
            factor[:, q] = np.maximum(factor[:, q], held)
    return np.clip(np.sqrt(averages), CALMEST, WILDEST), np.minimum(np.sqrt(visits), WILDEST)


def shared_dispersion_factors(std: Standardised, followed: Followed) -> Floats:
    """How much more, or less, the averages of a family's or a depot's vans move than their stated scatter would make
    them.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        Their charts.

    Returns
    -------
    ndarray of shape (vans, quantities)
        Factor on the variance: recorders, seasons and whatever else nobody told the model widen limits by themselves, a
        scatter stated too wide narrows them. What moves most vans of a depot, of whatever family, widens those of that
        depot.

    Notes
    -----
    One figure per van, the root mean square of its averages over their usual width, each held to 3; of a family's or
    depot's vans the one at two thirds, so that a fault moves the figure by its van's rank and not by its size. Held
    towards that of all families as by ten vans, and that towards 1 as by ten more."""
    first = std.starts[:-1]
    factor = np.ones((first.size, std.x.shape[1]))
    family = std.family[first]
    depot = np.unique(std.visits["depot"].to_numpy().astype(str)[first], return_inverse=True)[1]
    for q in range(std.x.shape[1]):
        spread = followed.ewma_spread[:, q]
        with np.errstate(invalid="ignore"):
            square = np.minimum((followed.ewma[:, q] / (tail_factor(spread) * spread)) ** 2, 9.0)
        read = np.isfinite(square)
        visits = np.add.reduceat(read.astype(np.int64), first)
        size = np.add.reduceat(np.where(read, square, 0.0), first) / np.maximum(visits, 1)
        enough = visits >= FEWEST_VISITS
        if not enough.any():
            continue
        everywhere = _held(size[enough], 1.0)
        for group, widens_only in ((family, False), (depot, True)):
            for member in range(int(group.max()) + 1):
                of = size[enough & (group == member)]
                if widens_only and of.size < FEWEST_TOGETHER:
                    continue  # cannot be told from its vans
                found = _held(of, everywhere) if of.size else everywhere
                inside = group == member
                factor[inside, q] = np.maximum(factor[inside, q], found) if widens_only else found
    return factor


def own_scatter(z: Floats, starts: Codes) -> tuple[Floats, Codes]:
    """How each van scatters from one visit to the next.

    Parameters
    ----------
    z : ndarray of shape (visits,)
        Innovations of one quantity, sorted by van and time; NaN is unread. [standard deviations]
    starts : ndarray of shape (vans + 1,), int
        First visit of each van.

    Returns
    -------
    variance : ndarray of shape (vans,)
        From the bends of three visits that follow each other: neither a drift nor a step moves it. 0 without any.
        [variance of the stated scatter]
    bends : ndarray of shape (vans,), int
        How many it rests on.
    """
    read = np.isfinite(z)
    values, van = z[read], np.repeat(np.arange(starts.size - 1), np.diff(starts))[read]
    same = van[2:] == van[:-2]
    size, first, bends = ranked(np.abs(np.diff(values, 2))[same], van[2:][same], starts.size - 1)
    if not size.size:
        return np.zeros(bends.size), bends
    upper = np.interp(first + UPPER * np.maximum(bends - 1, 0), np.arange(size.size), size)
    return np.where(bends > 0, (upper / UPPER_BEND) ** 2, 0.0), bends


def _held(size: Floats, towards: float) -> float:
    """Mean square of the upper van over what it comes to in control, held towards a value as by ten vans."""
    return float((size.size * np.quantile(size, UPPER_VAN) / UPPER_SIZE**2 + 10.0 * towards) / (size.size + 10.0))


def of_unsure_scatter(share: float, pairs: Codes) -> Floats:
    """Factor on limits while a family's scatter rests on few pairs of visits: Student's over the normal quantile."""
    degrees = PRIOR_DEGREES + DEGREES_PER_PAIR * np.maximum(pairs, 0)
    return quantile_ratio(share / 2.0, degrees)
