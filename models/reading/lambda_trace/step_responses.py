"""Step responses of the lambda trace, to rich after the opening and to lean after the release: first order with dead
time.

An edge is the largest rise or fall after its event, which skips the lean blip of the tip-in. After the release it is
the steepest part of the fall: from the knee after the rich spike of the lifted pedal to the shoulder where the fall may
continue later.
"""

from dataclasses import dataclass

import numpy as np

from models.reading.lambda_trace.edge_search import (
    BLIP_PART,
    KNEE_REACH_S,
    goes_back,
    largest_rise,
    last_slope,
    mean_of,
    one_event,
    still_moving,
)
from models.reading.lambda_trace.step_fit import fit_step
from models.reading.lambda_trace.step_model import Fit, Known, Noise, Response
from models.reading.lambda_trace.two_point import two_point_guess
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.coloured_noise import coloured
from models.statistics.compiled import kernel
from models.statistics.records import Record, columns_of, record_of, record_type
from models.statistics.smoothing import moving_mean

FOUND, NO_STEP, ENDS_EARLY, NOISE, NOT_FOUND, GAP = range(6)
REASONS = ("", "no_step", "record_ends_early", "noise", "not_found", "gap")

SMOOTH_S = 0.0125
# The noise of the still trace is read over this long before the event. [s]
STILL_S = 0.4
# Smallest response, in standard deviations of the smoothed noise. [1]
STEP_SIGMAS = 6.0
# Length of the fit in time constants: enough for the level, too short for a drift to matter. [1]
CONSTANTS_LONG = 6.0
# A time constant is given only where the record shows at least this many of it. [1]
CONSTANTS_NEEDED = 1.0
# Where the residual exceeds this part of the step the response is not first order: the level at the end of the hold,
# over FINAL_S, is then taken as final within FINAL_U of the step, and this many time constants must be recorded.
WRONG_MODEL = 0.01
WRONG_MODEL_CONSTANTS = 1.5
STILL_MOVING = 0.4  # nor is it read where its last slope is more than this part of its steepest [1]
# How much is still to come where hold or record end in a response: its last slope times the length seen, over the step;
# at most 0.5 if first order. One that is not, and shows more than UNFINISHED, has no time constant; else that is
# uncertain by REST_U of what exceeds REST_FREE, as a part of it. On simulated engines held for 0.4 to 1.2 s it is short
# by a half of that on average, and up to twice that. [1]
UNFINISHED, REST_FREE, REST_U = 0.8, 0.2, 1.0
# Nor has one less certain than the first part of itself, or seen for less than the second: film and mixing take longer.
VAGUE, SEEN_S = 0.4, 0.35
FINAL_U, FINAL_S = 0.05, 0.06
# A fit uses about this many samples: blocks are averaged, as long as they stay short against the response.
FIT_SAMPLES = 128
# Uncertainty of the starting level at the turn of an excursion or at the knee, as a part of the step (a judgement: a
# sixth to a third of what KNEE_PART and BLIP_PART let pass). [1]
TURN_U = 0.02
# A plateau is a stretch within this part of the step from the end level [1], of at least this length [s].
PLATEAU_PART = 0.1
PLATEAU_S = 0.04
# Uncertainty of the signal of pure air, extrapolated from the end of a characteristic, as a part of the step. [1]
AIR_U = 0.15
# The fit of a response that begins at a knee starts this long before it. [s]
KNEE_FIT_S = 0.02
# The knee lies on a block: uncertainty of both times that gives, as a part of the blocks' interval (a judgement). [1]
KNEE_U = 0.5
# A trace that falls back by more than this part of its step on the way responds to more than one event. [1]
BACK_PART = 0.25
# A plateau counts as cut off when that leaves at most this part of the residual of a smooth approach. [1]
CUT_OFF_GAIN = 0.85


