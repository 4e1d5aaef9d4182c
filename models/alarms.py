"""Alarms of every quantity of every van, their cost shared out of one setting: accepted false alarms."""

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from models.follow import Followed, heavier, limits_for
from models.kernel import kernel
from models.standardise import Standardised

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

OWN_SHARE, PEER_SHARE, ANOMALY_SHARE = 0.5, 0.25, 0.25
"""How the accepted false alarms are shared out over own charts, family comparison and anomaly. Sum to 1."""


AGREES = 2.0
"""A level nearer to its family than this is like the other vans'. Common practice, no source (2026-11-25). [standard deviations]"""
RETURNED = 1.0
"""A moving average nearer to the baseline than this has returned: the sum charted before no longer raises an alarm, however large
it had grown. Common practice, no source (2026-11-25). [standard deviations of the average]"""
APART = 4.0
"""A baseline farther from its family than this is no healthy van's. Common practice (2026-11-25). [standard deviations]"""


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
    rejoined: Flags
    since: NDArray[np.int64]

    @functools.cached_property
    def any(self) -> Flags:
        """Own or peer."""
        return self.own | self.peer


def raise_alarms(std: Standardised, followed: Followed, *, per_van_week: float) -> Alarms:
    """Judge every quantity of every visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        Their charts.
    per_van_week : float
        Accepted false alarms per van and week, all quantities and mechanisms together. [1]

    Returns
    -------
    Alarms
    """
    shape = std.x.shape
    own, peer, rejoined = (np.zeros(shape, bool) for _ in range(3))
    peer_z, level_z, ewma_limit = (np.full(shape, np.nan) for _ in range(3))
    for f in range(len(std.families)):
        rows = std.family == f
        known = [q for q in range(shape[1]) if (f, q) in std.levels]
        if not known or not rows.any():
            continue
        limits = limits_for(OWN_SHARE * per_van_week / len(known) / 2.0)
        block = np.ix_(rows, known)
        usual = heavier(followed.ewma_spread[block]) * followed.ewma_spread[block]
        average = np.abs(followed.ewma[block])
        limit = _unrest(average / usual, np.unique(std.van[rows]).size) * limits.ewma_width * usual
        ewma_limit[block] = limit
        side = followed.ewma[block] / usual
        with np.errstate(invalid="ignore"):
            high = (followed.cusum_high[block] > limits.cusum) & (side > RETURNED)
            low = (followed.cusum_low[block] > limits.cusum) & (side < -RETURNED)
            own[block] = (average > limit) | high | low
        for q in known:
            level = std.levels[f, q]
            spread = level.spread / std.scatter[f, q]
            # an empirical-Bayes baseline scatters around the family by the prior variance less what is still unknown
            seen = np.maximum(spread**2 - followed.baseline_variance[rows, q], 0.3 * spread**2)
            doubt = (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q] + followed.ewma_spread[rows, q] ** 2
            peer_z[rows, q] = (followed.baseline[rows, q] + followed.ewma[rows, q]) / np.sqrt(seen + doubt)
            bound = student.isf(PEER_SHARE * per_van_week / len(known) / 2.0, level.degrees)
            common = spread**2 + (level.u / std.scatter[f, q]) ** 2 + std.peer_variance[rows, q]
            level_z[rows, q] = followed.level[rows, q] / np.sqrt(common + followed.var_level[rows, q])
            with np.errstate(invalid="ignore"):
                alike = np.abs(level_z[rows, q]) < AGREES
                strayed = np.abs(followed.baseline[rows, q]) > APART * np.sqrt(common)
                peer[rows, q] = (np.abs(peer_z[rows, q]) > bound) & ~alike
                rejoined[rows, q] = alike & strayed
                own[rows, q] &= ~rejoined[rows, q]
    return Alarms(own, peer, peer_z, level_z, ewma_limit, rejoined, _since(own | peer, np.isfinite(std.x), std.starts))


def _unrest(ratio: Array, vans: int) -> Array:
    """How much more a family's averages move than independent visits would make them, for each quantity, at least 1.

    From the median and the 90 % quantile of all its vans' averages over their usual width (few of them faulty in any one
    quantity), held towards 1 as by ten quiet vans: recorders, seasons and whatever else nobody told the model widen the
    limits by themselves.
    """
    unrest = np.ones(ratio.shape[1])
    for q in range(ratio.shape[1]):
        known = ratio[np.isfinite(ratio[:, q]), q]
        if known.size >= 20:
            middle, upper = np.quantile(known, (0.5, 0.9))
            widest = min(max(middle / 0.6745, upper / 1.6449, 1.0), 3.0)
            unrest[q] = np.sqrt((vans * widest**2 + 10.0) / (vans + 10.0))
    return unrest


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
