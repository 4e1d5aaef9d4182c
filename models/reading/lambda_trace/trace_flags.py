"""Flags of a whole lambda trace: the sensor is active, the trace contradicts the register, the signal is clipped."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.physics.lambda_scale import LambdaScale
from models.reading.lambda_trace.sensor_kind import NARROWBAND_MOST_V
from models.reading.lambda_trace.stops import Stops
from models.reading.lambda_trace.trace import ARRIVED_S, CUT_LAMBDA
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel
from models.statistics.records import Record, columns_of, empty_table
from models.statistics.smoothing import moving_mean

# A snap moves the lambda of an active sensor by far more than this, even on a faulty van. Common practice, no source.
# [lambda], [V]
ACTIVE_LAMBDA = 0.03
ACTIVE_NARROWBAND_V = 0.15
# Fuel cut moves the signal away from idle by more than `CUT_LAMBDA`, for at least this long. [s]
CUT_S = 0.4
# An excursion to rich after the release that no engine can sustain: richer than idle by the first, and richer than the
# second where the characteristic reaches so far. [lambda]
IMPOSSIBLE_LAMBDA = 0.35
UNBURNT_LAMBDA = 0.78
# A switching sensor stays on one side this long only while fuel is cut. [s]
NARROWBAND_CUT_S = 0.7
AFTER_S = 3.0
# What full throttle shows (from `ARRIVED_S` after the opening on) counts only for at least this long; and idle only where
# it scatters by less than this. Common practice, no source (2026-11-29). [s], [lambda]
SHOWN_S, STILL_LAMBDA = 0.4, 0.03
# Polarity is in question where the signal at full throttle is this far on the wrong side of idle. [lambda]
WRONG_SIDE_LAMBDA = 0.02
# With the wrong polarity the lean blip of the tip-in looks rich: at most this long [s], at least this part of the hold
# [1] and this large [lambda].
BLIP_S = 0.3
BLIP_PART = 0.4
BLIP_LAMBDA = 0.03


@dataclass(frozen=True)
class TraceFlags:
    """Flags of the whole trace, per capture.

    Attributes
    ----------
    active : ndarray of shape (captures,), bool
        The sensor works: its signal responds to the snap (a switching sensor switches).
    polarity_contradicts : ndarray of shape (captures,), bool
        The trace proves the opposite polarity to the register's: by what no engine does, or by full throttle, fuel cut
        and tip-in alike. Never of a ratio, which has no polarity.
    clipped : ndarray of shape (captures,), bool
        The signal reaches an end of its characteristic other than in fuel cut, where that is normal.
    swing : ndarray of shape (captures,)
        Highest less lowest value of the trace, smoothed so that noise adds nothing. [unit of richness]
    """

    active: Flags
    polarity_contradicts: Flags
    clipped: Flags
    swing: Floats


def no_flags(rows: int) -> TraceFlags:
    """Flags of traces that can't be read: nothing speaks against them.

    Parameters
    ----------
    rows : int
        How many.

    Returns
    -------
    TraceFlags
    """
    no = np.zeros(rows, dtype=np.bool_)
    return TraceFlags(~no, no, no.copy(), np.full(rows, np.nan))


class _Seen(NamedTuple):
    """Summary of each trace; `hold` to `early_low` are relative to idle. [unit of richness unless noted]"""

    lowest: Floats  # of the record
    highest: Floats
    at_end: Floats  # blocks at an end of the range
    idle: Floats
    idle_scatter: Floats  # standard deviation
    shown_s: Floats  # of the hold, once exhaust gas has arrived [s]
    hold: Floats  # level late in the hold
    hold_low: Floats  # lowest of the hold
    early_high: Floats  # highest of the early hold
    early_low: Floats  # lowest before that
    early_s: Floats  # how long that early excursion lasts [s]
    lean_share: Floats  # of the late hold [1]
    lean_s: Floats  # longest time lean after the release [s]
    rich_s: Floats  # longest time rich [s]
    too_rich_s: Floats  # longest time richer than an engine can be [s]


class _Limits(NamedTuple):
    """Thresholds for a trace, in richness: departures from idle, and the richest that burns."""

    margin: float
    cut: float
    too_far: float
    unburnt: float


@kernel
def _mean(x: Floats, first: int, stop: int) -> float:  # pragma: no cover - compiled
    """Mean of what was recorded between first and stop; NaN for nothing."""
    total, used = 0.0, 0
    for i in range(first, stop):
        if not np.isnan(x[i]):
            total += x[i]
            used += 1
    return total / used if used > 0 else np.nan


@kernel
def _scatter(s: Floats, first: int, stop: int) -> float:  # pragma: no cover - compiled
    """Standard deviation of what was recorded between first and stop; NaN for nothing."""
    mean, total, used = _mean(s, first, stop), 0.0, 0
    for i in range(first, stop):
        if not np.isnan(s[i]):
            total += (s[i] - mean) ** 2
            used += 1
    return np.sqrt(total / used) if used > 0 else np.nan


@kernel
def _see_hold(
    x: Floats, s: Floats, h: float, o: int, r: int, margin: float, out: Record
) -> None:  # pragma: no cover - compiled
    """The hold from opening to release, against the idle."""
    idle, late = out.idle, max(o + int(0.3 / h), o + (r - o) // 2)
    out.hold = _mean(x, late, r) - idle
    place = o
    for i in range(o, late):
        if s[i] > s[place] or np.isnan(s[place]):
            place = i
    out.early_high = s[place] - idle
    low = np.inf
    for i in range(o, place + 1):
        low = min(low, s[i] - idle)
    out.early_low = low
    half_height = idle + 0.5 * (s[place] - idle)
    a, b = place, place
    while a > o and s[a - 1] > half_height:
        a -= 1
    while b < r - 1 and s[b + 1] > half_height:
        b += 1
    out.early_s = (b - a + 1) * h
    low = np.inf
    for i in range(o, r):
        low = min(low, s[i] - idle)
    out.hold_low = low
    lean = 0
    for i in range(late, r):
        lean += s[i] < idle - margin
    out.lean_share = lean / (r - late) if r > late else np.nan


@kernel
def _see_after(
    s: Floats, h: float, r: int, stop: int, middle: float, far: float, rich_end: float, limits: _Limits, out: Record
) -> None:  # pragma: no cover - compiled
    """Longest times lean, rich and too rich after the release, `far` from `middle`."""
    leans, riches, too_riches, longest_lean, longest_rich, longest_too_rich = 0, 0, 0, 0, 0, 0
    for i in range(r, stop):
        leans = leans + 1 if s[i] < middle - far else 0
        riches = riches + 1 if s[i] > middle + far else 0
        too_rich = (s[i] > out.idle + limits.too_far or s[i] >= rich_end) and s[i] >= min(limits.unburnt, rich_end)
        too_riches = too_riches + 1 if too_rich else 0
        longest_lean = max(longest_lean, leans)
        longest_rich = max(longest_rich, riches)
        longest_too_rich = max(longest_too_rich, too_riches)
    out.lean_s, out.rich_s, out.too_rich_s = longest_lean * h, longest_rich * h, longest_too_rich * h


@kernel
def _see_rows(
    x: Floats,
    h: float,
    half: int,
    count: Codes,
    opening: Codes,
    release: Codes,
    stops: Stops,
    limits: _Limits,
    narrow: bool,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Fill `out` for every row."""
    s = np.empty(x.shape[1])
    for row in range(x.shape[0]):
        n, o, r = count[row], opening[row], min(release[row], count[row])
        moving_mean(x[row], 0, n, half, s)
        lowest, highest = np.inf, -np.inf
        for i in range(n):
            lowest, highest = min(lowest, s[i]), max(highest, s[i])
        seen = out[row]
        seen.lowest, seen.highest = lowest, highest
        at_end = 0
        normal = r if r > 0 else n
        for i in range(n):
            if x[row, i] >= stops.rich[row] or (i < normal and x[row, i] <= stops.lean[row]):
                at_end += 1
        seen.at_end = at_end
        if o < 0 or r - o < 8:
            continue
        before = max(0, o - int(1.0 / h))
        idle = _mean(x[row], before, o + 1)
        if np.isnan(idle):
            continue
        seen.idle = idle
        seen.idle_scatter = _scatter(s, before, o + 1)
        seen.shown_s = (r - o) * h - ARRIVED_S
        _see_hold(x[row], s, h, o, r, limits.margin, seen)
        middle = 0.5 * (lowest + highest) if narrow else idle
        far = 0.15 * (highest - lowest) if narrow else limits.cut
        _see_after(s, h, r, min(n, r + int(AFTER_S / h)), middle, far, stops.rich[row], limits, seen)


