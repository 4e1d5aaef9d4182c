"""Opening and release told from the throttle's channel, from manifold pressure or from engine speed, where no air-mass
sensor shows the surge of the opening.

Definitions. Of the throttle's channel: where it crosses half the height between its idle and its level in the hold. Of
pressure and speed the opening is where the line through 10 and 40 % of the rise meets idle, less the time each takes to
answer; the release is where the pressure last passes half of its rise, less that time, and where the speed is last within
3 % of its rise of the highest. Lambda tells neither: it answers through fuel, gas and sensor.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.signals import OPENING_SIGNALS
from models.reading.air_trace.idle_only import BRIDGE_S, bridged
from models.reading.air_trace.landmark_table import LandmarkTable
from models.reading.air_trace.landmarks import Landmarks, smoothing_halves
from models.reading.air_trace.snap_detection import RISE_OF_EXPECTED, SnapList, find_snaps
from models.reading.resampling import Stack, update_rows
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate, estimate
from models.statistics.records import columns_of, empty_table
from models.statistics.smoothing import smooth

# Part of its travel by which the plate opens in a snap, and of the highest free speed by which the speed rises. [1]
PLATE_RISES, SPEED_RISES = 0.30, 0.12
# Parts of the rise through which its line is drawn, and how near its top the speed still is held. [1]
LINE, NEAR_TOP = (0.10, 0.40), 0.03
# From the plate to the first rise: pressure rises at once, speed once the manifold has filled and a cylinder has fired.
# After the release the manifold empties by half. The last is the standard uncertainty of both moments: of the plate none
# beside its interval. Common practice, no source (2026-11-29). [s]
ANSWERS_S = {"engine_rpm": 0.05, "map_kpa": 0.0}
EMPTIES_S = 0.02
MOMENT_U_S = {"engine_rpm": 0.05, "map_kpa": 0.02}
# Idle before the opening: at most so long, and ending so long before it. [s]
LONGEST_IDLE_S, BEFORE_OPENING_S = 3.0, 0.05


def opening_channel(stack: Stack) -> str:
    """The channel of a stack that tells when the throttle opened; empty where none was recorded."""
    return next((name for name in OPENING_SIGNALS if name in stack.channels), "")


def _full(name: str, family: Family) -> float:
    """What the channel reads at full opening, or at the highest speed. [%] or [1/min]"""
    return family.max_free_rpm if name == "engine_rpm" else family.throttle_open_pct or 100.0


def _traces(stack: Stack, name: str) -> NDArray[np.float32]:
    """The channel without gaps; a row without a value is 0."""
    longest = int(BRIDGE_S / stack.interval_s)
    rows = np.stack([bridged(row, longest) for row in stack.channels[name]])
    low = np.nanmin(np.where(np.isfinite(rows), rows, np.inf), axis=1, keepdims=True)
    return np.where(np.isfinite(rows), rows, np.where(np.isfinite(low), low, 0.0)).astype(np.float32)


def _crossed(trace: NDArray[np.float32], level: float, after: int) -> float:
    """Where a line between two samples passes a level, `after` being the first beyond it. [samples]"""
    before, step = float(trace[after - 1]), float(trace[after] - trace[after - 1])
    return after - 1 + (level - before) / step if step else float(after)


def _plate(trace: NDArray[np.float32], first: int, on: int, off: int) -> tuple[float, float]:
    """Opening and release of one snap from the throttle; NaN where not found. [samples]"""
    low, top = float(np.min(trace[first : on + 1])), float(np.quantile(trace[on:off], 0.9))
    if on > first:
        low = float(np.median(trace[max(first, on - max(3 * (off - on), 8)) : on]))
    half = 0.5 * (low + top)
    above = first + np.flatnonzero(trace[first:off] >= half)
    if not above.size or above[0] < 1:
        return np.nan, np.nan
    opening, last = _crossed(trace, half, int(above[0])), int(above[-1])
    return opening, _crossed(trace, half, last + 1) if last + 1 < min(off + 1, trace.size) else np.nan


def _line(trace: NDArray[np.float32], first: int, on: int, off: int, dt: float, name: str) -> tuple[float, float]:
    """Opening and release of one snap from pressure or engine speed; NaN where not found. [samples]"""
    low = float(np.median(trace[max(first, on - int(1.5 / dt)) : max(on - int(0.2 / dt), first + 1)]))
    peak = on + int(np.argmax(trace[on:off]))
    rise = float(trace[peak]) - low
    passed = []
    for part in LINE:
        below = np.flatnonzero(trace[first : peak + 1] < low + part * rise)
        if not below.size or first + below[-1] + 1 > peak:
            return np.nan, np.nan
        passed.append(_crossed(trace, low + part * rise, int(first + below[-1] + 1)))
    lower, upper = LINE
    opening = passed[0] - (passed[1] - passed[0]) * lower / (upper - lower) - ANSWERS_S[name] / dt
    level = low + (1.0 - NEAR_TOP if name == "engine_rpm" else 0.5) * rise
    last = on + int(np.flatnonzero(trace[on:off] >= level)[-1])
    release = np.nan
    if last + 1 < min(off, trace.size):
        release = float(last) if name == "engine_rpm" else _crossed(trace, level, last + 1) - EMPTIES_S / dt
    return (opening if opening >= first else np.nan), release


def _moments(traces: NDArray[np.float32], name: str, snaps: SnapList, interval_s: float) -> tuple[Floats, Floats]:
    """Opening and release of every snap. [samples]"""
    found = np.full((2, snaps.row.size), np.nan)
    for s, row in enumerate(snaps.row.tolist()):
        of = (traces[row], int(snaps.first[s]), int(snaps.on[s]), int(snaps.off[s]))
        found[:, s] = _plate(*of) if name == "throttle_pct" else _line(*of, interval_s, name)
    return found[0], found[1]


def landmarks_without_air(stack: Stack, family: Family) -> Landmarks:
    """The snaps of recordings without an air flow: opening, release, hold, and the idle before.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    family : Family
        Of all of them.

    Returns
    -------
    Landmarks
        No level of the flow; no snap where neither throttle nor engine speed was recorded.
    """
    dt, name = stack.interval_s, opening_channel(stack)
    shape = (stack.recording.size, next(iter(stack.channels.values())).shape[1] if stack.channels else 8)
    nothing = np.full(shape, np.nan, dtype=np.float32)
    traces = _traces(stack, name) if name else np.zeros(shape, dtype=np.float32)
    part = SPEED_RISES if name == "engine_rpm" else PLATE_RISES
    snaps = find_snaps(
        smooth(traces, stack.count, smoothing_halves(dt)[0]),
        stack.count,
        interval_s=dt,
        expected_g_s=part / RISE_OF_EXPECTED * _full(name, family),
        noise_g_s=np.zeros(shape[0]),
        rate_hz=stack.rate_hz,
    )
    opening, release = _moments(traces, name, snaps, dt)
    found = columns_of(LandmarkTable, empty_table(LandmarkTable, snaps.row.size))
    rise = np.maximum(opening - BEFORE_OPENING_S / dt, snaps.first)
    found.rise_start[:] = np.where(np.isnan(rise), snaps.on, rise)
    found.idle.first[:] = np.maximum(rise - LONGEST_IDLE_S / dt, snaps.first)
    found.idle.stop[:] = rise
    found.opening.at[:], found.release.at[:] = opening, release
    found.hold_stop[:] = np.where(np.isnan(release), snaps.off, release)
    found.main_peak.at[:] = found.hold_stop
    zero, one = np.zeros(snaps.row.size), np.ones(snaps.row.size)
    return Landmarks(snaps, found, nothing, nothing, nothing, zero, zero, one, dt, air=False)


def timed_by_channel(stack: Stack, marks: Landmarks) -> tuple[Landmarks, str]:
    """Landmarks of a flow worked out from manifold pressure, with the moments of the throttle's channel or the pressure.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        Of their snaps.

    Returns
    -------
    marks : Landmarks
        NaN where a moment was not found.
    name : str
        The channel.
    """
    name, dt, found = "throttle_pct" if "throttle_pct" in stack.channels else "map_kpa", marks.interval_s, marks.found
    traces = _traces(stack, name)
    if name == "map_kpa":
        traces = smooth(traces, stack.count, smoothing_halves(dt)[0])
    opening, release = _moments(traces, name, marks.snaps, dt)
    opened, released = found.opening._replace(at=opening), found.release._replace(at=release)
    return replace(marks, found=found._replace(opening=opened, release=released)), name


def moment_estimates(stack: Stack, marks: Landmarks, name: str) -> dict[str, Estimate]:
    """Opening, release and hold as a channel tells them.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    marks : Landmarks
        With opening and release of that channel.
    name : str
        The channel; empty where none was recorded.

    Returns
    -------
    dict of str to Estimate
        Over the snaps. The uncertainty is the channel's interval, and how the channel answers to the plate.
    """
    dt, snaps = marks.interval_s, marks.snaps
    opening, release = marks.found.opening.at, marks.found.release.at
    held = np.ones(snaps.row.size)
    if name:
        held = np.array([update_rows(stack.channels[name][row]) for row in snaps.row.tolist()], dtype=np.float64)
    # a held value may be anything from new to as old as its interval
    u = dt * np.where(held > 1.0, held / np.sqrt(3.0), 1.0 / np.sqrt(12.0))
    u = np.hypot(u, MOMENT_U_S.get(name, 0.0))
    start = stack.start_s
    return {
        "opening_s": estimate(start + opening * dt, u),
        "release_s": estimate(start + release * dt, u),
        "hold_s": estimate((release - opening) * dt, np.sqrt(2.0) * u),
    }
