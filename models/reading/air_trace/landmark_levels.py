"""Levels and crossings of one snap, compiled: steady stretches, rounded peaks, the main peak."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel, sum_kernel
from models.statistics.records import Record
from models.statistics.window_levels import block_mean, parabola_at, parabola_top, tapered_mean, tapered_parabola_at

# Distance at which places of smoothed white noise count as independent for its maximum, as a part of the width of one
# of the two running means: by simulation, within 10 % from 60 to 3000 samples. [1]
SMOOTHED_APART = 0.62
# A top is as wide as the flow stays above this part of it. [1]
NEAR_TOP = 0.9
# Standard deviation of d² for d uniform over ±1/2: sqrt(1/80 - 1/144). [1]
MISSED_VERTEX = 0.0745


@kernel
def crossing(
    y: NDArray[np.float32], first: int, stop: int, level: float, up: bool
) -> tuple[float, float]:  # pragma: no cover - compiled
    """First crossing of a level, between samples.

    Parameters
    ----------
    y : ndarray of shape (samples,), float32
        Trace. [g/s]
    first, stop : int
        Stretch to look at. [samples]
    level : float
        Level to cross. [g/s]
    up : bool
        The trace rises through it; else it falls.

    Returns
    -------
    at, slope : float
        Place and slope there; NaN for none. [samples], [g/s per sample]
    """
    for i in range(first, stop - 1):
        a, b = y[i], y[i + 1]
        if (up and a < level <= b) or (not up and a > level >= b):
            left, right = max(i - 1, 0), min(i + 2, y.size - 1)
            around, step = (y[right] - y[left]) / (right - left), b - a
            return i + (level - a) / step, step if abs(step) > 2.0 * abs(around) else around
    return np.nan, np.nan


@sum_kernel
def scatter(x: NDArray[np.float32], level: float) -> float:  # pragma: no cover - compiled
    """Standard deviation of samples about a level: noise and ripple together.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Raw samples. [V, Hz or g/s]
    level : float
        Their level. [unit of x]

    Returns
    -------
    float
        [unit of x]
    """
    total = 0.0
    for i in range(x.size):
        total += (x[i] - level) ** 2
    return float(np.sqrt(total / max(x.size, 1)))


@kernel
def read_idle(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    first: int,
    stop: int,
    interval: float,
    left_out: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Level, uncertainty and drift of a steady stretch.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    first, stop : int
        The stretch. [samples]
    interval : float
        Sampling interval. [s]
    left_out : float
        Part of the steady flow outside the stretch, where the level may differ. [1]
    out : record of `models.reading.air_trace.landmark_table.Steady`
        Filled in.
    """
    blocks = min(max(int((stop - first) * interval / 0.07), 5), 24)
    level, u, drift, wander = block_mean(y, first, stop, blocks)
    raw, raw_u, raw_drift, raw_wander = block_mean(x, first, stop, blocks)
    out.first, out.stop = first, stop
    out.flow, out.flow_u = level, np.hypot(u, left_out * np.hypot(wander, 0.5 * drift))
    out.raw, out.raw_u = raw, np.hypot(raw_u, left_out * np.hypot(raw_wander, 0.5 * raw_drift))
    out.drift = drift / max(abs(level), 1e-9)
    out.scatter = scatter(x[first:stop], raw)