def _per_lambda(scale: LambdaScale, richness: Floats) -> Floats:
    """1/lambda of a richness, clipped at the ends of the characteristic."""
    return 1.0 / scale.lambda_of(np.clip(richness, scale.lean_end, scale.rich_end))


def trace_flags(
    x: Floats,
    scale: LambdaScale,
    *,
    interval_s: float,
    count: Codes,
    opening: Codes,
    release: Codes,
    noise: Floats,
    stops: Stops,
) -> TraceFlags:
    """Judge every trace as a whole.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    scale : LambdaScale
        Scale of x.
    interval_s : float
        Interval of the blocks. [s]
    count, opening, release : ndarray of shape (captures,), int
        Blocks recorded; block of the opening (-1: none) and of the release (`count`: none).
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    stops : Stops
        Ends of each trace.

    Returns
    -------
    TraceFlags

    Notes
    -----
    A healthy snap goes lean for a moment, then rich while the throttle is open, then lean in fuel cut. But everything
    arrives late, so a short hold may show only its beginning and the rich mixture after the release; and a snap may
    start out of a fuel cut, beside which all that follows is rich. What a contradiction takes away is the whole trace,
    so it needs proof: a signal that stays richer after the release than an engine can be, longer than lean; or, where
    no cut was recorded, a still idle, a short rich blip at the tip-in instead of a lean one, and then lean full throttle
    for long enough after exhaust gas has arrived. A van short of fuel is lean at full throttle but keeps its lean cut
    and its lean blip, so it is not flagged. Of a switching sensor: steadily lean at full throttle, as long, and then
    rich after the release. A ratio has no polarity.
    """
    half = max(0, int(0.01 / interval_s))
    table = empty_table(_Seen, x.shape[0])
    narrow = scale.form == "narrowband"
    unit = 1.0 if narrow else scale.per_lambda
    margin = 0.05 if narrow else 0.01 * unit
    unburnt = np.inf if narrow else float(scale.richness_of(np.full(1, UNBURNT_LAMBDA))[0])
    limits = _Limits(float(margin), float(CUT_LAMBDA * unit), float(IMPOSSIBLE_LAMBDA * unit), unburnt)
    _see_rows(x, interval_s, half, count, opening, release, stops, limits, narrow, table)
    seen = columns_of(_Seen, table)
    sigma = noise / np.sqrt(2.0 * half + 1.0)
    with np.errstate(invalid="ignore"):
        least = np.maximum(ACTIVE_NARROWBAND_V if narrow else ACTIVE_LAMBDA * unit, 6.0 * sigma)
        # without a snap a continuous sensor may stay still, a switching one for two seconds
        expects = (opening >= 0) | (narrow & (count * interval_s > 2.0))
        active = ~expects | (seen.highest - seen.lowest > least)
        if narrow:
            contradicts = _narrowband_contradicts(seen, sigma)
        elif scale.form == "inverse":
            contradicts = np.zeros_like(active)
        else:
            contradicts = _contradicts(seen, sigma, scale)
    return TraceFlags(active, contradicts & active, seen.at_end >= 3, seen.highest - seen.lowest)


