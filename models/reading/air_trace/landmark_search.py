"""Search for the landmarks of one snap, compiled: place and level of each.

Every function takes the flow trace `y` [g/s], the raw trace `x` [V, Hz or g/s], stretches in samples, and the snap's
record `out` of `models.reading.air_trace.landmark_table`. `models.reading.air_trace.landmarks` defines the landmarks.
"""

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.landmark_hold import hold_end, read_hold
from models.reading.air_trace.landmark_levels import (
    crossing,
    read_point,
    read_top,
    scatter,
)
from models.reading.air_trace.landmark_opening import read_idle_before, read_opening, rise_start
from models.reading.air_trace.landmark_release import read_after
from models.reading.air_trace.snap_detection import SnapList
from models.statistics.compiled import kernel
from models.statistics.records import Record
from models.statistics.window_levels import parabola

# A first peak is followed by a fall of at least this part of the snap's height, and a climb of this part of that. [1]
FALLS, CLIMBS = 0.05, 0.6
# That fall is at least so many times [1] as deep as any other within this time [s] of its dip.
CLEAR, SOON_S = 1.6, 0.12
# Firing ripple at idle, as a part of the flow, goes on while the manifold fills: a fall of this many times its standard
# deviation, at most of the second part of the snap's height, may be one of its waves (2.8 from crest to trough). [1]
RIPPLES, MOST_RIPPLE = 3.2, 0.15
# Too short a climb does not show the ripple [s]; it is then this many times that of idle, as a part of the flow. Sized on
# both simulators (1 to 3). [1]
SHORT_CLIMB_S, RIPPLE_OVER_IDLE = 0.1, 2.0
# A climb begins in the dip. Where none was told, a fall of this part of the snap's height within this time [s] says that the
# flow has one all the same, and from where it climbs is not known. [1]
HIDDEN_DIP, HIDDEN_WITHIN_S = 0.03, 0.4
# Half widths of the parabolas of first peak and dip. [s]
PEAK_HALF_S, DIP_HALF_S = 0.0125, 0.020
# With a half width of so few samples (below 330 Hz) the slow trace may be smoothed over up to twice the intended time.
# The dip is then where the fast trace is lowest, and each sample of its parabola stands for a whole interval. [samples]
FEW_SAMPLES = 2
# The first rise fills the manifold within about 0.1 s; no engine reaches its highest speed so soon. [s]
SHORTEST_RUN_UP_S = 0.15


@kernel
def _idle_ripple(fast: NDArray[np.float32], idle: Record, interval: float) -> float:  # pragma: no cover - compiled
    """Standard deviation of the fast trace over the last of the idle, as a part of it; 0 without one."""
    if not np.isfinite(idle.flow):
        return 0.0
    stop = int(idle.stop)
    first = max(int(idle.first), stop - int(0.3 / interval))
    level = 0.0
    for i in range(first, stop):
        level += fast[i]
    level /= stop - first
    return scatter(fast[first:stop], level) / max(level, 1e-9)


@kernel
def _later_fall(fast: NDArray[np.float32], first: int, end: int) -> float:  # pragma: no cover - compiled
    """Deepest later fall that is made good again by a half: ripple falls again and again, a first peak once."""
    deepest, fall, high, low = 0.0, 0.0, fast[first], fast[first]
    for i in range(first, end):
        if fast[i] > high:
            high = low = fast[i]
            fall = 0.0
        low = min(low, fast[i])
        fall = max(fall, float(high - low))
        if fast[i] - low >= 0.5 * fall:
            deepest = max(deepest, fall)
    return deepest


