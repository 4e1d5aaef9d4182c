"""Compiled reading of one snap: where each landmark lies and at which level, in samples and flow.

Every function takes the flow trace `y` [g/s], the raw trace `x` and stretches in samples. The columns
written are named below; what they mean is defined in `models.landmarks`.
"""

import numpy as np
from numpy.typing import NDArray

from models.kernel import kernel
from models.sample_noise import sample_noise
from models.smoothing import block_mean, parabola_at, parabola_top, smoothing_gain, tapered_mean, tapered_parabola_at

(
    RISE_START, IDLE_FIRST, IDLE_STOP, IDLE, IDLE_U, IDLE_RAW, IDLE_RAW_U, IDLE_DRIFT, IDLE_SCATTER,
    OPENING, OPENING_SLOPE,
    FIRST_PEAK_AT, FIRST_PEAK, FIRST_PEAK_RAW, FIRST_PEAK_GAIN, FIRST_PEAK_SHAPE,
    DIP_AT, DIP, DIP_RAW, DIP_GAIN, DIP_SHAPE,
    MAIN_AT, MAIN, MAIN_RAW, MAIN_GAIN, MAIN_FIRST, MAIN_STOP, MAIN_SPREAD, MAIN_SCATTER, MAIN_NEAR, MAIN_UNEVEN, MAIN_UNEVEN_TOP, MAIN_RISE,
    CLIMB_10, CLIMB_10_SLOPE, CLIMB_90, CLIMB_90_SLOPE, CLIMB_HEIGHT, NOTCHES, NOTCHES_U, RUN_UP, RUN_UP_SLOPE, END_SLOPE,
    HOLD_STOP, RELEASE, RELEASE_SLOPE, FALL_90, FALL_90_SLOPE, FALL_10, FALL_10_SLOPE,
    PULSE_AT, PULSE, PULSE_RAW,
    LOW_AT, LOW, LOW_RAW, LOW_GAIN, LOW_SHAPE,
    RIPPLE, TOP_NOISE, SETTLE, SETTLE_U, AFTER_FIRST, AFTER_STOP, AFTER, AFTER_U, AFTER_RAW, AFTER_RAW_U, AFTER_DRIFT, AFTER_SCATTER,
    COLUMNS,
) = range(71)  # fmt: skip

# With the throttle open the manifold stands near the barometer, at idle near a third of it: at the same speed the
# engine then draws about three times its idle flow. A fall to less than this much of it is a throttle that closed.
DIP_TIMES_IDLE = 1.5
# Half widths of the parabolas of first peak and dip. [s]
PEAK_HALF_S, DIP_HALF_S = 0.0125, 0.020
# As a part of one of its two running means, how far apart places of a smoothed white noise count as independent for
# its highest: by simulation, within 10 % from 60 to 3000 samples.
SMOOTHED_APART = 0.62
# Standard deviation of d² for d even over ±1/2: sqrt(1/80 - 1/144).
MISSED_VERTEX = 0.0745
# The first rise fills the manifold within about 0.1 s; no engine reaches its highest speed so soon. [s]
SHORTEST_RUN_UP_S = 0.15


@kernel
def crossing(
    y: NDArray[np.float32], first: int, stop: int, level: float, up: bool
) -> tuple[float, float]:  # pragma: no cover - compiled
    """First crossing of `level` in y[first:stop], between samples, and the slope per sample there; NaN for none."""
    for i in range(first, stop - 1):
        a, b = y[i], y[i + 1]
        if (up and a < level <= b) or (not up and a > level >= b):
            left, right = max(i - 1, 0), min(i + 2, y.size - 1)
            around, step = (y[right] - y[left]) / (right - left), b - a
            return i + (level - a) / step, step if abs(step) > 2.0 * abs(around) else around
    return np.nan, np.nan


@kernel
def scatter(x: NDArray[np.float32], first: int, stop: int, level: float) -> float:  # pragma: no cover - compiled
    """Standard deviation of samples about a level: noise and ripple together."""
    total = 0.0
    for i in range(first, stop):
        total += (x[i] - level) ** 2
    return float(np.sqrt(total / max(stop - first, 1)))