def _lean_hold(seen: _Seen, wrong_side: Floats) -> Flags:
    """Full throttle is steadily lean."""
    return np.asarray((seen.hold < -wrong_side) & (seen.lean_share > 0.9))


def _narrowband_contradicts(seen: _Seen, sigma: Floats) -> Flags:
    """A switching sensor stays rich after the release and was lean before it, or gives an impossible voltage."""
    wrong_side = np.maximum(0.2, 5.0 * sigma)
    out = (seen.rich_s > NARROWBAND_CUT_S) & (seen.rich_s > 1.5 * seen.lean_s) & _lean_hold(seen, wrong_side)
    out &= seen.shown_s > SHOWN_S
    return np.asarray(out | (np.maximum(abs(seen.highest), abs(seen.lowest)) > NARROWBAND_MOST_V))


def _contradicts(seen: _Seen, sigma: Floats, scale: LambdaScale) -> Flags:
    """Whether full throttle, fuel cut and tip-in of a continuous sensor all show the opposite polarity."""
    unit = scale.per_lambda
    wrong_side = np.maximum(WRONG_SIDE_LAMBDA * unit, 5.0 * sigma)
    too_rich = (seen.too_rich_s > CUT_S) & (seen.too_rich_s > 1.5 * seen.lean_s)
    blip = seen.early_high > np.maximum(BLIP_LAMBDA * unit, 6.0 * sigma)
    high, idle, hold = (_per_lambda(scale, seen.idle + part) for part in (seen.early_high, 0.0, seen.hold))
    blip &= high - idle > BLIP_PART * (idle - hold)  # in 1/lambda, since volts are not symmetric about lambda 1
    blip &= (seen.early_s < BLIP_S) & (seen.hold_low > 1.5 * seen.hold - 4.0 * sigma)
    blip &= seen.early_low > -np.maximum(0.2 * seen.early_high, 4.0 * sigma)
    uncut = (seen.lean_s < CUT_S) & (seen.rich_s < CUT_S)
    blip &= (seen.idle_scatter < np.maximum(STILL_LAMBDA * unit, 3.0 * sigma)) & (seen.shown_s > SHOWN_S)
    return np.asarray(too_rich | (_lean_hold(seen, wrong_side) & uncut & blip))
