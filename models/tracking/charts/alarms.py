"""Alarms of every quantity of every van, their cost shared out of one setting: accepted false alarms."""

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from models.statistics.compiled import kernel
from models.tracking.charts.recursion import Followed, cusums, heavier, limits_for
from models.tracking.shared_shifts import FEWEST_TOGETHER, ranked
from models.tracking.standardise import Standardised

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

OWN_SHARE, PEER_SHARE, UNSTEADY_SHARE, ANOMALY_SHARE = 0.55, 0.2, 0.1, 0.15
"""How the accepted false alarms are shared out over own charts, family comparison, unsteady repeats and anomaly. Sum to 1."""

AGREES = 2.0
"""A level nearer to its family than this is like the other vans'. Common practice, no source (2026-11-25). [standard deviations]"""
RETURNED = 1.0
"""A moving average nearer to the baseline than this has returned: the sum charted before no longer raises an alarm, however large
it had grown. Common practice, no source (2026-11-25). [standard deviations of the average]"""
APART = 4.0
"""A baseline farther from its family than this is no healthy van's. Common practice (2026-11-25). [standard deviations]"""
UPPER_VAN, UPPER_SIZE = 2.0 / 3.0, 0.92
"""The van whose averages stand for its family's, by rank, and what they come to in control: simulated with the recursion of
models/tracking/charts/recursion.py over 20 visits (tests/unit/models/test_alarms.py). [1]"""
CALMEST, WILDEST = 0.8, 3.0
"""How far limits may be narrowed or widened by what a family's averages really do. Common practice, no source (2026-11-25)."""
PRIOR_DEGREES, DEGREES_PER_PAIR = 10.0, 0.5
"""Degrees of freedom of a family's scatter: of its prior, and of each pair of neighbouring visits, which a robust scale uses by half."""
FEWEST_VISITS = 4
"""Visits of some van from which on a quantity's limits follow what the fleet does."""
UPPER = 0.75
"""A van's scatter is told from the size of its bends at this rank: one reading in seven may be of another mode before it is seen, a
few wild ones or a step never are. [1]"""
UPPER_BEND = float(np.sqrt(6.0) * norm.isf((1.0 - UPPER) / 2.0))
"""Size at that rank of a second difference of normal values of variance 1."""
BEND_DEGREES = 0.4
"""Degrees of freedom of a variance told so, per bend: by simulation, 20 and 40 visits (tests/unit/models/test_alarms.py)."""


@dataclass(frozen=True)
class Alarms:
    """Alarms at every visit; arrays of shape (visits, quantities).

    Attributes
    ----------
    own : ndarray of bool
        EWMA or CUSUM against the van's own baseline is outside, the CUSUM only while the average is still off on its side.
        Not of a van that has rejoined its family.
    peer : ndarray of bool
        The level stands apart from the family.
    peer_z : ndarray
        Baseline and average movement since against the family. [standard deviations]
    level_z : ndarray
        Present level against the family. [standard deviations]
    ewma_limit : ndarray
        [standard deviations, as the EWMA]
    cusum_high, cusum_low : ndarray
        Cumulative sums of the innovations, each over how much more than stated the van scatters. [standard deviations]
    rejoined : ndarray of bool
        The level is with the family again, the baseline stands apart from it: wild first visits, or a repair nobody noted.
    since : ndarray of int
        Visit at which the standing alarm began; -1 for none.
    """

    own: Flags
    peer: Flags
    peer_z: Array
    level_z: Array
    ewma_limit: Array
    cusum_high: Array
    cusum_low: Array
    rejoined: Flags
    since: NDArray[np.int64]

    @functools.cached_property
    def any(self) -> Flags:
        """Own or peer."""
        return self.own | self.peer


