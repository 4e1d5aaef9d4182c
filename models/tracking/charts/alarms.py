"""Alarms of every quantity of every van, at limits set by one figure: the accepted false alarms."""

import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from scipy.special import stdtrit

from data_contracts.signals import QUANTITIES
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel
from models.statistics.groups import group_medians
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

OTHER_HOLD = 1.5
"""A van that is held so many times as long as its family, or as briefly, is no peer of it in what depends on the hold: a straight line
through the holds carries no further. A judgement, no source (2026-11-30). [1]"""
_FEWEST_HOLDS = 3
"""Of two vans none is held as their family is."""


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
        The level stands apart from the family; never in what depends on the hold of a van that is held otherwise.
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
    otherwise: Flags | None = None,
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
    otherwise : ndarray of shape (vans, quantities), optional
        As `held_otherwise` finds it, likewise.

    Returns
    -------
    Alarms
    """
    if dispersion is None:
        dispersion = dispersion_of(std, [van_scatter(std, followed)])
    above, below = cusums(followed.z / dispersion.of_visits[std.van], std.starts, std.restart)
    shape = std.x.shape
    alarms = Alarms(
        own=np.zeros(shape, bool),
        peer=np.zeros(shape, bool),
        peer_z=np.full(shape, np.nan),
        level_z=np.full(shape, np.nan),
        ewma_limit=np.full(shape, np.nan),
        cusum_high=above,
        cusum_low=below,
        rejoined=np.zeros(shape, bool),
        since=np.full(shape, -1),
    )
    _judge(
        followed,
        tail_factor(followed.ewma_spread) * followed.ewma_spread,
        std.peer_variance,
        above,
        below,
        std.family,
        std.van,
        dispersion.of_averages,
        _bounds(std, dispersion, per_van_week * own_share, per_van_week * peer_share),
        (alarms.own, alarms.peer, alarms.peer_z, alarms.level_z, alarms.ewma_limit, alarms.rejoined),
    )
    np.logical_and(alarms.peer, ~(held_otherwise(std) if otherwise is None else otherwise)[std.van], out=alarms.peer)
    alarms.since[:] = standing_since(alarms.any, std)
    return alarms


def standing_since(alarm: Flags, std: Standardised) -> Codes:
    """Visit at which the alarm that stands at each visit began; -1 where none does.

    Parameters
    ----------
    alarm : ndarray of shape (visits, quantities), bool
    std : Standardised
        The visits, with their values and restarts: a visit without a value neither ends nor begins an alarm.

    Returns
    -------
    ndarray of shape (visits, quantities), int
    """
    since = np.full(alarm.shape, -1)
    touched = (std.restart == REPAIRED) | (std.restart == HELD)
    _note_since(alarm, np.isfinite(std.x), touched, std.starts, since)
    return since


def held_otherwise(std: Standardised) -> Flags:
    """What depends on the hold, of vans whose usual hold is not their family's.

    Parameters
    ----------
    std : Standardised
        Visits of the whole fleet.

    Returns
    -------
    ndarray of shape (vans, quantities), bool
    """
    needs = np.array([bool(QUANTITIES[name].need.hold_s) for name in std.quantities], bool)
    held = std.visits["hold_s"].cast(pl.Float64).to_numpy()[:, None]
    family = std.family[std.starts[:-1]]
    of_van, _ = group_medians(held, std.van, std.starts.size - 1)
    of_family, vans = group_medians(of_van, family, len(std.families))
    with np.errstate(invalid="ignore", divide="ignore"):
        times = np.abs(np.log(of_van / of_family[family]))
    return np.asarray((times > np.log(OTHER_HOLD)) & (vans[family] >= _FEWEST_HOLDS) & needs)


class _Bounds(NamedTuple):
    """Limits by family and quantity; arrays of shape (families, quantities), NaN where the family does not read it.

    Attributes
    ----------
    average, cusum : ndarray
        Of the moving average, in its usual widths, and of the cumulative sums, in the van's dispersion. [1], [standard
        deviations]
    peer : ndarray
        Of the comparison with the family. [standard deviations]
    spread, level_u : ndarray
        Standard deviation of healthy vans around the family's level, and uncertainty of that. [scatters]
    """

    average: Floats
    cusum: Floats
    peer: Floats
    spread: Floats
    level_u: Floats


def _bounds(std: Standardised, dispersion: Dispersion, own: float, peer: float) -> _Bounds:
    """Limits by the accepted false alarms per van and week of the own charts and of the comparison with the family."""
    out = _Bounds(*(np.full(std.scatter.shape, np.nan) for _ in _Bounds._fields))
    for f in range(len(std.families)):
        known = [q for q in range(std.scatter.shape[1]) if (f, q) in std.levels]
        if not known:
            continue
        share = own / len(known) / 2.0
        limits = limits_for(share)
        wider = few_pairs_factor(share, dispersion.pairs[f, known])
        out.average[f, known], out.cusum[f, known] = wider * limits.ewma_width, wider * limits.cusum
        for q in known:
            level = std.levels[f, q]
            out.spread[f, q], out.level_u[f, q] = level.spread / std.scatter[f, q], level.u / std.scatter[f, q]
            out.peer[f, q] = -stdtrit(level.degrees, peer / len(known) / 2.0)
    return out


@kernel
def _judge(
    followed: Followed,
    usual: Floats,
    peer_variance: Floats,
    above: Floats,
    below: Floats,
    family: Codes,
    van: Codes,
    rest: Floats,
    bounds: _Bounds,
    out: tuple[Flags, Flags, Floats, Floats, Floats, Flags],
) -> None:  # pragma: no cover - compiled
    """Fill in own, peer, peer_z, level_z, ewma_limit and rejoined of `Alarms`; what was not read is NaN, and no alarm."""
    own, peer, peer_z, level_z, ewma_limit, rejoined = out
    for r in range(family.size):
        f = family[r]
        for q in range(usual.shape[1]):
            spread2, level_u2 = bounds.spread[f, q] ** 2, bounds.level_u[f, q] ** 2
            if np.isnan(spread2):
                continue
            average, baseline = followed.ewma[r, q], followed.baseline[r, q]
            ewma_limit[r, q] = rest[van[r], q] * bounds.average[f, q] * usual[r, q]
            side = average / usual[r, q]
            high = above[r, q] > bounds.cusum[f, q] and side > RETURNED
            low = below[r, q] > bounds.cusum[f, q] and side < -RETURNED
            # an empirical-Bayes baseline varies around the family by the prior variance less its own remaining variance
            seen = max(spread2 - followed.baseline_variance[r, q], 0.3 * spread2)
            common = spread2 + level_u2 + peer_variance[r, q]
            apart = level_u2 + peer_variance[r, q] + followed.ewma_spread[r, q] ** 2
            peer_z[r, q] = (baseline + average) / np.sqrt(seen + apart)
            level_z[r, q] = followed.level[r, q] / np.sqrt(common + followed.var_level[r, q])
            alike = abs(level_z[r, q]) < AGREES
            strayed = abs(baseline) > APART * np.sqrt(common)
            back = strayed and average * baseline < 0.0
            passed = level_z[r, q] * np.sign(baseline) < -APART
            rejoined[r, q] = alike and strayed
            peer[r, q] = abs(peer_z[r, q]) > bounds.peer[f, q] and not alike
            own[r, q] = (abs(average) > ewma_limit[r, q] or high or low) and not rejoined[r, q] and (passed or not back)


@kernel
def _note_since(
    alarm: Flags, seen: Flags, touched: Flags, starts: Codes, since: Codes
) -> None:  # pragma: no cover - compiled
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
