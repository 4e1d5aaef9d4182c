"""Compiled reading of what follows the release: fall, pulse, undershoot, settle and idle after."""

import numpy as np
from numpy.typing import NDArray

from models.kernel import kernel
from models.landmark_columns import (
    AFTER,
    AFTER_FIRST,
    AFTER_STOP,
    FALL_10,
    FALL_10_SLOPE,
    FALL_90,
    FALL_90_SLOPE,
    HOLD_STOP,
    IDLE,
    LOW_AT,
    MAIN_AT,
    PULSE,
    PULSE_AT,
    PULSE_RAW,
    RELEASE,
    SETTLE,
    SETTLE_U,
)
from models.landmark_levels import crossing, read_idle, read_point
from models.smoothing import tapered_mean


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
    read_point(y, x, low, max(int(0.025 / interval), 1), start, stop, out, LOW_AT)
    first = max(int(release + 1.5 / interval), stop - int(1.5 / interval))
    if stop - first > max(6, int(0.3 / interval)):
        read_idle(y, x, first, stop, interval, 0.0, out, AFTER)
        out[AFTER_FIRST], out[AFTER_STOP] = first, stop
    level = out[AFTER] if np.isfinite(out[AFTER]) else idle
    band = max(0.1 * level, 4.0 * noise_slow)
    out[SETTLE] = _settle(slow, start, stop, level, band, int(0.4 / interval))
    if np.isfinite(out[SETTLE]):
        i = min(max(int(out[SETTLE]), 2), stop - 3)
        slope = abs(slow[i + 2] - slow[i - 2]) / 4.0 + 1e-9
        out[SETTLE_U] = min(0.1 * level / 8.0 / slope, 0.15 / interval)