@kernel
def read_point(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    at: int,
    half: int,
    first: int,
    stop: int,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Level of a rounded peak or valley, by a parabola.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    at : int
        Highest or lowest sample. [samples]
    half : int
        Half width of the parabola. [samples]
    first, stop : int
        Stretch that the parabola must not leave. [samples]
    out : record of `models.reading.air_trace.landmark_table.Peak`
        Filled in.

    Notes
    -----
    A peak is not exactly a parabola, and ripple bends it: the difference to a parabola of half the width is part of the
    uncertainty. Through three samples the parabola is exact; the samples miss its vertex by the curvature times the
    square of a distance that is uniform over ±1/2, which is the uncertainty then.
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
    out.at, out.flow, out.raw, out.gain, out.shape_u = at, level, raw, gain, shape


@kernel
def read_top(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    at: int,
    half: int,
    first: int,
    stop: int,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Level of a peak at the top of its parabola, which ripple moves less than the highest sample.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    at : int
        Highest sample. [samples]
    half : int
        Half width of the parabola. [samples]
    first, stop : int
        Stretch that the parabola must not leave. [samples]
    out : record of `models.reading.air_trace.landmark_table.Peak`
        Filled in.
    """
    read_point(y, x, at, half, first, stop, out)
    a, b = max(at - half, first), min(at + half + 1, stop)
    if b - a < 5:
        return
    place, level = parabola_top(y, a, b, float(at))
    raw, _ = parabola_at(x, a, b, place)
    out.flow, out.raw = level, raw
    a, b = max(at - half // 2, first), min(at + half // 2 + 1, stop)
    narrow = parabola_top(y, a, b, float(at))[1] if b - a >= 5 else float(y[at])
    out.shape_u = abs(narrow - level)


@sum_kernel
def _unevenness(
    slow: NDArray[np.float32], top: float, noise: float
) -> tuple[float, float, int]:  # pragma: no cover - compiled
    """Scatter of a stretch, of its part near the top, and number of samples that noise may have made the highest."""
    near, upper, total, square, all_total, all_square = 0, 0, 0.0, 0.0, 0.0, 0.0
    for i in range(slow.size):
        below = top - float(slow[i])
        high = below <= 6.0 * noise  # deeper samples, as at the ends of the stretch, are not near the top
        all_total += below
        all_square += below * below
        upper += high
        total += below if high else 0.0
        square += below * below if high else 0.0
        near += below <= 3.0 * noise
    of_all = np.sqrt(max(all_square / slow.size - (all_total / slow.size) ** 2, 0.0))
    return of_all, np.sqrt(max(square / upper - (total / upper) ** 2, 0.0)), near


@kernel
def main_level(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    stop: int,
    slow_half: int,
    interval: float,
    noise: float,
) -> tuple[int, int, int, float, float, float]:  # pragma: no cover - compiled
    """The main peak's highest place, the stretch it is read over, and its level.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    slow : ndarray of shape (samples,), float32
        Smoothed flow. [g/s]
    first, stop : int
        Stretch to look at. [samples]
    slow_half : int
        Half width of one of the running means behind `slow`. [samples]
    interval : float
        Sampling interval. [s]
    noise : float
        Standard deviation of the noise of `slow`. [g/s]

    Returns
    -------
    at, first, stop : int
        Highest place of `slow`, and the stretch. [samples]
    flow, raw, gain : float
        Level in flow and raw signal, and its standard deviation for white noise of 1. [g/s], [V, Hz or g/s], [1]
    """
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
        # a parabola over 80 ms does not follow a top narrower than that
        left, right = at, at
        while left > first and slow[left - 1] >= NEAR_TOP * slow[at]:
            left -= 1
        while right + 1 < stop and slow[right + 1] >= NEAR_TOP * slow[at]:
            right += 1
        half = max(int(min(0.04 / interval, max(0.5 * (right - left), 0.0125 / interval))), 1)
        a, b = max(at - half, first), min(at + half + 1, stop)
        if b - a < 2 * half + 1:  # at an end: take the whole width inwards
            a, b = (a, min(a + 2 * half + 1, stop)) if a == first else (max(b - 2 * half - 1, first), b)
        if b - a >= 7:
            level, gain = tapered_parabola_at(y, a, b, float(at))
            raw, _ = tapered_parabola_at(x, a, b, float(at))
        else:
            level, raw, gain = float(y[at]), float(x[at]), 1.0
    return at, a, b, level, raw, gain


@kernel
def read_main_peak(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    stop: int,
    slow_half: int,
    interval: float,
    noise: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Read the main peak as `models.reading.air_trace.landmarks` defines it.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    slow, first, stop, slow_half, interval, noise
        As for `main_level`. [g/s], [samples], [samples], [samples], [s], [g/s]
    out : record of `models.reading.air_trace.landmark_table.MainPeak`
        Filled in.
    """
    at, a, b, level, raw, gain = main_level(y, x, slow, first, stop, slow_half, interval, noise)
    out.at, out.flow, out.raw, out.gain = at, level, raw, gain
    out.first, out.stop = a, b
    out.spread, out.scatter, out.rise, out.shape_u = slow[at] - level, scatter(x[a:b], raw), 0.0, 0.0
    out.uneven, out.uneven_top, near = _unevenness(slow[a:b], float(slow[at]), noise)
    out.near = 1.0 + near / (SMOOTHED_APART * (2.0 * slow_half + 1.0))
