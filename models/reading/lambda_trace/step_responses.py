"""Where the lambda trace answers the pedal: the response to rich after the opening, to lean after the release.

Each edge is found as the largest rise (fall) after its event, which passes over the lean blip of the tip-in, and is then
identified as a first-order response with a dead time. After the release it is the steepest part of the fall: from the knee
behind the way back from the rich spike of the lifted foot to the shoulder where the fall goes on later.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.reading.lambda_trace.step_fit import (
    BEFORE,
    CONSTANT,
    FIT_COLUMNS,
    HIGH_PART,
    LOW_PART,
    RAMP,
    RESIDUAL,
    START,
    STEP,
    coloured,
    fit_step,
    two_point,
)
from models.statistics.compiled import kernel
from models.statistics.order_statistics import normal_scatter

FOUND, NO_STEP, ENDS_EARLY, NOISE, NOT_FOUND, GAP = range(6)
REASONS = ("", "no_step", "record_ends_early", "noise", "not_found", "gap")

SMOOTH_S = 0.0125
# The noise where the trace stands still is that of this long before the event.
STILL_S = 0.4
# A response is told when it is this many standard deviations of the smoothed noise.
STEP_SIGMAS = 6.0
# An excursion against the response before it begins counts as the level it starts from, from this part of the step.
BLIP_PART = 0.08
# The fit looks at this many time constants: enough for the level, too few for a drift to matter.
CONSTANTS_LONG = 6.0
# A time constant is only told when the record shows at least this many of it.
CONSTANTS_NEEDED = 1.0
# Where the residual exceeds this part of the step the response is no first-order one: then the level reached at the
# end of the hold is taken as final within FINAL_U of the step, and this many constants have to be shown.
WRONG_MODEL = 0.01
WRONG_MODEL_CONSTANTS = 1.5
STILL_MOVING = 0.4
FINAL_U = 0.05
FINAL_S = 0.06
# A fit is done on about this many samples; blocks are averaged down to it while they stay short of the response.
FIT_SAMPLES = 128
# At the turn of an excursion, or at the knee, the trace is within this part of the step of where the response begins (judgement:
# a sixth to a third of what KNEE_PART and BLIP_PART let pass).
TURN_U = 0.02
# A plateau is a stretch within this part of the step from the end level, of at least this length.
PLATEAU_PART = 0.1
PLATEAU_S = 0.04
# How well the signal of pure air is known from the end of a characteristic, as a part of the step.
AIR_U = 0.15
# After the rich spike of a lifted foot the mixture comes back before fuel is cut. The response to the cut begins at the
# knee before its steepest part, where the trace moved by less than this part of it; the fit looks at a little before.
KNEE_PART = 0.75
KNEE_REACH_S = 0.03
KNEE_FIT_S = 0.02
# It ends at the shoulder behind it, where the trace moves by less than this part of the steepest, if it then goes on by more
# than that part of what it came: a first-order response has a ninth of it left there.
SHOULDER_PART, FURTHER_PART = 0.1, 0.25
# What it moves by so many times its unrest ahead of the release says nothing of either.
DOUBTS = 3.0
# A trace that goes back by more than this part of its step on the way answers more than one event.
BACK_PART = 0.25
# A cut-off plateau is believed when it leaves at most this part of the residual of a smooth approach.
CUT_OFF_GAIN = 0.85


@dataclass(frozen=True)
class Edges:
    """One edge in every row.

    Attributes
    ----------
    fit : ndarray of shape (captures, FIT_COLUMNS)
        Columns of models/reading/lambda_trace/step_fit.py, times from the row's first block; NaN where there is none.
    code : ndarray of shape (captures,), int
        `FOUND` or what stands against it, an index of `REASONS`.
    turn, end : ndarray of shape (captures,), int
        Block at which the trace turns towards the response, and at which it is furthest; -1 where there is none.
    stop : ndarray of shape (captures,), int
        Block after the last one that still holds the level reached.
    clean : ndarray of shape (captures,), bool
        The response starts from the level before the event, with no excursion the other way: a known input.
    cut_off : ndarray of shape (captures,), bool
        The level reached is the end of the signal's range: a censored one.
    goes_on : ndarray of shape (captures,), bool
        The trace moves on to `end` after the step that was fitted.
    """

    fit: NDArray[np.float64]
    code: NDArray[np.int64]
    turn: NDArray[np.int64]
    end: NDArray[np.int64]
    stop: NDArray[np.int64]
    clean: NDArray[np.bool_]
    cut_off: NDArray[np.bool_]
    goes_on: NDArray[np.bool_]


@kernel
def smooth(w: NDArray[np.float64], first: int, stop: int, half: int, out: NDArray[np.float64]) -> None:
    """Centred moving mean over 2 half + 1 blocks within first..stop-1; gaps are passed over.

    Parameters
    ----------
    w : ndarray of shape (blocks,)
        Trace; NaN where nothing was recorded.
    first, stop, half : int
        Window and half-width.
    out : ndarray of shape (blocks,)
        Filled between first and stop.
    """
    total, used = 0.0, 0
    for i in range(first, min(first + half, stop)):
        if not np.isnan(w[i]):
            total += w[i]
            used += 1
    for i in range(first, stop):
        if i + half < stop and not np.isnan(w[i + half]):
            total += w[i + half]
            used += 1
        if i - half - 1 >= first and not np.isnan(w[i - half - 1]):
            total -= w[i - half - 1]
            used -= 1
        out[i] = total / used if used > 0 else np.nan


@kernel
def _largest_rise(s: NDArray[np.float64], first: int, stop: int) -> tuple[int, int]:  # pragma: no cover - compiled
    """Pair p < q with the largest s[q] - s[p]."""
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
    s: NDArray[np.float64], p: int, q: int, reach: int, doubt: float
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Where the steepest part of the rise from p to q begins and ends; p and q where it is all of the rise.

    `doubt` is how far the trace may move over `reach` without meaning it.
    """
    steepest, knee = 0.0, p
    for i in range(p, q + 1 - reach):
        if s[i + reach] - s[i] > steepest:
            steepest, knee = s[i + reach] - s[i], i
    shoulder = knee
    while shoulder + reach <= q and not s[shoulder + reach] - s[shoulder] < SHOULDER_PART * steepest - doubt:
        shoulder += 1
    while knee > p and not s[knee + reach] - s[knee] < KNEE_PART * steepest - doubt:
        knee -= 1
    return knee, q if shoulder + reach > q else shoulder


