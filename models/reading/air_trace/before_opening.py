"""Whether the engine idled before the opening, or was driven, blipped or overrun: what the trace and its channels show."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from models.reading.air_trace.landmarks import Landmarks
from models.reading.resampling import Stack
from models.statistics.arrays import Flags, Floats
from models.statistics.estimate import Estimate

# A warm engine idles at 650 to 950 1/min, raised idle of a test begins at 2,000: above the first figure it is an idle only
# where the engine comes back to it, as one with a leak in its intake does; above the second it is none. Common practice, no
# source. [1/min]
IDLE_TOP_RPM, LEAK_TOP_RPM = 1100.0, 2000.0
# The plate stands open where it reads so much more than at its lowest in the record. [%]
PLATE_OPEN_PCT = 6.0
# Flow that falls by this part of itself over the stretch before the opening is on its way to idle. [1]
FALLING = 0.25
# So is one that falls by so much a second [1/s] and stands above the idle afterwards so many times [1]: an idle that settles,
# or a fan that stops, is slower or lower (both simulators).
FALLING_ON_PER_S, ABOVE_AFTER = 0.2, 1.2
# No idle: flow before the opening of so many times the idle afterwards, or, in a record that ends before that, the last
# flow that is recorded; up to the last figure, beyond which the engine stalled. [1]
TIMES_AFTER, TIMES_LAST, TIMES_STALLED = 1.6, 2.0, 5.0
# Time after the release at which the last flow counts, and the stretch of it. [s]
LAST_AFTER_S, LAST_S = 0.8, 0.3
# Part of the family's main peak that no warm engine draws at idle (usually 3 to 7 %). Common practice, no source. [1]
IDLE_OF_EXPECTED = 0.15
QUANTITIES_OF_IDLE = ("idle_v", "idle_g_s", "engine_speed_idle_rpm", "lambda_idle", "lambda_idle_v")


def not_at_idle(stack: Stack, marks: Landmarks, speed: Estimate, family: Family) -> Flags:
    """Whether a snap began from something else than idle.

    Parameters
    ----------
    stack : Stack
        With or without engine speed and throttle.
    marks : Landmarks
        Of its snaps.
    speed : Estimate
        Engine speed before the opening, from its channel or the firing ripple. [1/min]
    family : Family
        Of all of them.

    Returns
    -------
    ndarray of shape (snaps,), bool
        True where one sign of it is in the trace: a speed above idle to which the engine does not come back, a plate
        that stands open, a flow that still falls, or one far above that of the idle afterwards or of any idle. Without a
        sign it is False: air that leaks in raises an idle, and is what the list is for.
    """
    found = marks.found
    idle, after = found.idle.flow, found.idle_after.flow
    with np.errstate(invalid="ignore", divide="ignore"):
        last = idle / _last_flow(marks)
        comes_back = np.where(np.isnan(after), last <= TIMES_LAST, idle <= TIMES_AFTER * after)
        out = (speed.value > LEAK_TOP_RPM) | ((speed.value > IDLE_TOP_RPM) & ~comes_back)
        out |= found.idle.drift < -FALLING
        falling_on = found.idle.drift < -FALLING_ON_PER_S * (found.idle.stop - found.idle.first) * marks.interval_s
        out |= falling_on & (np.where(np.isnan(after), last, idle / after) > ABOVE_AFTER)
        out |= idle > TIMES_AFTER * after
        out |= np.isnan(after) & (last > TIMES_LAST) & (last < TIMES_STALLED)
        if family.main_peak.expected_g_s:
            out |= idle > IDLE_OF_EXPECTED * family.main_peak.expected_g_s
    if "throttle_pct" in stack.channels:
        out |= _plate_stands_open(stack.channels["throttle_pct"], marks)
    return np.asarray(out)


def _last_flow(marks: Landmarks) -> Floats:
    """Flow at the end of each snap's stretch; NaN where that is not well after the release. [g/s]"""
    out, dt = np.full(marks.snaps.row.size, np.nan), marks.interval_s
    for s in np.flatnonzero((marks.snaps.stop - marks.found.release.at) * dt > LAST_AFTER_S + LAST_S):
        stop = int(marks.snaps.stop[s])
        out[s] = float(np.median(marks.flow[marks.snaps.row[s], stop - max(int(LAST_S / dt), 1) : stop]))
    return out


def _plate_stands_open(throttle: NDArray[np.float32], marks: Landmarks) -> Flags:
    """Whether the plate stands open in the second before the rise."""
    out = np.zeros(marks.snaps.row.size, dtype=np.bool_)
    for s, row in enumerate(marks.snaps.row.tolist()):
        stop = int(marks.found.rise_start[s] - 0.1 / marks.interval_s)
        before = throttle[row, max(stop - int(1.0 / marks.interval_s), int(marks.snaps.first[s])) : max(stop, 0)]
        before, whole = before[np.isfinite(before)], throttle[row][np.isfinite(throttle[row])]
        if before.size:
            out[s] = float(np.median(before)) > float(whole.min()) + PLATE_OPEN_PCT
    return out


def without_idle(found: dict[str, Estimate], driven: Flags) -> dict[str, Estimate]:
    """Null the quantities of an idle that was none.

    Parameters
    ----------
    found : dict of str to Estimate
        Every quantity, over the entries.
    driven : ndarray of shape (entries,), bool
        The snap began from something else than idle.

    Returns
    -------
    dict of str to Estimate
    """
    names = [name for name in QUANTITIES_OF_IDLE if name in found]
    return found | {name: found[name].because(driven, "not_at_idle") for name in names}
