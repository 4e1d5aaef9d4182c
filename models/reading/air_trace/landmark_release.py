"""Landmarks after the release, compiled: fall, pulse, undershoot, settle and idle after."""

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.landmark_levels import crossing, read_idle, read_point, read_top
from models.statistics.compiled import kernel
from models.statistics.records import Record

# The pulse is measured from the valley after it, since the depth of the one before depends on how fast the plate
# closed. Its height is at most this many times its height above both valleys, so that ripple on the falling flow stays
# small. [1]
VALLEY_BEHIND = 2.0
# Uncertainty of the level that the flow settles to, as a part of it: it may drift by about this while it is averaged,
# and the table is uncertain between its points. [1]
BAND_U = 0.015


@kernel
def _pulse_after(
    fast: NDArray[np.float32], first: int, stop: int
) -> tuple[int, float, int]:  # pragma: no cover - compiled
    """Peak that stands highest above both valleys, counted part of its height over the later one, and that valley."""
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
        behind = fast[first + after[k]]
        stands = fast[first + k] - max(fast[first + low], behind)
        if stands > best:
            best, at, base = stands, first + k, first + after[k]
    height = float(fast[at] - fast[base])
    return at, min(VALLEY_BEHIND * best / height, 1.0) if height > 0.0 else 0.0, base


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
def _read_fall(
    fast: NDArray[np.float32], slow: NDArray[np.float32], stop: int, out: Record
) -> None:  # pragma: no cover - compiled
    """Where the flow passes 90 and 10 % of the height from idle to the end of the hold."""
    idle, start = out.idle.flow, int(out.release.at)
    top = float(slow[int(out.hold_stop) - 1])
    at_90, at_10 = top - 0.1 * (top - idle), idle + 0.1 * (top - idle)
    for i in range(start, int(out.main_peak.at), -1):  # last crossing of 90 % before the half height
        if fast[i] < at_90 <= fast[i - 1]:
            out.fall_90.at, out.fall_90.slope = crossing(fast, i - 1, i + 1, at_90, False)
            break
    out.fall_10.at, out.fall_10.slope = crossing(fast, start, stop, at_10, False)


@kernel
def _read_pulse(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    stop: int,
    interval: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """The recirculation pulse and the valley behind it."""
    start = int(out.release.at)
    pulse_stop = min(int(out.release.at + 0.6 / interval) + 1, stop)
    at, part, base = _pulse_after(fast, start, pulse_stop)
    if at >= 0:
        half = max(int(0.01 / interval), 1)
        read_top(y, x, at, half, start, stop, out.pulse)
        read_point(y, x, base, half, start, stop, out.behind_pulse)
        out.pulse_part = part


@kernel
def _read_settle(
    slow: NDArray[np.float32], stop: int, interval: float, noise_slow: float, out: Record
) -> None:  # pragma: no cover - compiled
    """When the flow has settled at idle, with its standard uncertainty."""
    start = int(out.release.at)
    level = out.idle_after.flow if np.isfinite(out.idle_after.flow) else out.idle.flow
    band = max(0.1 * level, 4.0 * noise_slow)
    stay = int(0.4 / interval)
    out.settle = _settle(slow, start, stop, level, band, stay)
    if np.isnan(out.settle):
        return
    i = min(max(int(out.settle), 2), stop - 3)
    slope = abs(slow[i + 2] - slow[i - 2]) / 4.0 + 1e-9
    by_slope = min(0.1 * level / 8.0 / slope, 0.15 / interval)
    # a swing that only just leaves the band, or only just stays within it, moves the result by its whole length
    level_u = max(2.0 * noise_slow, BAND_U * level)
    soon = _settle(slow, start, stop, level, band + level_u, stay)
    late = _settle(slow, start, stop, level, band - level_u, stay)
    if not np.isfinite(late):
        late = float(stop - stay)
    out.settle_u = max(by_slope, (late - soon) / np.sqrt(12.0))


@kernel
def read_after(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    stop: int,
    interval: float,
    noise_slow: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Read the landmarks after the release: fall, pulse, undershoot, settle and idle after.

    Parameters
    ----------
    y, x : ndarray of shape (samples,), float32
        Flow and raw trace. [g/s], [V, Hz or g/s]
    fast, slow : ndarray of shape (samples,), float32
        The two smoothed flows. [g/s]
    stop : int
        End of the snap's stretch. [samples]
    interval : float
        Sampling interval. [s]
    noise_slow : float
        Standard deviation of the noise of `slow` at idle. [g/s]
    out : record of `models.reading.air_trace.landmark_table.LandmarkTable`
        Filled in; the landmarks before the release are in it already.
    """
    release = out.release.at
    start = int(release)
    _read_fall(fast, slow, stop, out)
    _read_pulse(y, x, fast, stop, interval, out)
    low = start
    for i in range(start, min(int(release + 2.0 / interval) + 1, stop)):
        if slow[i] < slow[low]:
            low = i
    read_point(y, x, low, max(int(0.025 / interval), 1), start, stop, out.lowest)
    first = max(int(release + 1.5 / interval), stop - int(1.5 / interval))
    if stop - first > max(6, int(0.3 / interval)):
        read_idle(y, x, first, stop, interval, 0.0, out.idle_after)
    _read_settle(slow, stop, interval, noise_slow, out)