@kernel
def _unrest(
    s: NDArray[np.float64], first: int, stop: int, reach: int, moves: NDArray[np.float64]
) -> float:  # pragma: no cover - compiled
    """How far the trace moves over `reach` beside its drift: a standard deviation; 0 where unknown."""
    used = 0
    for i in range(first, stop - reach):
        if not np.isnan(s[i + reach] - s[i]):
            moves[used] = s[i + reach] - s[i]
            used += 1
    if used < 2 * reach:
        return 0.0
    return normal_scatter(moves[:used])


@kernel
def _goes_back(s: NDArray[np.float64], p: int, q: int, near: float) -> float:  # pragma: no cover - compiled
    """Largest fall on the way up from p, before the trace first reaches `near` at or ahead of q."""
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
def _mean(w: NDArray[np.float64], first: int, stop: int) -> float:  # pragma: no cover - compiled
    total, used = 0.0, 0
    for i in range(first, stop):
        if not np.isnan(w[i]):
            total += w[i]
            used += 1
    return total / used if used > 0 else np.nan


@kernel
def _fit(
    w: NDArray[np.float64],
    first: int,
    stop: int,
    h: float,
    guess: NDArray[np.float64],
    high: float,
    final: float,
    final_u: float,
    before_u: float,
    noise: NDArray[np.float64],
    short: NDArray[np.float64],
    out: NDArray[np.float64],
) -> bool:  # pragma: no cover - compiled
    """Fit a window on means of blocks where it holds more of them than a fit needs."""
    per = max(1, min((stop - first) // FIT_SAMPLES, int(0.2 * guess[1] / h)))
    if per == 1:
        return fit_step(w, first, stop, h, guess, -np.inf, high, final, final_u, before_u, noise, out)
    n = (stop - first) // per
    for j in range(n):
        short[j] = _mean(w, first + j * per, first + (j + 1) * per)
    shift = (first + 0.5 * (per - 1)) * h
    guess[0] -= shift
    done = fit_step(
        short,
        0,
        n,
        per * h,
        guess,
        -np.inf,
        high,
        final,
        final_u,
        before_u,
        np.array([noise[0] / per, noise[1], noise[2] ** per]),
        out,
    )
    guess[0] += shift
    out[START] += shift
    return done


@kernel
def _plausible(fit: NDArray[np.float64], stop: int, h: float, moving: float) -> int:  # pragma: no cover - compiled
    """What stands against a fit; `moving` is the last slope over the steepest, exp(-constants shown) if first order."""
    if not fit[STEP] > 0.0 or fit[RESIDUAL] > 0.25 * fit[STEP]:
        return NOT_FOUND
    wrong = fit[RESIDUAL] > WRONG_MODEL * fit[STEP]
    needed = WRONG_MODEL_CONSTANTS if wrong else CONSTANTS_NEEDED
    if (stop - 1) * h - fit[START] < needed * fit[CONSTANT] or fit[CONSTANT] > 3.0:
        return ENDS_EARLY
    return ENDS_EARLY if wrong and moving > STILL_MOVING else FOUND


@kernel
def _edge_rows(
    x: NDArray[np.float64],
    h: float,
    direction: float,
    event: NDArray[np.int64],
    until: NDArray[np.int64],
    noise: NDArray[np.float64],
    least: float,
    ends: NDArray[np.float64],
    fit: NDArray[np.float64],
    code: NDArray[np.int64],
    places: NDArray[np.int64],
    cut_off: NDArray[np.bool_],
    goes_on: NDArray[np.bool_],
) -> None:  # pragma: no cover - compiled
    """Find and fit one edge per row; `ends` is (far end of the range, level of air), `places` turn, end, stop, clean."""
    rows, blocks = x.shape
    half = max(0, int(0.5 * SMOOTH_S / h))
    w, s, short = np.empty(blocks), np.empty(blocks), np.empty(blocks)
    still, model = np.empty(blocks), np.empty(3)
    guess, other = np.empty(5), np.empty(FIT_COLUMNS)
    for row in range(rows):
        e, stop = event[row], until[row]
        if e < 0 or stop - e < 8:
            code[row] = NOT_FOUND if e < 0 else ENDS_EARLY
            continue
        before = max(0, e - int(STILL_S / h))
        for i in range(before, stop):
            w[i] = direction * x[row, i]
        smooth(w, before, stop, half, s)
        p, q = _largest_rise(s, e, stop)
        level = _mean(w, max(before, e - int(0.1 / h)), e + 1)
        sigma = noise[row] / np.sqrt(2.0 * half + 1.0)
        rise = s[q] - s[p]
        places[row, 0], places[row, 1] = p, q
        if not rise > max(least, STEP_SIGMAS * sigma):
            code[row] = NO_STEP if rise <= least else NOISE
            continue
        reach = max(1, int(KNEE_REACH_S / h))
        knee, shoulder = p, q
        if direction < 0.0:
            doubt = DOUBTS * max(_unrest(s, before, e, reach, still), np.sqrt(2.0) * sigma)
            knee, shoulder = _knee_and_shoulder(s, p, q, reach, doubt)
        counts = max(BLIP_PART * rise, 4.0 * sigma)
        against = level - s[p] > counts  # a tip-in blip, or the spike of the lifted foot
        came_back = against and s[knee] - s[p] > counts and s[q] - s[knee] > least
        if came_back:
            p = knee
            places[row, 0] = p
        further = s[q] - s[shoulder] > FURTHER_PART * (s[shoulder] - s[p]) and s[shoulder] - s[p] > least
        if further:
            q = shoulder
        goes_on[row] = further
        rise = s[q] - s[p]
        if _goes_back(s, p, q, s[q] - PLATEAU_PART * rise) > max(BACK_PART * rise, STEP_SIGMAS * sigma):
            code[row] = NOT_FOUND
            continue
        blip = came_back or level - s[p] > max(BLIP_PART * rise, 4.0 * sigma)
        places[row, 3] = not blip
        low = s[p] if blip or np.isnan(level) or not level < s[q] - 0.5 * rise else level
        first = p if blip else max(before, e - int(0.05 / h))
        if came_back:
            first = max(before, p - int(KNEE_FIT_S / h))
        last = q
        while last + 1 < stop and not s[last + 1] < s[q] - PLATEAU_PART * rise:
            last += 1
        places[row, 2] = last + 1
        quiet = 0
        for i in range(before, e):
            still[quiet] = w[i] - level if not np.isnan(w[i]) else 0.0
            quiet += 1
        model[0], model[1], model[2] = coloured(still, quiet, quiet, 1, h)
        model[0] = max(model[0], noise[row] ** 2)
        steepest, latest = 0.0, 0.0
        for i in range(p, last + 1 - reach):
            steepest = max(steepest, s[i + reach] - s[i])
        if last + 1 == stop and not further:
            latest = max(s[last] - s[last - reach], 0.0)
        lowest, highest = -1, -1
        for i in range(p, q + 1):
            part = (s[i] - low) / (s[q] - low)
            if part < LOW_PART:
                lowest = i
            elif lowest >= 0 and highest < 0 and part >= HIGH_PART:
                highest = i
        if lowest < 0 or highest <= lowest:
            highest = q
            lowest = max(lowest, p)
        dead, tau = two_point((lowest + 0.5) * h, (highest - 0.5) * h)
        tau = max(tau, h)
        end = min(
            q + 1 if further else last + 1,
            max(int((dead + CONSTANTS_LONG * tau) / h) + 1, q if q - p < 40 else first + 16),
        )
        guess[0], guess[1], guess[2], guess[3], guess[4] = max(dead, first * h), tau, low, s[q] - low, 0.0
        gaps = 0
        for i in range(first, end):
            gaps += np.isnan(w[i])
        if gaps > 0.25 * (end - first):
            code[row] = GAP
            continue
        level_end = _mean(w, max(end - max(int(FINAL_S / h), 2), p), end)
        before_u = np.hypot(TURN_U * rise, sigma) if blip else np.nan
        done = _fit(w, first, end, h, guess, ends[0], level_end, FINAL_U * rise, before_u, model, short, fit[row])
        plateau = q
        while plateau > p and s[plateau - 1] > s[q] - PLATEAU_PART * rise:
            plateau -= 1
        if not (further or np.isnan(ends[1])) and (last + 1 - plateau) * h >= PLATEAU_S + SMOOTH_S:
            reached = _mean(w, plateau + 2 * half + 1, last + 1)
            guess[3] = max(ends[1] - low, 1.2 * (reached - low))
            # the straight part before the corner gives the time constant of a cut-off rise
            guess[1] = max(tau * guess[3] / (reached - low), h)
            air_u = AIR_U * abs(ends[1] - low)
            cut = _fit(w, first, end, h, guess, reached, ends[1], air_u, before_u, model, short, other)
            if (
                cut
                and other[BEFORE] + other[STEP] > reached
                and (not done or other[RESIDUAL] < CUT_OFF_GAIN * fit[row, RESIDUAL])
            ):
                fit[row] = other
                cut_off[row] = True
                done = True
            elif reached >= ends[0] - 0.01 * rise:
                cut_off[row] = True
        code[row] = _plausible(fit[row], end, h, latest / max(steepest, 1e-300)) if done else NOT_FOUND
        fit[row, BEFORE] *= direction
        fit[row, STEP] *= direction
        fit[row, RAMP] *= direction


def find_edges(
    x: NDArray[np.float64],
    *,
    interval_s: float,
    to_rich: bool,
    event: NDArray[np.int64],
    until: NDArray[np.int64],
    noise: NDArray[np.float64],
    least: float,
    far_end: float = np.inf,
    air: float = np.nan,
) -> Edges:
    """Find and identify one edge in every row.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness; NaN where nothing was recorded. [unit of richness]
    interval_s : float
        Interval of the blocks. [s]
    to_rich : bool
        The response rises; else it falls.
    event : ndarray of shape (captures,), int
        Block of the event; -1 where it is not known.
    until : ndarray of shape (captures,), int
        Block after the last one to look at.
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    least : float
        Smallest response that counts. [unit of richness]
    far_end : float
        End of the signal's range on the way; infinite where not known. [unit of richness]
    air : float
        Richness of pure air, the final level of a fall that is cut off; NaN unknown. [unit of richness]

    Returns
    -------
    Edges

    Notes
    -----
    Model: level before, then before + step (1 - exp(-s/T)) + ramp (s - T (1 - exp(-s/T))) from s = t - start > 0.
    The ramp is held towards zero by a prior of 30 % of the step per second. The window begins at the event, at the turn of an
    excursion against the response (the tip-in blip) or, to lean, at the knee behind one; it ends six time constants into the
    response, or at the shoulder from which a fall goes on later. What goes far back on its way is not fitted.
    A fall that runs into the end of its range is fitted with the model cut off there as well and its final level
    known to be air within 15 %; the residual decides whether the signal was cut off or came to rest.
    """
    rows = x.shape[0]
    direction = 1.0 if to_rich else -1.0
    fit = np.full((rows, FIT_COLUMNS), np.nan)
    code = np.full(rows, NOT_FOUND, dtype=np.int64)
    places = np.full((rows, 4), -1, dtype=np.int64)
    cut_off, goes_on = np.zeros(rows, dtype=np.bool_), np.zeros(rows, dtype=np.bool_)
    ends = np.array([abs(far_end) if np.isinf(far_end) else direction * far_end, direction * air])
    _edge_rows(x, interval_s, direction, event, until, noise, least, ends, fit, code, places, cut_off, goes_on)
    return Edges(fit, code, places[:, 0], places[:, 1], places[:, 2], places[:, 3] == 1, cut_off, goes_on)
