"""Edges of the lambda trace: where the response to the pedal begins and ends, before anything is fitted.

All functions take the smoothed trace `s` of one row, with its sign such that the response rises, and places in blocks.
"""

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel
from models.statistics.order_statistics import normal_scatter

# An excursion opposite to the response counts as its starting level from this part of the step on. [1]
BLIP_PART = 0.08
# Before fuel is cut, the mixture returns from the rich spike of the lifted pedal. The response to the cut begins at the
# knee before its steepest part, where the slope over KNEE_REACH_S is less than KNEE_PART of the steepest. [1], [s]
KNEE_PART, KNEE_REACH_S = 0.75, 0.03
# It ends at the shoulder after it, where the slope is less than SHOULDER_PART of the steepest, if the trace then moves
# on by more than FURTHER_PART of its movement so far: a first-order response has a ninth of it left there. [1]
SHOULDER_PART, FURTHER_PART = 0.1, 0.25
# Knee and shoulder need movements above this many standard deviations of the movements before the release. [1]
STILL_SIGMAS = 3.0
# A fall in two stages pauses between them: its slope is less than PAUSE_PART of the slope before, and each stage moves by
# at least STAGE_PART of the whole. The steeper one is the response, unless the other is more than RIVAL_PART as steep:
# then repeats of one snap would jump from one to the other, and neither is told. Common practice, no source
# (2026-11-29). [1]
PAUSE_PART, STAGE_PART, RIVAL_PART = 0.3, 0.15, 0.75
# The last slope of a response is read over this long, or over half of the rise. [s]
REST_S = 0.2


@kernel
def mean_of(w: Floats, first: int, stop: int) -> float:  # pragma: no cover - compiled
    """Mean of what was recorded.

    Parameters
    ----------
    w : ndarray of shape (blocks,)
        Trace; NaN where nothing was recorded. [any unit]
    first, stop : int
        Window. [blocks]

    Returns
    -------
    float
        NaN where nothing was recorded. [unit of w]
    """
    total, used = 0.0, 0
    for i in range(first, stop):
        if not np.isnan(w[i]):
            total += w[i]
            used += 1
    return total / used if used > 0 else np.nan


@kernel
def largest_rise(s: Floats, first: int, stop: int) -> tuple[int, int]:  # pragma: no cover - compiled
    """Pair p < q with the largest s[q] - s[p].

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    first, stop : int
        Window. [blocks]

    Returns
    -------
    p, q : int
        [blocks]
    """
    lowest, p, q, best = first, first, first, -1.0
    for i in range(first, stop):
        if np.isnan(s[i]):
            continue
        if np.isnan(s[lowest]) or s[i] < s[lowest]:
            lowest = i
        if s[i] - s[lowest] > best:
            best = s[i] - s[lowest]
            p, q = lowest, i
    return p, q