@kernel
def _read_idle(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    first: int,
    stop: int,
    interval: float,
    left_out: float,
    out: NDArray[np.float64],
    column: int,
) -> None:  # pragma: no cover - compiled
    """Level, uncertainty and drift of a steady stretch in flow and raw signal (IDLE… or AFTER… order).

    `left_out` is the part of the steady flow that the stretch leaves aside: the level may stand elsewhere there.
    """
    blocks = min(max(int((stop - first) * interval / 0.07), 5), 24)
    level, u, drift, wander = block_mean(y, first, stop, blocks)
    raw, raw_u, raw_drift, raw_wander = block_mean(x, first, stop, blocks)
    out[column], out[column + 1] = level, np.hypot(u, left_out * np.hypot(wander, 0.5 * drift))
    out[column + 2], out[column + 3] = raw, np.hypot(raw_u, left_out * np.hypot(raw_wander, 0.5 * raw_drift))
    out[column + 4] = drift / max(abs(level), 1e-9)
    out[column + 5] = scatter(x, first, stop, raw)


@kernel
def _rise_start(
    y: NDArray[np.float32], fast: NDArray[np.float32], first: int, on: int, interval: float, noise: float
) -> int:  # pragma: no cover - compiled
    """Last sample before `on` at which the flow is still at its idle."""
    stop = max(on - int(0.1 / interval), first + 1)
    if stop - first < 3:
        stop = min(first + 3, on)
    stretch = fast[max(first, stop - int(1.0 / interval) - 3) : stop]
    if stretch.size == 0:
        return first
    stride = max(1, stretch.size // 64)
    idle = np.median(stretch[::stride])
    level = idle + max(4.0 * noise, 0.03 * (fast[on] - idle) * 4.0)
    i = on
    while i > first and fast[i] > level:
        i -= 1
    return i


@kernel
def _first_peak_and_dip(
    fast: NDArray[np.float32], first: int, stop: int, idle: float, drop_limit: float
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Earliest peak and valley of nearly the deepest fall that recovers; -1 where there is none."""
    deepest = 0.0
    for again in range(2):
        peak = first
        for i in range(first + 1, stop):
            if fast[i] > fast[peak]:
                peak = i
            drop = fast[peak] - fast[i]
            if again == 0:
                deepest = max(deepest, drop)
            elif drop >= 0.6 * deepest:
                valley = i
                j = i
                while j < stop and fast[j] < fast[peak] and fast[j] < fast[valley] + 0.25 * drop:
                    if fast[j] < fast[valley]:
                        valley = j
                    j += 1
                return (peak, valley) if fast[valley] >= DIP_TIMES_IDLE * idle else (-1, -1)
        if deepest < drop_limit:
            return -1, -1
    return -1, -1


@kernel
def _read_point(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    at: int,
    half: int,
    first: int,
    stop: int,
    out: NDArray[np.float64],
    column: int,
) -> None:  # pragma: no cover - compiled
    """Place, flow, raw level, noise gain and doubt of shape of a rounded peak or valley, by a parabola over ±half samples.

    The doubt is what a parabola over half the width says else: a peak is no parabola, and ripple bends it. Of three
    samples the parabola is exact; one sample of them misses its vertex by the bend times a square that is even over
    ±1/2, and as much is in doubt.
    """
    a, b = max(at - half, first), min(at + half + 1, stop)
    level, raw, gain, shape = float(y[at]), float(x[at]), 1.0, 0.0
    if b - a >= 5:
        level, gain = parabola_at(y, a, b, float(at))
        raw, _ = parabola_at(x, a, b, float(at))
        a, b = max(at - half // 2, first), min(at + half // 2 + 1, stop)
        narrow = parabola_at(y, a, b, float(at))[0] if b - a >= 5 else float(y[at])
        shape = abs(narrow - level)
    elif b - a == 3:
        bend, tilt = level - 0.5 * (float(y[a]) + float(y[b - 1])), 0.5 * (float(y[b - 1]) - float(y[a]))
        level += 0.25 * tilt * tilt / bend if abs(tilt) < abs(bend) else 0.0
        shape = MISSED_VERTEX * abs(bend)
    out[column], out[column + 1], out[column + 2], out[column + 3], out[column + 4] = at, level, raw, gain, shape


@kernel
def _read_top(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    at: int,
    half: int,
    first: int,
    stop: int,
    out: NDArray[np.float64],
    column: int,
) -> None:  # pragma: no cover - compiled
    """The same for a peak, read where the parabola is highest: ripple moves the highest sample, the parabola less."""
    _read_point(y, x, at, half, first, stop, out, column)
    a, b = max(at - half, first), min(at + half + 1, stop)
    if b - a < 5:
        return
    place, level = parabola_top(y, a, b, float(at))
    raw, _ = parabola_at(x, a, b, place)
    out[column + 1], out[column + 2] = level, raw
    a, b = max(at - half // 2, first), min(at + half // 2 + 1, stop)
    narrow = parabola_top(y, a, b, float(at))[1] if b - a >= 5 else float(y[at])
    out[column + 4] = abs(narrow - level)


@kernel
def _read_main_peak(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    stop: int,
    slow_half: int,
    interval: float,
    noise: float,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """The main peak as a level: see `models.landmarks`."""
    at = first
    for i in range(first, stop):
        if slow[i] > slow[at]:
            at = i
    allowance = 0.005 * slow[at] + 4.0 * noise
    a, b = at, at + 1
    while a > first and slow[a - 1] >= slow[at] - allowance:
        a -= 1
    while b < stop and slow[b] >= slow[at] - allowance:
        b += 1
    taper = 2 * slow_half
    if (b - a) * interval >= 0.08 and b - a >= 4 * max(taper, 1):
        level, gain = tapered_mean(y, a, b, taper)
        raw, _ = tapered_mean(x, a, b, taper)
    else:
        half = max(int(0.04 / interval), 1)
        a, b = max(at - half, first), min(at + half + 1, stop)
        if b - a < 2 * half + 1:  # at an end: take the whole width inwards
            a, b = (a, min(a + 2 * half + 1, stop)) if a == first else (max(b - 2 * half - 1, first), b)
        if b - a >= 7:
            level, gain = tapered_parabola_at(y, a, b, float(at))
            raw, _ = tapered_parabola_at(x, a, b, float(at))
        else:
            level, raw, gain = float(y[at]), float(x[at]), 1.0
    out[MAIN_AT], out[MAIN], out[MAIN_RAW], out[MAIN_GAIN] = at, level, raw, gain
    out[MAIN_FIRST], out[MAIN_STOP] = a, b
    out[MAIN_SPREAD], out[MAIN_SCATTER], out[MAIN_RISE] = slow[at] - level, scatter(x, a, b, raw), 0.0
    near, upper, total, square, all_total, all_square = 0, 0, 0.0, 0.0, 0.0, 0.0
    for i in range(a, b):
        below = float(slow[at] - slow[i])
        all_total += below
        all_square += below * below
        if below <= 6.0 * noise:  # what lies deeper, as at the stretch's ends, is not where the top is
            upper += 1
            total += below
            square += below * below
        if below <= 3.0 * noise:
            near += 1
    out[MAIN_UNEVEN] = np.sqrt(max(all_square / (b - a) - (all_total / (b - a)) ** 2, 0.0))
    out[MAIN_UNEVEN_TOP] = np.sqrt(max(square / upper - (total / upper) ** 2, 0.0))
    out[MAIN_NEAR] = 1.0 + near / (SMOOTHED_APART * (2.0 * slow_half + 1.0))


@kernel
def _read_rise(
    slow: NDArray[np.float32], first: int, stop: int, slow_half: int, interval: float, out: NDArray[np.float64]
) -> None:  # pragma: no cover - compiled
    """What a flow that still climbs when the hold ends gains over the last samples, which the smoothing mixes with the fall."""
    back = max(int(0.08 / interval), 2)
    end = stop - 1 - 2 * slow_half
    if end - back < first or out[MAIN_AT] < end - slow_half:
        return
    slope = (float(slow[end]) - float(slow[end - back])) / back
    out[MAIN_RISE] = max(slow[end] + slope * (stop - 1 - end) - slow[int(out[MAIN_AT])], 0.0)


@kernel
def _notches(
    slow: NDArray[np.float32], first: int, stop: int, limit: float, noise: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Count falls of more than `limit` in a climb, each ended by as large a rise, and their u: a whole number's, half a count where noise decides."""
    found, doubtful = 0.0, 0.0
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
                    doubtful += 0.25
                falling, high = False, value
    return found, np.sqrt(doubtful + 1.0 / 12.0)


@kernel
def _pulse_after(
    fast: NDArray[np.float32], first: int, stop: int
) -> tuple[int, float, int]:  # pragma: no cover - compiled
    """Highest peak above the lower of the two valleys beside it: where, how high, and its base."""
    n = stop - first
    if n < 5:
        return -1, np.nan, -1
    after = np.empty(n, dtype=np.int64)
    lowest = n - 1
    for k in range(n - 1, -1, -1):
        if fast[first + k] < fast[first + lowest]:
            lowest = k
        after[k] = lowest
    best, at, base, low = 0.0, first, first, 0
    for k in range(n):
        if fast[first + k] < fast[first + low]:
            low = k
        before, behind = fast[first + low], fast[first + after[k]]
        height = fast[first + k] - max(before, behind)
        if height > best:
            best, at = height, first + k
            base = first + low if before >= behind else first + after[k]
    return at, best, base


@kernel
def _settle(
    slow: NDArray[np.float32], first: int, stop: int, level: float, band: float, stay: int
) -> float:  # pragma: no cover - compiled
    """First sample from which the flow stays within `band` of `level`; NaN when it has not for `stay` samples."""
    last = stop
    while last > first and abs(slow[last - 1] - level) <= band:
        last -= 1
    return float(last) if stop - last >= stay else np.nan


@kernel
def read_after(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    stop: int,
    interval: float,
    noise_slow: float,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """What follows the release: fall, pulse, undershoot, settle and idle after."""
    idle, release = out[IDLE], out[RELEASE]
    start = int(release)
    top = float(slow[int(out[HOLD_STOP]) - 1])
    at_90, at_10 = top - 0.1 * (top - idle), idle + 0.1 * (top - idle)
    back = int(out[MAIN_AT])
    for i in range(start, back, -1):  # last crossing of 90 % before the half height
        if fast[i] < at_90 <= fast[i - 1]:
            out[FALL_90], out[FALL_90_SLOPE] = crossing(fast, i - 1, i + 1, at_90, False)
            break
    out[FALL_10], out[FALL_10_SLOPE] = crossing(fast, start, stop, at_10, False)
    bottom = out[FALL_10] if np.isfinite(out[FALL_10]) else release
    pulse_stop = min(int(release + 0.6 / interval) + 1, stop)
    at, height, base = _pulse_after(fast, min(int(bottom), pulse_stop), pulse_stop)
    if at >= 0:
        out[PULSE_AT], out[PULSE] = at, height
        half = max(int(0.003 / interval), 0)
        up, _ = tapered_mean(x, max(at - half, 0), min(at + half + 1, stop), 0)
        down, _ = tapered_mean(x, max(base - half, 0), min(base + half + 1, stop), 0)
        out[PULSE_RAW] = max(up - down, 0.0)
    low = start
    for i in range(start, min(int(release + 2.0 / interval) + 1, stop)):
        if slow[i] < slow[low]:
            low = i
    _read_point(y, x, low, max(int(0.025 / interval), 1), start, stop, out, LOW_AT)
    first = max(int(release + 1.5 / interval), stop - int(1.5 / interval))
    if stop - first > max(6, int(0.3 / interval)):
        _read_idle(y, x, first, stop, interval, 0.0, out, AFTER)
        out[AFTER_FIRST], out[AFTER_STOP] = first, stop
    level = out[AFTER] if np.isfinite(out[AFTER]) else idle
    band = max(0.1 * level, 4.0 * noise_slow)
    out[SETTLE] = _settle(slow, start, stop, level, band, int(0.4 / interval))
    if np.isfinite(out[SETTLE]):
        i = min(max(int(out[SETTLE]), 2), stop - 3)
        slope = abs(slow[i + 2] - slow[i - 2]) / 4.0 + 1e-9
        out[SETTLE_U] = min(0.1 * level / 8.0 / slope, 0.15 / interval)


@kernel
def _hold_stop(
    slow: NDArray[np.float32], main_at: int, release: float, stop: int, slow_half: int
) -> int:  # pragma: no cover - compiled
    """Sample at which the fall begins: back from the half height to where it is a tenth as steep, less the smoothing."""
    if not np.isfinite(release):
        return stop
    i = int(release)
    steepest = 0.0
    while i > main_at + 1:
        fall = slow[i - 1] - slow[i]
        steepest = max(steepest, fall)
        if fall < 0.1 * steepest:
            break
        i -= 1
    return max(i - 2 * slow_half, main_at - 2 * slow_half, 1)


@kernel
def read_snap(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    snap: NDArray[np.int64],
    interval: float,
    halves: tuple[int, int],
    noise: NDArray[np.float64],
    reported: bool,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Read one snap. `snap` is on, off, first, stop; `noise` that of y at idle, of fast and of slow (at the top).

    Of a flow that a control unit reported the noise at the top is told anew: it grows with the flow, and no ripple is in it.
    """
    on, off, first, stop = snap[0], snap[1], snap[2], snap[3]
    fast_half, slow_half = halves
    start = _rise_start(y, fast, first, on, interval, noise[0])
    out[RISE_START] = start
    guard = 2 * fast_half + min(int(0.06 / interval), (start - first) // 8)
    idle_stop = start - guard
    idle_first = max(first, idle_stop - int(3.0 / interval))
    if first > 0:  # leave the previous snap's return to idle alone
        idle_first = max(idle_first, min(first + int(1.0 / interval), (first + idle_stop) // 2))
    if idle_stop - idle_first >= max(3, int(0.05 / interval)):
        left_out = (start - idle_stop) / (start - idle_first)
        _read_idle(y, x, idle_first, idle_stop, interval, left_out, out, IDLE)
        out[IDLE_FIRST], out[IDLE_STOP] = idle_first, idle_stop
    idle = out[IDLE] if np.isfinite(out[IDLE]) else float(fast[start])
    top = float(slow[on])
    for i in range(on, off):
        top = max(top, float(slow[i]))
    search_stop = min(start + int(0.6 / interval), off)
    drop_limit = max(0.05 * (top - idle), 6.0 * noise[1])
    peak, valley = _first_peak_and_dip(fast, start, search_stop, idle, drop_limit)
    if peak > 0 and (valley >= search_stop - 1 or (peak - start) * interval > 0.4):
        peak, valley = -1, -1
    if peak > 0:
        _read_top(y, x, peak, max(int(PEAK_HALF_S / interval + 0.01), 1), start, off, out, FIRST_PEAK_AT)
        reach = int(0.04 / interval)
        lowest = max(valley - reach, peak)  # the dip is wide: ripple moves the lowest sample of the slow trace less
        for i in range(lowest, min(valley + reach + 1, search_stop)):
            if slow[i] < slow[lowest]:
                lowest = i
        valley = lowest
        _read_point(y, x, valley, max(int(DIP_HALF_S / interval + 0.01), 1), peak, off, out, DIP_AT)
    out[RIPPLE] = _ripple(y, valley if valley > 0 else on, off, int(0.15 / interval)) if interval < 0.011 else 0.0
    main_start = valley if valley > 0 else min(on, off - 1)
    _read_main_peak(y, x, slow, main_start, off, slow_half, interval, noise[2], out)
    release, slope = crossing(fast, int(out[MAIN_AT]), stop, idle + 0.5 * (out[MAIN] - idle), False)
    out[RELEASE], out[RELEASE_SLOPE] = release, slope
    hold_stop = _hold_stop(slow, int(out[MAIN_AT]), release, off, slow_half)
    hold_stop = max(hold_stop, main_start + 1)
    out[HOLD_STOP] = hold_stop
    out[TOP_NOISE] = sample_noise(y, max(hold_stop - int(0.4 / interval), main_start), hold_stop, 1, -np.inf, np.inf)
    top_noise = max(noise[2], smoothing_gain(slow_half) * out[TOP_NOISE]) if reported else noise[2]
    _read_main_peak(y, x, slow, main_start, hold_stop, slow_half, interval, top_noise, out)
    _read_rise(slow, main_start, hold_stop, slow_half, interval, out)
    main = out[MAIN]
    release, slope = crossing(fast, int(out[MAIN_AT]), stop, idle + 0.5 * (main - idle), False)
    out[RELEASE], out[RELEASE_SLOPE] = release, slope
    # the first rise ends at the first peak, or where the flow stops rising steeply
    rise_top = out[FIRST_PEAK]
    if peak < 0:
        rise_top = _knee(fast, start, int(out[MAIN_AT]), max(int(0.010 / interval), 1))
    out[OPENING], out[OPENING_SLOPE] = crossing(fast, start, off, idle + 0.5 * (rise_top - idle), True)
    # climb
    base_at = valley if valley > 0 else int(out[OPENING]) if np.isfinite(out[OPENING]) else on
    base = out[DIP] if valley > 0 else rise_top
    a, sa = crossing(slow, base_at, hold_stop, base + 0.1 * (main - base), True)
    b, sb = crossing(slow, base_at, hold_stop, base + 0.9 * (main - base), True)
    if main - base > 0.1 * main and b > a:
        out[CLIMB_10], out[CLIMB_10_SLOPE], out[CLIMB_90], out[CLIMB_90_SLOPE] = a, sa, b, sb
        out[CLIMB_HEIGHT] = 0.8 * (main - base)
        limit = max(0.03 * main, 6.0 * noise[2])
        out[NOTCHES], out[NOTCHES_U] = _notches(slow, base_at, int(b) + 1, limit, noise[2])
    earliest = base_at
    if np.isfinite(out[OPENING]):
        earliest = max(base_at, int(out[OPENING] + SHORTEST_RUN_UP_S / interval))
    if earliest < hold_stop and slow[earliest] < 0.95 * main:
        out[RUN_UP], out[RUN_UP_SLOPE] = crossing(slow, earliest, hold_stop, 0.95 * main, True)
    back = max(int(0.08 / interval), 2)
    if hold_stop - back > main_start:
        out[END_SLOPE] = (slow[hold_stop - 1] - slow[hold_stop - back]) / ((back - 1) * interval) / main
    if np.isfinite(out[RELEASE]):
        read_after(y, x, fast, slow, stop, interval, noise[2], out)


@kernel
def _ripple(y: NDArray[np.float32], first: int, stop: int, span: int) -> float:  # pragma: no cover - compiled
    """Ripple and noise early in the climb: scatter about a parabola, as a part of the flow."""
    stop = min(first + span, stop)
    if stop - first < 12:
        return 0.0
    total, level = 0.0, 0.0
    middle, _ = parabola_at(y, first, stop, 0.5 * (first + stop - 1))
    early, _ = parabola_at(y, first, stop, float(first))
    late, _ = parabola_at(y, first, stop, float(stop - 1))
    for i in range(first, stop):
        u = 2.0 * (i - first) / (stop - 1 - first) - 1.0
        fitted = middle + 0.5 * (late - early) * u + (0.5 * (late + early) - middle) * u * u
        total += (y[i] - fitted) ** 2
        level += fitted
    return float(np.sqrt(total * (stop - first)) / max(level, 1e-9))


@kernel
def _knee(fast: NDArray[np.float32], start: int, stop: int, span: int) -> float:  # pragma: no cover - compiled
    """Level at which the first rise loses four fifths of its steepness."""
    steepest = 0.0
    for i in range(start, max(stop - span, start)):
        rise = float(fast[i + span] - fast[i])
        if rise > steepest:
            steepest = rise
        elif rise < 0.2 * steepest:
            return float(fast[i])
    return float(fast[max(stop, start)])


@kernel
def read_snaps(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    rows: NDArray[np.int64],
    snaps: NDArray[np.int64],
    interval: float,
    halves: tuple[int, int],
    noise: NDArray[np.float64],
    reported: bool,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Read every snap of a stack: see `read_snap`."""
    for s in range(rows.size):
        row = rows[s]
        read_snap(y[row], x[row], fast[row], slow[row], snaps[s], interval, halves, noise[s], reported, out[s])
