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
# So soon after another release [s], or in a record that begins so many times higher [1], it is none from so many times the
# idle before that release, or afterwards [1].
SOON_S, BEGINS_HIGHER, TIMES_STILL = 2.5, 1.3, 1.25
# In a record that begins so soon before the opening [s] the flow is still on its way down out of an overrun or another snap
# where it falls by the first part of itself a second and stands `TIMES_STILL` above what it comes to afterwards, or falls by
# the second and stands this many times above the lowest afterwards. Sized on both simulators. [1/s], [1/s], [1]
BEGINS_SOON_S = 0.9
SETTLING_PER_S, FALLS_FAST_PER_S, TIMES_LOWEST = 0.04, 0.12, 1.15
# Part of the family's main peak that no warm engine draws at idle (usually 3 to 7 %). Common practice, no source. [1]
IDLE_OF_EXPECTED = 0.15
# A record without idle whose flow stands by this part of the snap's height above the lowest afterwards begins in the rise, or
# later: what looks like half a height may be the climb. [1]
IN_THE_RISE = 0.1
QUANTITIES_OF_OPENING = ("opening_s", "hold_s", "run_up_time_s", "climb_slope_g_s2")
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
        last_flow = _last_flow(marks)
        last = idle / last_flow
        comes_back = np.where(np.isnan(after), last <= TIMES_LAST, idle <= TIMES_AFTER * after)
        out = (speed.value > LEAK_TOP_RPM) | ((speed.value > IDLE_TOP_RPM) & ~comes_back)
        out |= found.idle.drift < -FALLING
        falling_on = found.idle.drift < -FALLING_ON_PER_S * (found.idle.stop - found.idle.first) * marks.interval_s
        out |= falling_on & (np.where(np.isnan(after), last, idle / after) > ABOVE_AFTER)
        out |= idle > TIMES_AFTER * after
        out |= np.isnan(after) & (last > TIMES_LAST) & (last < TIMES_STALLED)
        out |= _just_released(marks) & (
            idle > TIMES_STILL * np.fmin(np.fmin(after, last_flow), _idle_of_the_one_before(marks))
        )
        out |= _still_settling(marks, np.fmin(after, last_flow))
        if family.main_peak.expected_g_s:
            out |= idle > IDLE_OF_EXPECTED * family.main_peak.expected_g_s
    if "throttle_pct" in stack.channels:
        out |= _plate_stands_open(stack.channels["throttle_pct"], marks)
    return np.asarray(out)


def _follows(marks: Landmarks) -> Flags:
    """Whether each snap follows another of its recording."""
    row = marks.snaps.row
    return np.concatenate(([False], row[1:] == row[:-1]))[: row.size]


def _idle_of_the_one_before(marks: Landmarks) -> Floats:
    """Idle flow before the snap ahead of each in its recording; NaN for none. [g/s]"""
    return np.where(_follows(marks), np.roll(marks.found.idle.flow, 1), np.nan)


def _just_released(marks: Landmarks) -> Flags:
    """Whether the pedal was let go of shortly before each opening: of another snap, or ahead of a record that begins in the fall."""
    found, dt = marks.found, marks.interval_s
    since = (found.rise_start - np.roll(found.release.at, 1)) * dt
    out = _follows(marks) & (since < SOON_S)
    soon = np.flatnonzero(~_follows(marks) & (found.rise_start * dt < SOON_S) & np.isfinite(found.idle.flow))
    if soon.size:
        begin = np.median(marks.flow[marks.snaps.row[soon], : max(int(0.03 / dt), 1)], axis=1)
        out[soon] = begin > BEGINS_HIGHER * found.idle.flow[soon]
    return np.asarray(out)


def _still_settling(marks: Landmarks, afterwards: Floats) -> Flags:
    """Whether a record begins on the way down to idle, so shortly before the opening that its own past does not show."""
    found, dt = marks.found, marks.interval_s
    idle, per_s = found.idle.flow, found.idle.drift / ((found.idle.stop - found.idle.first) * dt)
    soon = ~_follows(marks) & (found.rise_start * dt < BEGINS_SOON_S)
    settling = (per_s < -SETTLING_PER_S) & (idle > TIMES_STILL * afterwards)
    fast = (per_s < -FALLS_FAST_PER_S) & (idle > TIMES_LOWEST * found.lowest.flow)
    return np.asarray(soon & (settling | fast))


def begins_in_rise(marks: Landmarks) -> Flags:
    """Whether the record of a snap begins when the flow rises already, so that the opening is not in it.

    Parameters
    ----------
    marks : Landmarks

    Returns
    -------
    ndarray of shape (snaps,), bool
    """
    found, out = marks.found, np.zeros(marks.snaps.row.size, dtype=np.bool_)
    for s in np.flatnonzero(np.isnan(found.idle.flow) & np.isfinite(found.rise_start)):
        flow = marks.flow[marks.snaps.row[s], : int(marks.snaps.stop[s])]
        afterwards = flow[min(int(marks.snaps.off[s]), flow.size - 1) :]
        lowest = float(np.nanmin(afterwards)) if np.isfinite(afterwards).any() else np.nan
        begins = float(flow[int(found.rise_start[s])])
        out[s] = begins - lowest > IN_THE_RISE * (found.main_peak.flow[s] - lowest)
    return out


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
