"""Whether a baseline may start again after a repair: what a repair did not bring back must not be learned as normal.

The test, for each quantity that a repair touched. *Before* is what the last visits ahead of it agree on (a fault that grew
or stepped in among them is no scatter), *after* the mean of the visits since, from as many as hold three good captures. A sound van reads its own level from before the fault. Its
family's stands for that where it strayed from the family, or where the quantity came back past it, for it may have
learned a part of the fault. Where the quantity had left what is sound, it is

* repaired, when it came back significantly, and ends within the uncertainty of both or made good more than half;
* not repaired, when it surely made good less than half;
* not to be told yet otherwise: with each visit more it is looked at again, up to `MOST_VISITS`.

What was not repaired keeps its baseline, and so its alarm. What had not moved before starts again, unless it then stands
where no healthy van of the family does. The levels are compared as the proof of a repair compares them
(`models/statistics/levels_compared.py`).
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from models.statistics.arrays import Codes, Floats
from models.statistics.levels_compared import Compared, Level, against_both, level_at_last, mean_level
from models.tracking.charts.recursion import STRAYED, Followed, follow_vans
from models.tracking.restarts import HELD, NO_RESTART, REPAIRED
from models.tracking.standardise import Standardised
from models.tracking.standardise import vans_spread as spread_of_vans

GOOD_CAPTURES = 3
"""Captures that decide on a repair. Common practice, no source (2026-11-29)."""
BEFORE_VISITS = 3
"""Most visits ahead of a repair that show what it found. Common practice, no source (2026-11-29)."""
MOST_VISITS = 6
"""Most visits after a repair that decide on it. Common practice, no source (2026-11-29)."""
OUT_OF_FAMILY = 4.0
"""A level farther from its family is that of no healthy van. Common practice, no source (2026-11-25). [standard
deviations]"""
CONFIDENCE = 0.95
"""Of all comparisons of one repair together. [1]"""


def tried(std: Standardised, captures: Codes) -> Standardised:
    """The same visits, without the restarts of repairs that did not help.

    Parameters
    ----------
    std : Standardised
        Visits.
    captures : ndarray of shape (visits,), int
        Good captures of each.

    Returns
    -------
    Standardised
    """
    restart = after_trial(
        std.x,
        std.variance,
        weeks=std.weeks,
        starts=std.starts,
        restart=std.restart,
        vans_spread=spread_of_vans(std),
        captures=captures,
    )
    return replace(std, restart=restart)


def after_trial(
    x: Floats,
    variance: Floats,
    *,
    weeks: Codes,
    starts: Codes,
    restart: NDArray[np.int8],
    vans_spread: Floats,
    captures: Codes,
) -> NDArray[np.int8]:
    """Where baselines start again, once repairs that did not help are told from those that did.

    Parameters
    ----------
    x, variance, weeks, starts, vans_spread
        As `follow_vans` takes them.
    restart : ndarray of shape (visits, quantities), int8
        As `models.tracking.restarts.restarts_of` returns; `HELD` is judged anew.
    captures : ndarray of shape (visits,), int
        Good captures of each visit.

    Returns
    -------
    ndarray of shape (visits, quantities), int8
        `HELD` in place of `REPAIRED` where the level stayed.
    """
    decided = np.where(restart == HELD, REPAIRED, restart).astype(np.int8)
    marked = decided == REPAIRED
    for van in np.unique(np.searchsorted(starts, np.flatnonzero(marked.any(axis=1)), side="right") - 1):
        rows = slice(int(starts[van]), int(starts[van + 1]))
        for row in np.flatnonzero(marked[rows].any(axis=1)).tolist():
            columns = np.flatnonzero(marked[rows][row])
            # as if this repair, and what came later, had touched nothing
            until = np.where(np.arange(marked[rows].shape[0])[:, None] >= row, NO_RESTART, decided[rows]).astype(
                np.int8
            )
            followed = follow_vans(
                x[rows],
                variance[rows],
                weeks=weeks[rows],
                starts=np.array([0, until.shape[0]]),
                restart=until,
                vans_spread=vans_spread[van : van + 1],
            )
            width = float(ndtri(0.5 + 0.5 * (1.0 - (1.0 - CONFIDENCE) / columns.size)))
            for q in columns.tolist():
                if _stayed(
                    x[rows], variance[rows], followed, marked[rows], captures[rows], row, q, vans_spread[van, q], width
                ):
                    decided[rows][row, q] = HELD
    return decided


def _stayed(
    x: Floats,
    variance: Floats,
    followed: Followed,
    marked: NDArray[np.bool_],
    captures: Codes,
    row: int,
    q: int,
    spread: float,
    width: float,
) -> bool:
    """Whether one quantity of one van stayed where it was before a repair, or went where no healthy van is."""
    others = np.flatnonzero(marked[:, q])
    begin = int(others[others < row].max(initial=0))
    end = int(others[others > row].min(initial=x.shape[0]))
    earlier = begin + np.flatnonzero(np.isfinite(x[begin:row, q]))
    later = row + np.flatnonzero(np.isfinite(x[row:end, q]))
    if not earlier.size or not later.size or not np.isfinite(spread):
        return False
    before = level_at_last(x[earlier[-BEFORE_VISITS:], q], np.sqrt(variance[earlier[-BEFORE_VISITS:], q]))
    own = Level(float(followed.baseline[later[0], q]), float(np.sqrt(followed.baseline_variance[later[0], q])))
    family = Level(0.0, float(spread))
    for count in range(1, min(later.size, MOST_VISITS) + 1):
        if captures[later[:count]].sum() < GOOD_CAPTURES:
            continue
        after = mean_level(x[later[:count], q], np.sqrt(variance[later[:count], q]))
        stayed = _decision(
            against_both(before, after, None if abs(own.value) > STRAYED * spread else own, family, width), spread
        )
        if stayed is not None:
            return stayed
    return False


def _decision(one: Compared, spread: float) -> bool | None:
    """Whether a level stayed; None where that can't be told yet."""
    if one.verdict == "restored":
        return False
    if not one.moved_before:
        out = abs(one.after.value) > OUT_OF_FAMILY * float(np.hypot(spread, one.after.u))
        return out and one.verdict == "worse"
    return True if one.accuses else None
