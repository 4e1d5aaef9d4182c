"""Where the hold of one snap ends, compiled; its main peak and release.

One rule: nothing that comes before the release (first peak, dip, climb, main peak) is looked for after `hold_end`.
"""

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.landmark_levels import crossing, read_main_peak, read_top
from models.reading.air_trace.sample_noise import sample_noise
from models.statistics.compiled import kernel
from models.statistics.records import Record
from models.statistics.smoothing import smoothing_gain

# With the throttle open, manifold pressure is near the barometer; at idle it is near a third of it. At the same speed
# the engine then draws about three times its idle flow, so a fall to less than this multiple of idle is a closing
# throttle. [1]
CLOSED_TIMES_IDLE = 1.5
# No pulse after the release is taken for the last top of the hold: it stands above the first part of the snap's height,
# or, soon after the opening [s], above the second and this many times idle. [1]
TOP_FROM, SMALL_TOP_FROM, TOP_TIMES_IDLE, SOON_S = 0.25, 0.15, 4.0, 0.45
# It stands by this part of its own height above what is before it. [1]
TOP_STANDS = 0.05
# Half width of the parabola of a top that the release cut short. [s]
TOP_HALF_S = 0.0125


@kernel
def _closed(slow: NDArray[np.float32], on: int, off: int, stop: int, idle: float) -> int:  # pragma: no cover - compiled
    """First sample of the snap at which the flow is that of a closed throttle; `off` for none."""
    lowest = idle
    for i in range(off, stop):  # the flow before the opening may have been no idle
        lowest = min(lowest, float(slow[i]))
    for i in range(on, off):
        if slow[i] < CLOSED_TIMES_IDLE * lowest:
            return i
    return off


@kernel
def hold_end(
    slow: NDArray[np.float32], on: int, off: int, stop: int, idle: float, interval: float
) -> int:  # pragma: no cover - compiled
    """Where the fall of the release begins on the slow trace; `off` where the record ends in the hold.

    Parameters
    ----------
    slow : ndarray of shape (samples,), float32
        Smoothed flow. [g/s]
    on, off, stop : int
        Where the snap goes on and off; end of its stretch. [samples]
    idle : float
        Flow before the opening. [g/s]
    interval : float
        Sampling interval. [s]

    Returns
    -------
    int
        [samples]

    Notes
    -----
    Seen from the end, or from where the flow is first that of a closed throttle, the trace climbs the fall of the
    release up to the last top of the hold, and then goes down again into the dip or the climb. From half the height of
    that top the fall is followed back until its slope is a tenth of its steepest. A record that ends before the flow
    has fallen to half the height ends in the hold.
    """
    closed = _closed(slow, on, off, stop, idle)
    top = float(slow[on])
    for i in range(on, closed):
        top = max(top, float(slow[i]))
    from_level = idle + TOP_FROM * (top - idle)
    soon_level = min(from_level, max(idle + SMALL_TOP_FROM * (top - idle), TOP_TIMES_IDLE * idle))
    soon = on + int(SOON_S / interval)
    at = min(closed, stop - 1)
    for i in range(at, on - 1, -1):
        if slow[i] > slow[at]:
            at = i
        elif slow[at] > (soon_level if at < soon else from_level) and slow[at] - slow[i] > TOP_STANDS * (
            slow[at] - idle
        ):
            break
    half, _ = crossing(slow, at, min(closed + 1, stop), idle + 0.5 * (float(slow[at]) - idle), False)
    if not np.isfinite(half):
        return off
    i, steepest = int(half), 0.0
    while i > at + 1:
        fall = float(slow[i - 1] - slow[i])
        steepest = max(steepest, fall)
        if fall < 0.1 * steepest:
            break
        i -= 1
    return max(i, on + 1)


@kernel
def _read_rise(
    slow: NDArray[np.float32], first: int, stop: int, slow_half: int, interval: float, out: Record
) -> None:  # pragma: no cover - compiled
    """Rise of a flow that still climbs as the hold ends, over the last samples, where smoothing mixes in the fall."""
    back = max(int(0.08 / interval), 2)
    end = stop - 1 - 2 * slow_half
    if end - back < first or out.at < stop - 1 - slow_half:
        return
    slope = (float(slow[end]) - float(slow[end - back])) / back
    out.rise = max(slow[end] + slope * (stop - 1 - end) - slow[int(out.at)], 0.0)


@kernel
def _read_cut_top(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    first: int,
    hold_stop: int,
    end: int,
    slow_half: int,
    interval: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """A climb that the release cut short: the top of the fast trace between climb and fall."""
    if out.at < hold_stop - 1 - slow_half:
        return
    stop = min(end + 2 * slow_half + 2, y.size)
    top = max(hold_stop - 1 - 2 * slow_half, first)
    for i in range(top, stop):
        if fast[i] > fast[top]:
            top = i
    half = max(int(TOP_HALF_S / interval + 0.01), 1)
    read_top(y, x, top, half, first, min(top + half + 1, y.size), out)
    if slow_half == 0 and 0 < top < y.size - 1:  # of a slow log: its highest sample, and what may lie beside it
        out.flow, out.raw, out.scatter = y[top], x[top], 0.0
        out.shape_u = 0.5 * min(y[top] - y[top - 1], y[top] - y[top + 1]) / np.sqrt(3.0)
    out.first, out.stop = max(top - half, first), min(top + half + 1, y.size)
    out.spread, out.near, out.uneven, out.uneven_top = 0.0, 1.0, 0.0, 0.0
    out.shape_u = max(out.shape_u, 1e-9)


@kernel
def read_hold(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    hold_stop: int,
    end: int,
    stop: int,
    idle: float,
    interval: float,
    slow_half: int,
    noise_slow: float,
    reported: bool,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Main peak and release of the hold.

    Parameters
    ----------
    y, x, fast, slow : ndarray of shape (samples,), float32
        Flow, raw trace and the two smoothed flows. [g/s], [V, Hz or g/s], [g/s], [g/s]
    first, hold_stop : int
        From the dip, or the opening, to where the fall begins, less what the smoothing takes in of it. [samples]
    end, stop : int
        Where the fall begins on the slow trace, `hold_stop` where the record ends in the hold; end of the snap's stretch. [samples]
    idle : float
        Flow before the opening. [g/s]
    interval : float
        Sampling interval. [s]
    slow_half : int
        Half width of one of the running means behind `slow`. [samples]
    noise_slow : float
        Standard deviation of the noise of `slow`. [g/s]
    reported : bool
        The flow was reported by a control unit: its noise grows with the flow and is read anew at the main peak.
    out : record of `models.reading.air_trace.landmark_table.LandmarkTable`
        Filled in.
    """
    out.hold_stop = hold_stop
    top_noise = noise_slow
    if reported:
        begin = max(hold_stop - int(0.4 / interval), first)
        out.top_noise = sample_noise(y, begin, hold_stop, 1, -np.inf, np.inf)
        top_noise = max(top_noise, smoothing_gain(slow_half) * out.top_noise)
    read_main_peak(y, x, slow, first, hold_stop, slow_half, interval, top_noise, out.main_peak)
    if end > hold_stop or slow_half == 0:
        _read_cut_top(y, x, fast, first, hold_stop, end, slow_half, interval, out.main_peak)
    else:
        _read_rise(slow, first, hold_stop, slow_half, interval, out.main_peak)
    level = idle + 0.5 * (out.main_peak.flow - idle)
    out.release.at, out.release.slope = crossing(fast, int(out.main_peak.at), stop, level, False)
