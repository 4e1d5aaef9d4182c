"""Within-visit repeatability: visits whose repeats disagree more than is usual for the van and its family.

A fault that comes and goes, such as a missed spark, shows in one snap and not in the next: the median of the visit
hardly moves, but its repeats scatter. That scatter is charted like any quantity, for the quantities whose record asks
for it.
"""

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from data_contracts.signals import tracking_of
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.baseline import family_level, visit_scatter
from models.tracking.charts.alarms import REPEATABILITY_SHARE, standing_since
from models.tracking.charts.by_vans import Charts, charts_of
from models.tracking.charts.repair_trials import tried
from models.tracking.standardise import Standardised

LEAST, USUAL = 0.4, 0.64
"""Scatter of the logarithm of a standard deviation: its floor, and its value for three repeats of normal noise, which
is that of half the logarithm of a chi-square of two degrees (π / √24). [log]"""
SMALLEST = 0.05
"""Least scatter of repeats, as a share of the family's usual: rounding makes some repeats equal. [1]"""
RESOLVED = 0.5
"""Least scatter of repeats that is told from none, as a share of the least change of the quantity: a channel in coarse steps gives
repeats that are all equal, and one step is no fault. Common practice, no source (2026-11-30). [1]"""


@dataclass(frozen=True)
class RepeatabilityAlarms:
    """Alarms of within-visit repeatability, at every visit.

    Attributes
    ----------
    quantities : tuple of str
        Quantities whose repeats are charted.
    alarm : ndarray of shape (visits, quantities), bool
        The repeats disagree more than is usual.
    times : ndarray of shape (visits, quantities)
        Their recent scatter over the scatter expected of the van. [1]
    since : ndarray of shape (visits, quantities), int
        Visit at which the standing alarm began; -1 for none.
    """

    quantities: tuple[str, ...]
    alarm: Flags
    times: Floats
    since: Codes


def chart_repeatability(
    std: Standardised, within: Floats, *, per_van_week: float, threads: int = 1
) -> RepeatabilityAlarms:
    """Chart the scatter of the repeats.

    Parameters
    ----------
    std : Standardised
        Visits.
    within : ndarray of shape (visits, quantities)
        As `models.tracking.repeats.repeats_at_visits` returns. [unit of the quantity]
    per_van_week : float
        Accepted false alarms per van and week, all mechanisms together. [1]
    threads : int
        How many vans' charts at a time, in parts.

    Returns
    -------
    RepeatabilityAlarms
        Only more scatter than usual is an alarm.
    """
    watched = [q for q, name in enumerate(std.quantities) if tracking_of(name).repeats_charted]
    names = tuple(std.quantities[q] for q in watched)
    charted = tried(_charted(std, within[:, watched], watched, names), std.visits["repeats"].to_numpy())
    alarm, since = np.zeros(charted.x.shape, bool), np.full(charted.x.shape, -1)
    times = np.full(charted.x.shape, np.nan)

    def note(part: Charts) -> None:
        rows = part.some.visits
        alarm[rows] = part.alarms.own & (np.nan_to_num(part.followed.ewma) > 0)
        began = standing_since(alarm[rows], part.std)  # of this alarm, not of any that the same chart raised
        since[rows] = np.where(alarm[rows], began + rows.start, -1)
        of_late = part.std.scatter[part.std.family] * (part.followed.level - part.followed.baseline)
        times[rows] = np.exp(of_late)

    charted_at = {"per_van_week": per_van_week, "own_share": REPEATABILITY_SHARE, "peer_share": 0.0}
    deque(charts_of(charted, note, **charted_at, threads=threads), maxlen=0)
    return RepeatabilityAlarms(names, alarm, times, since)


def _resolved(quantity: str) -> float:
    """Least scatter of repeats of a quantity that counts. [unit of the quantity]"""
    tracking = tracking_of(quantity)
    return RESOLVED * tracking.least_change if tracking.scale == "plain" else 0.0


def _charted(std: Standardised, scatter: Floats, watched: list[int], names: tuple[str, ...]) -> Standardised:
    """The logarithm of the repeats' scatter, standardised like a quantity."""
    x = np.full(scatter.shape, np.nan)
    sigmas, levels = np.full((len(std.families), len(names)), np.nan), {}
    for f in range(len(std.families)):
        rows = np.flatnonzero(std.family == f)
        for k in range(len(names)):
            value = np.maximum(scatter[rows, k], _resolved(names[k]))
            known = value[np.isfinite(value)]
            usual = float(np.median(known)) if known.size else 0.0
            if usual <= 0.0:
                continue
            y = np.log(np.maximum(value / usual, SMALLEST))
            sigma = visit_scatter(y, std.van[rows], least=LEAST, usual=USUAL)
            level = family_level(y, std.van[rows], scatter=sigma, spec=None, usual_spread=0.5)
            x[rows, k] = (y - level.level) / sigma
            sigmas[f, k], levels[f, k] = sigma, level
    return replace(
        std,
        quantities=names,
        scaled=x,
        x=x,
        variance=np.ones_like(x),
        peer_variance=np.zeros_like(x),
        scatter=sigmas,
        repeat_share=np.zeros_like(sigmas),
        levels=levels,
        covariate_slopes={},
        restart=np.ascontiguousarray(std.restart[:, watched]),
        recorder_shifts=(),
    )