@dataclass(frozen=True)
class Edges:
    """One edge in every row.

    Attributes
    ----------
    fit : recarray of shape (captures,)
        Records of `models.reading.lambda_trace.step_model.Fit`, times from the row's first block; NaN where there is
        none.
    code : ndarray of shape (captures,), int
        `FOUND`, or why there is none: an index of `REASONS`.
    turn, end : ndarray of shape (captures,), int
        Block at which the trace turns towards the response, and at which it is furthest; -1 where there is none.
    stop : ndarray of shape (captures,), int
        Block after the last one that still holds the level reached.
    clean : ndarray of shape (captures,), bool
        The response starts from the level before the event, without an opposite excursion: its input is a step.
    cut_off : ndarray of shape (captures,), bool
        The level reached is the end of the signal's range: it is censored.
    goes_on : ndarray of shape (captures,), bool
        The trace moves on to `end` after the step that was fitted.
    """

    fit: Fit
    code: Codes
    turn: Codes
    end: Codes
    stop: Codes
    clean: Flags
    cut_off: Flags
    goes_on: Flags


_RESPONSE, _FIT = record_of(Response), record_of(Fit)
# One edge during the search; see `Edges`.
_EDGE = record_type(
    [
        ("fit", _FIT),
        ("code", np.int64),
        ("turn", np.int64),
        ("end", np.int64),
        ("stop", np.int64),
        ("clean", np.bool_),
        ("cut_off", np.bool_),
        ("goes_on", np.bool_),
    ]
)


