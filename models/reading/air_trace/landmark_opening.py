"""The opening of one snap and the idle ahead of it, compiled."""

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.landmark_levels import crossing, read_idle
from models.statistics.compiled import kernel
from models.statistics.order_statistics import median
from models.statistics.records import Record

# At this sampling interval the first rise may end between two samples. The opening level is then where half of its
# slope is left, instead of a fifth. [s]
SLOW_LOG_S = 0.02
# Parts of the height between which an edge is one edge: it takes no longer than twice what its steepest slope gives. [1]
EDGE_FROM, EDGE_TO = 0.3, 0.7
# The manifold fills within about the first time, at most the second, from where the flow departs from idle. [s]
FILLS_S, FULL_S = 0.10, 0.15
# Without a first peak a rise at least so much as steep as the first [1], within this time of its end [s], is another edge.
SECOND_AS_STEEP, SECOND_EDGE_S = 0.4, 0.15
# A smaller difference between the two is no doubt. [s]
SHARP_S = 0.003


@kernel
def rise_start(
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
    idle = median(stretch[::stride].copy())
    level = idle + max(4.0 * noise, 0.03 * (fast[on] - idle) * 4.0)
    i = on
    while i > first and fast[i] > level:
        i -= 1
    return i


@kernel
def read_idle_before(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    first: int,
    start: int,
    interval: float,
    fast_half: int,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """The idle ahead of the rise that begins at `start`."""
    guard = 2 * fast_half + min(int(0.06 / interval), (start - first) // 8)
    idle_stop = start - guard
    idle_first = max(first, idle_stop - int(3.0 / interval))
    if first > 0:  # skip the return to idle of the previous snap
        idle_first = max(idle_first, min(first + int(1.0 / interval), (first + idle_stop) // 2))
    if idle_stop - idle_first >= max(3, int(0.05 / interval)):
        left_out = (start - idle_stop) / (start - idle_first)
        read_idle(y, x, idle_first, idle_stop, interval, left_out, out.idle)


@kernel
def _knee(
    fast: NDArray[np.float32], start: int, stop: int, span: int, left: float
) -> tuple[int, float]:  # pragma: no cover - compiled
    """Sample at which the rise over `span` has fallen to the part `left` of its largest, and the largest."""
    steepest = 0.0
    for i in range(start, max(stop - span, start)):
        rise = float(fast[i + span] - fast[i])
        if rise > steepest:
            steepest = rise
        elif rise < left * steepest:
            return i, steepest
    return max(stop, start), steepest


@kernel
def _second_edge(
    fast: NDArray[np.float32], first: int, stop: int, span: int, least: float
) -> int:  # pragma: no cover - compiled
    """Where a rise of at least `least` over `span` is steepest; -1 for none."""
    at = -1
    for i in range(first, stop - span):
        rise = float(fast[i + span] - fast[i])
        if rise >= least:
            at, least = i + span // 2, rise
    return at


@kernel
def read_opening(
    fast: NDArray[np.float32], first: int, start: int, end: int, idle: float, interval: float, out: Record
) -> float:  # pragma: no cover - compiled
    """Read the opening, and how far apart the places are that may be it.

    Parameters
    ----------
    fast : ndarray of shape (samples,), float32
        Smoothed flow. [g/s]
    first, start, end : int
        Begin of the snap's stretch, of the rise, and of the fall. [samples]
    idle : float
        Flow before the opening. [g/s]
    interval : float
        Sampling interval. [s]
    out : record of `models.reading.air_trace.landmark_table.LandmarkTable`
        Filled in; first peak and main peak are in it already.

    Returns
    -------
    float
        Flow at the end of the first rise. [g/s]

    Notes
    -----
    A foot that opens in two steps makes two edges, and half the height may lie in either or on the step between them:
    the opening is then as unsure as they are apart.
    """
    top, span = out.first_peak.flow, max(int(0.010 / interval), 1)
    stop, left = int(out.main_peak.at), 0.5 if interval > SLOW_LOG_S else 0.2
    knee, steepest = _knee(fast, start, stop, span, left)
    apart = 0.0
    if not np.isfinite(top):
        # a flow that climbs on as steeply has no knee: the manifold is full all the same
        filled, full = start + int(FILLS_S / interval), start + int(FULL_S / interval)
        top = float(fast[min(knee, full)])
        if knee > full:
            early, _ = crossing(fast, start, end, idle + 0.5 * (float(fast[filled]) - idle), True)
            late, _ = crossing(fast, start, end, idle + 0.5 * (top - idle), True)
            apart, knee = late - early, full
    height = top - idle
    level = idle + 0.5 * height
    if fast[first] >= level:  # the record begins in the rise or the hold
        return float(top)
    out.opening.at, out.opening.slope = crossing(fast, start, end, level, True)
    out.edge = 0.0
    if not np.isfinite(out.opening.at):
        return float(top)
    if interval > SLOW_LOG_S:  # the top of the first rise is not seen: it is anything up to the main peak
        if not np.isfinite(out.first_peak.flow):
            late, _ = crossing(fast, start, end, idle + 0.5 * (out.main_peak.flow - idle), True)
            out.edge = max(late - out.opening.at, 0.0)
        return float(top)
    low, _ = crossing(fast, start, end, idle + EDGE_FROM * height, True)
    high, _ = crossing(fast, start, end, idle + EDGE_TO * height, True)
    apart = max(apart, high - low - 2.0 * (EDGE_TO - EDGE_FROM) * height / max(steepest / span, 1e-9))
    if not np.isfinite(out.first_peak.flow):
        until = min(knee + int(SECOND_EDGE_S / interval), end)
        second = _second_edge(fast, knee, until, span, SECOND_AS_STEEP * steepest)
        if second >= 0:
            apart = max(apart, second - out.opening.at)
    if apart * interval > SHARP_S:
        out.edge = apart
    return float(top)