def raise_alarms(
    std: Standardised,
    followed: Followed,
    *,
    per_van_week: float,
    own_share: float = OWN_SHARE,
    peer_share: float = PEER_SHARE,
) -> Alarms:
    """Judge every quantity of every visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        Their charts.
    per_van_week : float
        Accepted false alarms per van and week, all quantities and mechanisms together. [1]
    own_share, peer_share : float
        Shares of them for the own charts and for the comparison with the family. [1]

    Returns
    -------
    Alarms
    """
    shape = std.x.shape
    own, peer, rejoined = (np.zeros(shape, bool) for _ in range(3))
    peer_z, level_z, ewma_limit = (np.full(shape, np.nan) for _ in range(3))
    rest, restless = (factor[std.van] for factor in unrest(std, followed))
    above, below = cusums(followed.z / restless, std.starts, std.restart)
    for f in range(len(std.families)):
        rows = std.family == f
        known = [q for q in range(shape[1]) if (f, q) in std.levels]
        if not known or not rows.any():
            continue
        share = own_share * per_van_week / len(known) / 2.0
        limits = limits_for(share)
        block = np.ix_(rows, known)
        wider = _of_unsure_scatter(share, np.isfinite(std.x[block]).sum(axis=0) - np.unique(std.van[rows]).size)
        usual = heavier(followed.ewma_spread[block]) * followed.ewma_spread[block]
        average = np.abs(followed.ewma[block])
        limit = rest[block] * wider * limits.ewma_width * usual
        ewma_limit[block] = limit
        side = followed.ewma[block] / usual
        with np.errstate(invalid="ignore"):
            high = (above[block] > wider * limits.cusum) & (side > RETURNED)
            low = (below[block] > wider * limits.cusum) & (side < -RETURNED)
            own[block] = (average > limit) | high | low
        for q in known:
            level = std.levels[f, q]
            spread = level.spread / std.scatter[f, q]
            # an empirical-Bayes baseline scatters around the family by the prior variance less what is still unknown
            seen = np.maximum(spread**2 - followed.baseline_variance[rows, q], 0.3 * spread**2)
            doubt = (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q] + followed.ewma_spread[rows, q] ** 2
            peer_z[rows, q] = (followed.baseline[rows, q] + followed.ewma[rows, q]) / np.sqrt(seen + doubt)
            bound = student.isf(peer_share * per_van_week / len(known) / 2.0, level.degrees)
            common = spread**2 + (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q]
            level_z[rows, q] = followed.level[rows, q] / np.sqrt(common + followed.var_level[rows, q])
            with np.errstate(invalid="ignore"):
                alike = np.abs(level_z[rows, q]) < AGREES
                strayed = np.abs(followed.baseline[rows, q]) > APART * np.sqrt(common)
                peer[rows, q] = (np.abs(peer_z[rows, q]) > bound) & ~alike
                rejoined[rows, q] = alike & strayed
                own[rows, q] &= ~rejoined[rows, q]
    since = _since(own | peer, np.isfinite(std.x), std.starts)
    return Alarms(own, peer, peer_z, level_z, ewma_limit, above, below, rejoined, since)


def unrest(std: Standardised, followed: Followed) -> tuple[Array, Array]:
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
        Factor on the limits of averages: what families and depots share, and for a van that scatters more from visit to visit than these
        (shorter recordings, a noisier installation) its own scatter, held towards the shared as by `PRIOR_DEGREES`.
    of_visits : ndarray of shape (vans, quantities)
        Factor on single visits, at least 1: the van's own scatter, held towards the stated one. What a fleet's averages share is slow and
        hides no sudden fault, so it has no part in this.
    """
    averages, visits = shared_unrest(std, followed), np.ones((std.starts.size - 1, std.x.shape[1]))
    for q in range(std.x.shape[1]):
        own, bends = own_scatter(followed.z[:, q], std.starts)
        weight = BEND_DEGREES * bends
        for factor in (averages, visits):
            held = (weight * own + PRIOR_DEGREES * factor[:, q]) / (weight + PRIOR_DEGREES)
            factor[:, q] = np.maximum(factor[:, q], held)
    return np.clip(np.sqrt(averages), CALMEST, WILDEST), np.minimum(np.sqrt(visits), WILDEST)


def shared_unrest(std: Standardised, followed: Followed) -> Array:
    """How much more, or less, the averages of a family's or a depot's vans move than their stated scatter would make them.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        Their charts.

    Returns
    -------
    ndarray of shape (vans, quantities)
        Factor on the variance: recorders, seasons and whatever else nobody told the model widen limits by themselves, a scatter stated
        too wide narrows them. What moves most vans of a depot, of whatever family, widens those of that depot.

    Notes
    -----
    One figure per van, the root mean square of its averages over their usual width, each held to 3; of a family's or depot's vans the
    one at two thirds, so that a fault moves the figure by its van's rank and not by its size. Held towards that of all
    families as by ten vans, and that towards 1 as by ten more.
    """
    first = std.starts[:-1]
    factor = np.ones((first.size, std.x.shape[1]))
    family = std.family[first]
    depot = np.unique(std.visits["depot"].to_numpy().astype(str)[first], return_inverse=True)[1]
    for q in range(std.x.shape[1]):
        spread = followed.ewma_spread[:, q]
        with np.errstate(invalid="ignore"):
            square = np.minimum((followed.ewma[:, q] / (heavier(spread) * spread)) ** 2, 9.0)
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


def own_scatter(z: Array, starts: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
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


def _held(size: Array, towards: float) -> float:
    """Mean square of the upper van over what it comes to in control, held towards a value as by ten vans."""
    return float((size.size * np.quantile(size, UPPER_VAN) / UPPER_SIZE**2 + 10.0 * towards) / (size.size + 10.0))


def _of_unsure_scatter(share: float, pairs: NDArray[np.int64]) -> Array:
    """Factor on limits while a family's scatter rests on few pairs of visits: Student's over the normal quantile."""
    degrees = PRIOR_DEGREES + DEGREES_PER_PAIR * np.maximum(pairs, 0)
    return np.asarray(student.isf(share / 2.0, degrees) / norm.isf(share / 2.0))


@kernel
def _since(alarm: Flags, seen: Flags, starts: NDArray[np.int64]) -> NDArray[np.int64]:  # pragma: no cover - compiled
    since = np.full(alarm.shape, -1)
    for v in range(starts.size - 1):
        for q in range(alarm.shape[1]):
            began = -1
            for r in range(starts[v], starts[v + 1]):
                if not seen[r, q]:
                    continue
                if alarm[r, q]:
                    began = r if began < 0 else began
                    since[r, q] = began
                else:
                    began = -1
    return since