@kernel
def _knee_and_shoulder(
    s: Floats, p: int, q: int, reach: int, least: float
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Where the steepest part of the rise from p to q begins and ends; p and q where it is the whole rise.

    `least` is how far noise alone moves the trace over `reach`.
    """
    steepest, knee = 0.0, p
    for i in range(p, q + 1 - reach):
        if s[i + reach] - s[i] > steepest:
            steepest, knee = s[i + reach] - s[i], i
    shoulder = knee
    while shoulder + reach <= q and not s[shoulder + reach] - s[shoulder] < SHOULDER_PART * steepest - least:
        shoulder += 1
    while knee > p and not s[knee + reach] - s[knee] < KNEE_PART * steepest - least:
        knee -= 1
    return knee, q if shoulder + reach > q else shoulder


@kernel
def _stages(
    s: Floats, p: int, q: int, knee: int, shoulder: int, reach: int, least: float
) -> tuple[bool, float]:  # pragma: no cover - compiled
    """Whether an earlier stage of the fall ends ahead of the knee, and how steep the other stages are at most.

    The latter over the steepest part, what noise alone may give taken off; 0 where there is only one stage.
    """
    rise, steepest = s[q] - s[p], 0.0
    for i in range(knee, min(shoulder + 1, q + 1 - reach)):
        steepest = max(steepest, s[i + reach] - s[i])
    before, at, lowest = 0.0, p, np.inf
    for i in range(p, knee + 1 - reach):
        slope = s[i + reach] - s[i]
        if slope > before:
            before, at, lowest = slope, i, np.inf
        lowest = min(lowest, slope)
    early = before > least and lowest < PAUSE_PART * before and s[at + reach] - s[p] > STAGE_PART * rise
    rival = before - least if early else 0.0
    if s[q] - s[shoulder] > STAGE_PART * rise:
        for i in range(shoulder, q + 1 - reach):
            rival = max(rival, s[i + reach] - s[i] - least)
    return early, rival / max(steepest, 1e-300)


@kernel
def _still_movement(
    s: Floats, first: int, stop: int, reach: int, moves: Floats
) -> float:  # pragma: no cover - compiled
    """Standard deviation of the trace's movements over `reach`, without drift; 0 where unknown."""
    used = 0
    for i in range(first, stop - reach):
        if not np.isnan(s[i + reach] - s[i]):
            moves[used] = s[i + reach] - s[i]
            used += 1
    if used < 2 * reach:
        return 0.0
    return normal_scatter(moves[:used])


@kernel
def still_moving(s: Floats, p: int, last: int, reach: int, at_end: bool) -> float:  # pragma: no cover - compiled
    """Slope at the last block over the steepest.

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    p, last : int
        Where the rise begins, and its last block. [blocks]
    reach : int
        Slopes are over so many blocks.
    at_end : bool
        Hold or record end there.

    Returns
    -------
    float
        exp(-constants seen) of a first-order response; 0 where nothing ends. [1]
    """
    steepest = 0.0
    for i in range(p, last + 1 - reach):
        steepest = max(steepest, s[i + reach] - s[i])
    latest = max(s[last] - s[last - reach], 0.0) if at_end else 0.0
    return latest / max(steepest, 1e-300)


@kernel
def last_slope(s: Floats, p: int, last: int, h: float, at_end: bool) -> float:  # pragma: no cover - compiled
    """Slope up to the last block, over `REST_S` or half of the rise.

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    p, last : int
        Where the rise begins, and its last block. [blocks]
    h : float
        Interval of the blocks. [s]
    at_end : bool
        Hold or record end there.

    Returns
    -------
    float
        0 where nothing ends. [unit of s per second]
    """
    reach, slope = min(int(REST_S / h), (last - p) // 2), 0.0
    if at_end and reach >= 1:
        slope = max(s[last] - s[last - reach], 0.0) / (reach * h)
    return slope


@kernel
def goes_back(s: Floats, p: int, q: int, near: float) -> float:  # pragma: no cover - compiled
    """Largest fall on the way up from p, before the trace first reaches `near` at or ahead of q.

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    p, q : int
        Where the rise begins and ends. [blocks]
    near : float
        Level from which the rise counts as done. [unit of s]

    Returns
    -------
    float
        [unit of s]
    """
    highest, back = s[p], 0.0
    for i in range(p, q + 1):
        if s[i] >= near:
            break
        if s[i] > highest:
            highest = s[i]
        elif highest - s[i] > back:
            back = highest - s[i]
    return back


@kernel
def one_event(
    s: Floats,
    p: int,
    q: int,
    before: int,
    event: int,
    h: float,
    to_lean: bool,
    level: float,
    sigma: float,
    least: float,
    moves: Floats,
) -> tuple[int, int, bool, bool, bool]:  # pragma: no cover - compiled
    """Narrow a rise down to the response to one event.

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    p, q : int
        Where the rise begins and ends. [blocks]
    before, event : int
        Start of the still stretch before the event, and the event. [blocks]
    h : float
        Interval of the blocks. [s]
    to_lean : bool
        The response follows the release: look for its knee and shoulder.
    level, sigma, least : float
        Level before the event, standard deviation of the noise of `s`, smallest step that counts. [unit of s]
    moves : ndarray of shape (blocks,)
        Working space. [unit of s]

    Returns
    -------
    turn, end : int
        Where the response begins and ends. [blocks]
    came_back, further, rivalled : bool
        It begins at the knee after an opposite excursion or an earlier stage; the trace moves on after its shoulder;
        another stage is about as steep.
    """
    rise = s[q] - s[p]
    knee, shoulder, early, rival = p, q, False, 0.0
    if to_lean:
        reach = max(1, int(KNEE_REACH_S / h))
        by_noise = STILL_SIGMAS * max(_still_movement(s, before, event, reach, moves), np.sqrt(2.0) * sigma)
        knee, shoulder = _knee_and_shoulder(s, p, q, reach, by_noise)
        early, rival = _stages(s, p, q, knee, shoulder, reach, by_noise)
    counts = max(BLIP_PART * rise, 4.0 * sigma)
    against = level - s[p] > counts  # a tip-in blip, or the spike of the lifted pedal
    came_back = (against or early) and s[knee] - s[p] > counts and s[q] - s[knee] > least
    if came_back:
        p = knee
    further = s[q] - s[shoulder] > FURTHER_PART * (s[shoulder] - s[p]) and s[shoulder] - s[p] > least
    if further:
        q = shoulder
    return p, q, came_back, further, rival > RIVAL_PART
