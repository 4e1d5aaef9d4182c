"""Alarms of every quantity of every van, at limits set by one figure: the accepted false alarms."""

import functools
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel
from models.tracking.charts.chart_limits import limits_for, tail_factor
from models.tracking.charts.dispersion import Dispersion, dispersion_of, few_pairs_factor, van_scatter
from models.tracking.charts.recursion import Followed, cusums
from models.tracking.restarts import HELD, REPAIRED
from models.tracking.standardise import Standardised

OWN_SHARE, PEER_SHARE, REPEATABILITY_SHARE, ANOMALY_SHARE = 0.55, 0.2, 0.1, 0.15
"""Shares of the accepted false alarms: own charts, comparison with the family, repeatability, anomaly. They sum to
1."""

AGREES = 2.0
"""A level nearer to its family than this agrees with it. Common practice, no source (2026-11-25). [standard
deviations]"""
RETURNED = 1.0
"""A moving average nearer to the baseline than this has returned: the CUSUM no longer raises an alarm, however large it
had grown. Common practice, no source (2026-11-25). [standard deviations of the average]"""
APART = 4.0
"""A baseline farther from its family than this is not that of a healthy van. Common practice, no source (2026-11-25).
[standard deviations]"""


@dataclass(frozen=True)
class Alarms:
    """Alarms at every visit; arrays of shape (visits, quantities).

    Attributes
    ----------
    own : ndarray of bool
        EWMA or CUSUM against the van's own baseline is outside; the CUSUM only while the average is still off on the
        same side. Never of a van that has rejoined its family, nor towards the family from a baseline that strayed from it,
        unless it has passed the family by as much.
    peer : ndarray of bool
        The level stands apart from the family.
    peer_z : ndarray
        Baseline plus average movement since, against the family. [standard deviations]
    level_z : ndarray
        Present level against the family. [standard deviations]
    ewma_limit : ndarray
        Limit of the EWMA. [standard deviations, as the EWMA]
    cusum_high, cusum_low : ndarray
        Cumulative sums of the innovations, divided by the van's excess dispersion. [standard deviations]
    rejoined : ndarray of bool
        The level agrees with the family again while the baseline does not: the first visits were outliers, or a repair
        was not recorded.
    since : ndarray of int
        Visit at which the standing alarm began, the first after a repair that touched the quantity at the earliest; -1 for
        none.
    """

    own: Flags
    peer: Flags
    peer_z: Floats
    level_z: Floats
    ewma_limit: Floats
    cusum_high: Floats
    cusum_low: Floats
    rejoined: Flags
    since: Codes

    @functools.cached_property
    def any(self) -> Flags:
        """Whether there is an alarm, against the own baseline or against the family."""
        return self.own | self.peer


def raise_alarms(
    std: Standardised,
    followed: Followed,
    *,
    per_van_week: float,
    own_share: float = OWN_SHARE,
    peer_share: float = PEER_SHARE,
    dispersion: Dispersion | None = None,
) -> Alarms:
    """Judge every quantity of every visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        The recursion over them.
    per_van_week : float
        Accepted false alarms per van and week, all quantities and mechanisms together. [1]
    own_share, peer_share : float
        Shares of them for the own charts and for the comparison with the family. [1]
    dispersion : Dispersion, optional
        Of these vans, as found over the whole fleet; where left out, these are the fleet.

    Returns
    -------
    Alarms
    """
    shape = std.x.shape
    own, peer, rejoined = (np.zeros(shape, bool) for _ in range(3))
    peer_z, level_z, ewma_limit = (np.full(shape, np.nan) for _ in range(3))
    if dispersion is None:
        dispersion = dispersion_of(std, [van_scatter(std, followed)])
    rest, restless = dispersion.of_averages[std.van], dispersion.of_visits[std.van]
    above, below = cusums(followed.z / restless, std.starts, std.restart)
    for f in range(len(std.families)):
        rows = std.family == f
        known = [q for q in range(shape[1]) if (f, q) in std.levels]
        if not known or not rows.any():
            continue
        share = own_share * per_van_week / len(known) / 2.0
        limits = limits_for(share)
        block = np.ix_(rows, known)
        wider = few_pairs_factor(share, dispersion.pairs[f, known])
        usual = tail_factor(followed.ewma_spread[block]) * followed.ewma_spread[block]
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
            # an empirical-Bayes baseline varies around the family by the prior variance less its own remaining variance
            seen = np.maximum(spread**2 - followed.baseline_variance[rows, q], 0.3 * spread**2)
            variance = (
                (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q] + followed.ewma_spread[rows, q] ** 2
            )
            peer_z[rows, q] = (followed.baseline[rows, q] + followed.ewma[rows, q]) / np.sqrt(seen + variance)
            bound = student.isf(peer_share * per_van_week / len(known) / 2.0, level.degrees)
            common = spread**2 + (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q]
            level_z[rows, q] = followed.level[rows, q] / np.sqrt(common + followed.var_level[rows, q])
            with np.errstate(invalid="ignore"):
                alike = np.abs(level_z[rows, q]) < AGREES
                strayed = np.abs(followed.baseline[rows, q]) > APART * np.sqrt(common)
                peer[rows, q] = (np.abs(peer_z[rows, q]) > bound) & ~alike
                rejoined[rows, q] = alike & strayed
                back = strayed & (followed.ewma[rows, q] * followed.baseline[rows, q] < 0)
                passed = level_z[rows, q] * np.sign(followed.baseline[rows, q]) < -APART
                own[rows, q] &= ~rejoined[rows, q] & ~(back & ~passed)
    touched = (std.restart == REPAIRED) | (std.restart == HELD)
    since = _since(own | peer, np.isfinite(std.x), touched, std.starts)
    return Alarms(own, peer, peer_z, level_z, ewma_limit, above, below, rejoined, since)


@kernel
def _since(alarm: Flags, seen: Flags, touched: Flags, starts: Codes) -> Codes:  # pragma: no cover - compiled
    since = np.full(alarm.shape, -1)
    for v in range(starts.size - 1):
        for q in range(alarm.shape[1]):
            began = -1
            for r in range(starts[v], starts[v + 1]):
                if touched[r, q]:
                    began = -1
                if not seen[r, q]:
                    continue
                if alarm[r, q]:
                    began = r if began < 0 else began
                    since[r, q] = began
                else:
                    began = -1
    return since