@kernel
def _fit(
    w: Floats, first: int, stop: int, h: float, guess: Record, known: Known, noise: Noise, short: Floats, out: Record
) -> bool:  # pragma: no cover - compiled
    """Fit a window, on means of blocks where it has more blocks than a fit needs."""
    per = max(1, min((stop - first) // FIT_SAMPLES, int(0.2 * guess.constant / h)))
    if per == 1:
        return fit_step(w, first, stop, h, guess, known, noise, out)
    n = (stop - first) // per
    for j in range(n):
        short[j] = mean_of(w, first + j * per, first + (j + 1) * per)
    shift = (first + 0.5 * (per - 1)) * h
    guess.start -= shift
    done = fit_step(short, 0, n, per * h, guess, known, Noise(noise.white / per, noise.colour, noise.r**per), out)
    guess.start += shift
    out.start += shift
    return done


@kernel
def _plausible(
    fit: Record, stop: int, h: float, at_end: bool, rest: float, moving: float
) -> int:  # pragma: no cover - compiled
    """Code of a fit: `FOUND`, or why not. What is still to come, see `UNFINISHED`, makes its time constant less certain.

    `at_end` says that hold or record end there, `moving` is the last slope over the steepest: exp(-constants) if first
    order.
    """
    if not fit.step > 0.0 or fit.residual > 0.25 * fit.step:
        return NOT_FOUND
    wrong = fit.residual > WRONG_MODEL * fit.step
    needed = WRONG_MODEL_CONSTANTS if wrong else CONSTANTS_NEEDED
    if (stop - 1) * h - fit.start < needed * fit.constant or fit.constant > 3.0:
        return ENDS_EARLY
    if wrong and moving > STILL_MOVING:
        return ENDS_EARLY
    seen_s = (stop - 1) * h - fit.start
    part = rest * seen_s / fit.step
    if not wrong or not at_end:
        return FOUND
    fit.constant_u = np.hypot(fit.constant_u, REST_U * max(part - REST_FREE, 0.0) * fit.constant)
    brief = part > UNFINISHED or (seen_s < SEEN_S and part > REST_FREE)
    if brief or fit.constant_u > VAGUE * fit.constant:
        fit.constant_u = np.inf  # when it starts is seen all the same
    return FOUND


@kernel
def _still_noise(
    w: Floats, before: int, event: int, level: float, white_u: float, h: float, still: Floats
) -> Noise:  # pragma: no cover - compiled
    """Noise before the event, where the trace is still; at least `white_u` of it is white."""
    for i in range(before, event):
        still[i - before] = w[i] - level if not np.isnan(w[i]) else 0.0
    quiet = event - before
    white, colour, r = coloured(still, quiet, quiet, 1, h)
    return Noise(max(white, white_u**2), colour, r)


@kernel
def _has_gaps(w: Floats, first: int, stop: int) -> bool:  # pragma: no cover - compiled
    """Whether more than a quarter of a window is missing."""
    gaps = 0
    for i in range(first, stop):
        gaps += np.isnan(w[i])
    return gaps > 0.25 * (stop - first)


@kernel
def _fit_cut_off(
    w: Floats,
    s: Floats,
    window: tuple[int, int, int, int, int],
    half: int,
    h: float,
    guess: Record,
    ends: tuple[float, float],
    before_u: float,
    noise: Noise,
    done: bool,
    space: tuple[Floats, Record],
    out: Record,
) -> bool:  # pragma: no cover - compiled
    """Fit a fall into the end of its range with the model cut off there, and keep the fit with the smaller residual.

    `window` is first, stop, turn, end and last block; `ends` the far end of the range and the level of pure air.
    Returns whether there is a fit.
    """
    first, stop, p, q, last = window
    short, other = space
    low, rise = guess.before, s[q] - s[p]
    plateau = q
    while plateau > p and s[plateau - 1] > s[q] - PLATEAU_PART * rise:
        plateau -= 1
    if not (last + 1 - plateau) * h >= PLATEAU_S + SMOOTH_S:
        return done
    reached = mean_of(w, plateau + 2 * half + 1, last + 1)
    tau = guess.constant
    guess.step = max(ends[1] - low, 1.2 * (reached - low))
    # the straight part before the corner gives the time constant of a cut-off rise
    guess.constant = max(tau * guess.step / (reached - low), h)
    known = Known(-np.inf, reached, ends[1], AIR_U * abs(ends[1] - low), before_u)
    cut = _fit(w, first, stop, h, guess, known, noise, short, other[0])
    if (
        cut
        and other[0].before + other[0].step > reached
        and (not done or other[0].residual < CUT_OFF_GAIN * out.fit.residual)
    ):
        out.fit = other[0]
        out.cut_off = True
        return True
    if reached >= ends[0] - 0.01 * rise:
        out.cut_off = True
    return done


@kernel
def _read_edge(
    w: Floats,
    s: Floats,
    before: int,
    event: int,
    stop: int,
    half: int,
    h: float,
    to_lean: bool,
    noise: float,
    least: float,
    ends: tuple[float, float],
    moves: Floats,
    guess: Record,
    space: tuple[Floats, Record],
    out: Record,
) -> int:  # pragma: no cover - compiled
    """Find and fit the edge of one row, `w` and smoothed `s`; return its code."""
    p, q = largest_rise(s, event, stop)
    level = mean_of(w, max(before, event - int(0.1 / h)), event + 1)
    sigma = noise / np.sqrt(2.0 * half + 1.0)
    rise = s[q] - s[p]
    out.turn, out.end = p, q
    if not rise > max(least, STEP_SIGMAS * sigma):
        return NO_STEP if rise <= least else NOISE
    p, q, came_back, further, rivalled = one_event(s, p, q, before, event, h, to_lean, level, sigma, least, moves)
    out.turn, out.goes_on = p, further
    if rivalled:
        return NOT_FOUND
    rise = s[q] - s[p]
    if goes_back(s, p, q, s[q] - PLATEAU_PART * rise) > max(BACK_PART * rise, STEP_SIGMAS * sigma):
        return NOT_FOUND
    blip = came_back or level - s[p] > max(BLIP_PART * rise, 4.0 * sigma)
    out.clean = not blip
    low = s[p] if blip or np.isnan(level) or not level < s[q] - 0.5 * rise else level
    first = p if blip else max(before, event - int(0.05 / h))
    if came_back:
        first = max(before, p - int(KNEE_FIT_S / h))
    last = q
    while last + 1 < stop and not s[last + 1] < s[q] - PLATEAU_PART * rise:
        last += 1
    out.stop = last + 1
    still = _still_noise(w, before, event, level, noise, h, moves)
    at_end = last + 1 == stop and not further
    rest, moving = last_slope(s, p, last, h, at_end), still_moving(s, p, last, max(1, int(KNEE_REACH_S / h)), at_end)
    dead, tau = two_point_guess(s, p, q, low, h)
    end = min(
        q + 1 if further else last + 1,
        max(int((dead + CONSTANTS_LONG * tau) / h) + 1, q if q - p < 40 else first + 16),
    )
    guess.start, guess.constant, guess.before, guess.step, guess.ramp = max(dead, first * h), tau, low, s[q] - low, 0.0
    if _has_gaps(w, first, end):
        return GAP
    level_end = mean_of(w, max(end - max(int(FINAL_S / h), 2), p), end)
    before_u = np.hypot(TURN_U * rise, sigma) if blip else np.nan
    known = Known(-np.inf, ends[0], level_end, FINAL_U * rise, before_u)
    done = _fit(w, first, end, h, guess, known, still, space[0], out.fit)
    if not (further or np.isnan(ends[1])):
        window = (first, end, p, q, last)
        done = _fit_cut_off(w, s, window, half, h, guess, ends, before_u, still, done, space, out)
    if done and came_back:
        out.fit.start_u, out.fit.constant_u = (
            np.hypot(out.fit.start_u, KNEE_U * h),
            np.hypot(out.fit.constant_u, KNEE_U * h),
        )
    return _plausible(out.fit, end, h, at_end, rest, moving) if done else NOT_FOUND


@kernel
def _edge_rows(
    x: Floats,
    h: float,
    direction: float,
    event: Codes,
    until: Codes,
    noise: Floats,
    least: float,
    ends: tuple[float, float],
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Find and fit one edge per row; `ends` is the far end of the range and the level of pure air."""
    blocks = x.shape[1]
    half = max(0, int(0.5 * SMOOTH_S / h))
    w, s, moves = np.empty(blocks), np.empty(blocks), np.empty(blocks)
    guess, space = np.empty(1, dtype=_RESPONSE), (np.empty(blocks), np.empty(1, dtype=_FIT))
    for row in range(x.shape[0]):
        e, stop, edge = event[row], until[row], out[row]
        if e < 0 or stop - e < 8:
            edge.code = NOT_FOUND if e < 0 else ENDS_EARLY
            continue
        before = max(0, e - int(STILL_S / h))
        for i in range(before, stop):
            w[i] = direction * x[row, i]
        moving_mean(w, before, stop, half, s)
        edge.code = _read_edge(
            w, s, before, e, stop, half, h, direction < 0.0, noise[row], least, ends, moves, guess[0], space, edge
        )
        edge.fit.before *= direction
        edge.fit.step *= direction
        edge.fit.ramp *= direction


def find_edges(
    x: Floats,
    *,
    interval_s: float,
    to_rich: bool,
    event: Codes,
    until: Codes,
    noise: Floats,
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
        The response rises; otherwise it falls.
    event : ndarray of shape (captures,), int
        Block of the event; -1 where unknown. [blocks]
    until : ndarray of shape (captures,), int
        Block after the last one to search. [blocks]
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    least : float
        Smallest response that counts. [unit of richness]
    far_end : float
        End of the signal's range in the direction of the response; infinite where unknown. [unit of richness]
    air : float
        Richness of pure air, the final level of a fall that is cut off; NaN unknown. [unit of richness]

    Returns
    -------
    Edges

    Notes
    -----
    Model: level before, then before + step (1 - exp(-s/T)) + ramp (s - T (1 - exp(-s/T))) from s = t - start > 0. The
    ramp has a prior of zero with a standard deviation of 30 % of the step per second. The window begins at the event,
    at the turn of an opposite excursion (the tip-in blip) or, to lean, at the knee after one. It ends six time
    constants into the response, or at the shoulder from which a fall continues later. A response that falls far back on
    its way is not fitted. A fall that runs into the end of its range is also fitted with the model cut off there and
    its final level known to be air within 15 %; the residual decides whether the signal was cut off or came to rest.
    """
    direction = 1.0 if to_rich else -1.0
    out = np.zeros(x.shape[0], dtype=_EDGE)
    out["fit"], out["code"] = np.nan, NOT_FOUND
    for name in ("turn", "end", "stop"):
        out[name] = -1
    ends = (abs(far_end) if np.isinf(far_end) else direction * far_end, direction * air)
    _edge_rows(x, interval_s, direction, event, until, noise, least, ends, out)
    return Edges(columns_of(Fit, out["fit"]), *(out[name] for name in (_EDGE.names or ())[1:]))
