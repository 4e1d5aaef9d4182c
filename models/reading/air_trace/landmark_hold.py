"""Where the hold of one snap ends, compiled; its main peak and release.

One rule: nothing that comes before the release (first peak, dip, climb, main peak) is looked for after `hold_end`.
"""

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.landmark_levels import crossing, read_main_peak
from models.reading.air_trace.sample_noise import sample_noise
from models.statistics.compiled import kernel
from models.statistics.records import Record
from models.statistics.smoothing import smoothing_gain

# With the throttle open, manifold pressure is near the barometer; at idle it is near a third of it. At the same speed
# the engine then draws about three times its idle flow, so a fall to less than this multiple of idle is a closing
# throttle. [1]
CLOSED_TIMES_IDLE = 1.5
# A release falls from above the first part of the snap's height, over FALL_S [s] at least the second part as much as the
# steepest fall does: a pulse or a dashpot's slow fall after it starts lower or is less steep. [1]
FALLS_FROM, AS_STEEP, FALL_S = 0.25, 0.35, 0.03
# After a release the flow stays below this part of the height it fell from; after a first peak it does not. [1]
STAYS_BELOW = 0.5


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
    The release is the last fall before the throttle is closed that starts above a quarter of the snap's height and is at
    least a third as steep as the steepest, and after which the flow stays below half the height it fell from. From
    there the trace is followed back until its slope is a tenth of the fall's steepest.
    """
    closed = _closed(slow, on, off, stop, idle)
    top, span = float(slow[on]), max(1, int(FALL_S / interval))
    for i in range(on, closed):
        top = max(top, float(slow[i]))
    from_level, last = idle + FALLS_FROM * (top - idle), min(closed, stop - 1)
    steepest, at = 0.0, -1
    for i in range(on, last):
        if slow[i] > from_level:
            steepest = max(steepest, float(slow[i] - slow[min(i + span, last)]))
    for i in range(on, last):
        if slow[i] > from_level and slow[i] - slow[min(i + span, last)] >= AS_STEEP * steepest:
            at = i
    if at < 0 or steepest <= 0.0:
        return off
    i, steepest = at + 1, 0.0
    while i > on + 1:
        fall = float(slow[i - 1] - slow[i])
        steepest = max(steepest, fall)
        if fall < 0.1 * steepest:
            break
        i -= 1
    if closed == off >= stop:  # the record ends before the flow is near idle
        low = idle + STAYS_BELOW * (float(slow[i]) - idle)
        for j in range(min(at + span, last), last + 1):
            if slow[j] > low:
                return off
    return i


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
def read_hold(
    y: NDArray[np.float32],
    x: NDArray[np.float32],
    fast: NDArray[np.float32],
    slow: NDArray[np.float32],
    first: int,
    hold_stop: int,
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
        From the dip, or the opening, to where the fall begins. [samples]
    stop : int
        End of the snap's stretch. [samples]
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
    _read_rise(slow, first, hold_stop, slow_half, interval, out.main_peak)
    level = idle + 0.5 * (out.main_peak.flow - idle)
    out.release.at, out.release.slope = crossing(fast, int(out.main_peak.at), stop, level, False)