@kernel
def _first_peak_and_dip(
    fast: NDArray[np.float32], first: int, stop: int, end: int, soon: int, fall_limit: float, climb_limit: float
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Peak and valley of the earliest fall before `stop` that is nearly the deepest of those that climb again before
    `end`; -1 where there is none, or where the flow soon falls as deep again.
    """
    if stop <= first:
        return -1, -1
    after = np.empty(stop - first)
    highest = -np.inf
    for i in range(stop, end):
        highest = max(highest, float(fast[i]))
    for k in range(stop - first - 1, -1, -1):
        highest = max(highest, float(fast[first + k]))
        after[k] = highest
    deepest = fall_limit
    for again in range(2):
        peak = first
        for i in range(first + 1, stop):
            if fast[i] > fast[peak]:
                peak = i
            drop = fast[peak] - fast[i]
            if after[i - first] - fast[i] < climb_limit:
                continue
            if again == 0:
                deepest = max(deepest, drop)
            elif drop >= max(0.6 * deepest, fall_limit):
                valley = i
                j = i
                made_good = min(0.25 * drop, 2.0 * climb_limit)  # of two valleys the first is the dip
                while j < stop and fast[j] < fast[peak] and fast[j] < fast[valley] + made_good:
                    if fast[j] < fast[valley]:
                        valley = j
                    j += 1
                return (
                    (peak, valley) if drop >= CLEAR * _later_fall(fast, valley, min(valley + soon, end)) else (-1, -1)
                )
    return -1, -1


@kernel
def _notches(
    slow: NDArray[np.float32], first: int, stop: int, limit: float, noise: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Count of falls by more than `limit`, each followed by as large a rise, and its u: half a count for one near
    noise.
    """
    found, variance = 0.0, 0.0
    high, low, falling = slow[first], slow[first], False
    for i in range(first, stop):
        value = slow[i]
        if not falling:
            high = max(high, value)
            if high - value > limit:
                falling, low = True, value
        else:
            low = min(low, value)
            if value - low > limit:
                found += 1.0
                if high - low - limit < 2.0 * noise:
                    variance += 0.25
                falling, high = False, value
    return found, np.sqrt(variance + 1.0 / 12.0)


@kernel
def _read_first_peak(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    start: int,
    on: int,
    end: int,
    idle: float,
    interval: float,
    slow_half: int,
    noise_fast: float,
    out: Record,
) -> int:  # pragma: no cover - compiled
    """First peak and dip; the sample of the dip, -1 for none."""
    top = float(slow[on])
    for i in range(on, end):
        top = max(top, float(slow[i]))
    search_stop = min(start + int(0.6 / interval), end)
    fall_limit = max(FALLS * (top - idle), 6.0 * noise_fast)
    fall_limit = max(
        fall_limit, min(RIPPLES * _idle_ripple(fast, out.idle, interval) * top, MOST_RIPPLE * (top - idle))
    )
    peak, valley = _first_peak_and_dip(
        fast, start, search_stop, end, int(SOON_S / interval), fall_limit, CLIMBS * fall_limit
    )
    if (peak - start) * interval > 0.4 or peak <= first:  # too late, or the record begins on a falling flank
        peak, valley = -1, -1
    if peak > 0:
        read_top(y, x, peak, max(int(PEAK_HALF_S / interval + 0.01), 1), start, end, out.first_peak)
        half = max(int(DIP_HALF_S / interval + 0.01), 1)
        if slow_half > FEW_SAMPLES:
            reach = int(0.04 / interval)
            lowest = max(
                valley - reach, peak
            )  # the dip is wide, and ripple moves the lowest sample of the slow trace less
            for i in range(lowest, min(valley + reach + 1, search_stop)):
                if slow[i] < slow[lowest]:
                    lowest = i
            valley = lowest
        else:
            half = max(int(DIP_HALF_S / interval - 0.49), 1)
        read_point(y, x, valley, half, peak, end, out.dip)
    return valley


@kernel
def _deepest_fall(slow: NDArray[np.float32], first: int, stop: int) -> float:  # pragma: no cover - compiled
    """Deepest fall of the flow below what it was before. [g/s]"""
    deepest = 0.0
    high = float(slow[first])
    for i in range(first, stop):
        high = max(high, float(slow[i]))
        deepest = max(deepest, high - float(slow[i]))
    return deepest


@kernel
def _read_climb(
    slow: NDArray[np.float32],
    base_at: int,
    base: float,
    hold_stop: int,
    interval: float,
    noise_slow: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Slope and notches of the climb from `base` at sample `base_at`, and the end of the run-up."""
    main = out.main_peak.flow
    a, sa = crossing(slow, base_at, hold_stop, base + 0.1 * (main - base), True)
    b, sb = crossing(slow, base_at, hold_stop, base + 0.9 * (main - base), True)
    hidden = False
    if not np.isfinite(out.dip.flow):
        within = min(base_at + int(HIDDEN_WITHIN_S / interval), hold_stop)
        hidden = _deepest_fall(slow, base_at, within) > HIDDEN_DIP * main
    if main - base > 0.1 * main and b > a and not hidden:
        out.climb_10.at, out.climb_10.slope, out.climb_90.at, out.climb_90.slope = a, sa, b, sb
        out.climb_height = 0.8 * (main - base)
        limit = max(0.03 * main, 6.0 * noise_slow)
        out.notches, out.notches_u = _notches(slow, base_at, int(b) + 1, limit, noise_slow)
    earliest = base_at
    if np.isfinite(out.opening.at):
        earliest = max(base_at, int(out.opening.at + SHORTEST_RUN_UP_S / interval))
    if earliest < hold_stop and slow[earliest] < 0.95 * main:
        out.run_up.at, out.run_up.slope = crossing(slow, earliest, hold_stop, 0.95 * main, True)


@kernel
def read_snap(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    bounds: tuple[int, int, int, int],
    interval: float,
    halves: tuple[int, int],
    noise: NDArray[np.float64],
    reported: bool,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Read one snap.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    fast, slow : ndarray of shape (samples,), float32
        The two smoothed flows. [g/s]
    bounds : tuple of int
        Where the snap goes on and off; first and stop of its stretch. [samples]
    interval : float
        Sampling interval. [s]
    halves : tuple of int
        Half widths of one of the running means behind `fast` and `slow`. [samples]
    noise : ndarray of shape (3,)
        Standard deviation of the noise of `fast` at idle, of `fast` and of `slow` at the main peak. [g/s]
    reported : bool
        The flow was reported by a control unit: its noise grows with the flow and is read anew at the main peak.
    out : record of `models.reading.air_trace.landmark_table.LandmarkTable`
        Filled in.
    """
    on, off, first, stop = bounds
    fast_half, slow_half = halves
    start = rise_start(y, fast, first, on, interval, noise[0])
    out.rise_start = start
    read_idle_before(y, x, first, start, interval, fast_half, out)
    idle = out.idle.flow
    if not np.isfinite(idle):  # the record begins in the rise or the hold: nothing is known but what follows
        idle = float(fast[start])
        for i in range(off, stop):
            idle = min(idle, float(fast[i]))
    end = hold_end(slow, on, off, stop, idle, interval)
    valley = _read_first_peak(y, x, fast, slow, first, start, on, end, idle, interval, slow_half, noise[1], out)
    climb = valley if valley > 0 else on
    out.ripple = _ripple(y, climb, end, int(0.15 / interval)) if interval < 0.011 else 0.0
    if (end - climb) * interval < SHORT_CLIMB_S:
        out.ripple = max(out.ripple, RIPPLE_OVER_IDLE * _idle_ripple(fast, out.idle, interval))
    hold_first = valley if valley > 0 else min(on, off - 1)
    # the fall itself is smeared over the smoothing; the top sample belongs to the hold
    hold_stop = end if end == off else max(end + 1 - 2 * slow_half, hold_first + 1)
    read_hold(y, x, fast, slow, hold_first, hold_stop, end, stop, idle, interval, slow_half, noise[2], reported, out)
    rise_top = read_opening(fast, first, start, end, idle, interval, out)
    base_at = valley if valley > 0 else int(out.opening.at) if np.isfinite(out.opening.at) else on
    base = out.dip.flow if valley > 0 else rise_top
    _read_climb(slow, base_at, base, hold_stop, interval, noise[2], out)
    back = min(max(int(0.08 / interval), 2), hold_stop - hold_first - 1)
    if back >= 2:
        slope = (slow[hold_stop - 1] - slow[hold_stop - back]) / ((back - 1) * interval)
        out.end_slope = slope / out.main_peak.flow
    if np.isfinite(out.release.at):
        at_idle = noise[0] * noise[2] / noise[1] if noise[1] > 0.0 else 0.0
        read_after(y, x, fast, slow, stop, interval, at_idle, out)


@kernel
def _ripple(y: NDArray[np.float32], first: int, stop: int, span: int) -> float:  # pragma: no cover - compiled
    """Ripple and noise early in the climb: scatter about a parabola, as a part of the flow."""
    stop = min(first + span, stop)
    if stop - first < 12:
        return 0.0
    n = stop - first
    scale = 2.0 / n
    second = (n * n - 1.0) / 12.0 * scale * scale
    mean, tilt, bend, _ = parabola(y, first, stop)
    total = 0.0
    for k in range(n):
        u = (k - 0.5 * (n - 1)) * scale
        total += (y[first + k] - mean - tilt * u - bend * (u * u - second)) ** 2
    return float(np.sqrt(total / (n - 3)) / max(mean, 1e-9))


@kernel
def read_snaps(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    snaps: SnapList,
    interval: float,
    halves: tuple[int, int],
    noise: NDArray[np.float64],
    reported: bool,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Read every snap of a stack: `read_snap` row by row.

    Parameters
    ----------
    y, x, fast, slow : ndarray of shape (captures, samples), float32
        Flow, raw trace and the two smoothed flows. [g/s], [V, Hz or g/s], [g/s], [g/s]
    snaps : SnapList
        Where the snaps are.
    interval : float
        Sampling interval. [s]
    halves : tuple of int
        As for `read_snap`. [samples]
    noise : ndarray of shape (snaps, 3)
        As for `read_snap`. [g/s]
    reported : bool
        The flow was reported by a control unit.
    out : records of `models.reading.air_trace.landmark_table.LandmarkTable`, shape (snaps,)
        Filled in.
    """
    for s in range(snaps.row.size):
        row = snaps.row[s]
        bounds = (snaps.on[s], snaps.off[s], snaps.first[s], snaps.stop[s])
        read_snap(y[row], x[row], fast[row], slow[row], bounds, interval, halves, noise[s], reported, out[s])
