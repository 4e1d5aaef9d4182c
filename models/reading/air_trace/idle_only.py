"""Idle flow and idle speed from a recording without a snap, where the engine idles."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.engine_speed import IDLE_BAND_RPM, idle_speed_from_ripple
from models.reading.resampling import GAP, KEPT, MISSING, Stack
from models.statistics.arrays import Flags, Floats
from models.statistics.estimate import Estimate, estimate, reason_number, unread
from models.statistics.window_levels import block_mean

# Shortest idle that counts in a long log, and largest departure of its speed from the usual idle. [s], [1/min]
STEADY_S, NEAR_RPM = 2.0, 60.0
# Largest movement within a block of idle flow, and largest difference of a block from the lowest. [1]
STEADY_FLOW, NEAR_FLOW = 0.10, 0.15
# Gaps of the speed channel up to this are bridged. [s]
BRIDGE_S = 1.5
# Relative standard uncertainty of an idle flow picked from a log, for unknown consumers and idle control; a third of it
# for the raw signal. Common practice, no source. [1]
UNKNOWN_LOAD = 0.03
# A recording of idle alone idles for this part of it at least; a plate that moves by less stands still. Common practice, no
# source (2026-11-29). [1], [%]
ALONE_SHARE, STILL_PLATE_PCT = 0.8, 3.0


def _runs(inside: NDArray[np.bool_], shortest: int) -> list[tuple[int, int]]:
    """Stretches of True at least `shortest` long."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a >= shortest]


def bridged(speed: NDArray[np.float32], longest: int) -> NDArray[np.float32]:
    """A channel with short gaps bridged by straight lines; logs that sample channels in turn have many.

    Parameters
    ----------
    speed : ndarray of shape (samples,), float32
        NaN marks a gap. [any unit]
    longest : int
        Longest gap that is bridged. [samples]

    Returns
    -------
    ndarray of shape (samples,), float32
        [the same unit]
    """
    known = np.flatnonzero(np.isfinite(speed))
    if known.size < 2:
        return speed
    filled = np.interp(np.arange(speed.size), known, speed[known]).astype(np.float32)
    for a, b in _runs(~np.isfinite(speed), longest + 1):
        filled[a:b] = np.nan
    return filled


def _idle_by_speed(speed: NDArray[np.float32], interval_s: float) -> tuple[list[tuple[int, int]], float]:
    """Stretches at the lowest steady speed, without the first second of each, in which the engine settles; and the part of
    the recording that they are, with that second."""
    settle = int(1.0 / interval_s)
    length = max(int(STEADY_S / interval_s), 3) + settle
    with np.errstate(invalid="ignore"):
        idling = (speed > IDLE_BAND_RPM[0]) & (speed < IDLE_BAND_RPM[1])
    windows = np.lib.stride_tricks.sliding_window_view(speed, length) if speed.size >= length else np.empty((0, 1))
    if not windows.shape[0]:
        return [], 0.0
    middle = np.full(windows.shape[0], np.nan)
    steady = np.array([idling[k : k + length].all() for k in range(0, windows.shape[0], settle + 1)])
    for k in np.flatnonzero(steady) * (settle + 1):
        if float(np.ptp(windows[k])) <= NEAR_RPM:
            middle[k] = float(np.median(windows[k]))
    if not np.isfinite(middle).any():
        return [], 0.0
    usual = float(np.nanmin(middle))
    with np.errstate(invalid="ignore"):
        inside = np.abs(speed - usual) <= NEAR_RPM
    runs = _runs(inside, length)
    return [(a + settle, b) for a, b in runs], sum(b - a for a, b in runs) / speed.size


def _idle_by_flow(
    flow: NDArray[np.float32], kept: NDArray[np.bool_], interval_s: float, update_s: float
) -> tuple[list[tuple[int, int]], float]:
    """Steady blocks near the lowest steady level, and the part of all blocks that they are."""
    block_s = max(min(1.0, 0.25 * flow.size * interval_s), 4.0 * update_s)
    length = max(int(block_s / interval_s), 4)
    blocks = [(a, a + length) for a in range(0, flow.size - length + 1, length) if kept[a : a + length].mean() > 0.5]
    half = length // 2
    levels = np.array([flow[a:b].mean(dtype=np.float64) for a, b in blocks])
    moves = np.array([abs(float(flow[a : a + half].mean()) - float(flow[b - half : b].mean())) for a, b in blocks])
    steady = (moves < STEADY_FLOW * np.abs(levels)) & (levels > 0.0)
    if not steady.any():
        return [], 0.0
    lowest = float(np.quantile(levels[steady], 0.05))
    near = steady & (np.abs(levels - lowest) <= NEAR_FLOW * lowest)
    return [blocks[k] for k in np.flatnonzero(near)], float(near.mean())


class IdleOnly(NamedTuple):
    """What recordings without a snap give.

    Attributes
    ----------
    found : dict of str to Estimate
        idle_v (the raw level, whatever its unit), idle_g_s and engine_speed_idle_rpm, over the recordings.
    alone : ndarray of shape (recordings,), bool
        The recording holds idle and next to nothing else: no driving, no blip.
    """

    found: dict[str, Estimate]
    alone: Flags


def read_without_snap(
    stack: Stack,
    conditioned: Conditioned,
    flow: NDArray[np.float32],
    rows: NDArray[np.int64],
    family: Family,
) -> IdleOnly:
    """Idle flow and idle speed of recordings in which no snap was found.

    Parameters
    ----------
    stack, conditioned
        The stack and its conditioned air-mass traces.
    flow : ndarray of shape (captures, samples), float32
        Mass flow. [g/s]
    rows : ndarray of shape (recordings,), int
        Rows without a snap.
    family : Family
        Of all of them.

    Returns
    -------
    IdleOnly

    Notes
    -----
    With an engine-speed channel: where the speed stays within 60 1/min of its lowest steady value for 2 s, after a
    second of settling. Without: blocks of a second (at least four updates) that move by less than 10 % and lie within
    15 % of the lowest. The value is the median over the blocks. Its uncertainty is the scatter of the blocks, not that
    of their mean, and 3 % of the value, because the load on the engine is unknown. An air-mass signal that never moves
    is not taken for an idle. The speed is that of its channel over the same blocks, or of the ripple in the longest.
    """
    level, raw, speed = (np.full((2, rows.size), np.nan) for _ in range(3))
    reason = np.full(rows.size, reason_number("not_steady"), dtype=np.int8)
    alone = np.zeros(rows.size, dtype=np.bool_)
    longest = np.full((2, rows.size), np.nan)
    channel, dt = stack.channels.get("engine_rpm"), stack.interval_s
    for k, row in enumerate(rows.tolist()):
        n = int(stack.count[row])
        y, x = flow[row, :n], conditioned.signal[row, :n]
        flag = conditioned.flag[row, :n]
        kept = (flag != MISSING) & (flag != GAP)
        turning = None if channel is None else bridged(channel[row, :n], int(BRIDGE_S / dt))
        if not kept.any():
            reason[k] = reason_number("gap")
            continue
        if n * dt < 0.2 or float(x[kept].max()) == float(x[kept].min()):
            reason[k] = reason_number("not_enough_before" if n * dt < 0.2 else "not_steady")
            continue
        if turning is None:
            stretches, share = _idle_by_flow(y, kept, dt, stack.held[row] / stack.rate_hz[row])
        else:
            stretches, share = _idle_by_speed(turning, dt)
        stretches = [(a, b) for a, b in stretches if (flag[a:b] == KEPT).any()]
        if not stretches:
            continue
        level[:, k], raw[:, k] = (_level(each, flag, stretches) for each in (y, x))
        level[1, k] = np.hypot(level[1, k], UNKNOWN_LOAD * level[0, k])
        raw[1, k] = np.hypot(raw[1, k], UNKNOWN_LOAD / 3.0 * raw[0, k])
        reason[k], alone[k] = 0, share >= ALONE_SHARE and n * dt >= STEADY_S
        longest[:, k] = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
        if turning is not None:
            turns = np.concatenate([turning[a:b] for a, b in stretches])
            speed[:, k] = turns.mean(dtype=np.float64), max(float(turns.std()), 2.0)
    found = {"idle_v": Estimate(raw[0], raw[1], reason), "idle_g_s": Estimate(level[0], level[1], reason.copy())}
    if channel is not None:
        return IdleOnly(found | {"engine_speed_idle_rpm": estimate(speed[0], speed[1], "not_steady")}, alone)
    return IdleOnly(found | {"engine_speed_idle_rpm": _by_ripple(conditioned, rows, longest, dt, family)}, alone)


def _level(
    trace: NDArray[np.float32], flag: NDArray[np.uint8], stretches: list[tuple[int, int]]
) -> tuple[float, float]:
    """Median of the means of the stretches, and their scatter; of few, the scatter within the longest."""
    means = np.array([trace[a:b][flag[a:b] == KEPT].mean(dtype=np.float64) for a, b in stretches])
    a, b = stretches[int(np.argmax([b - a for a, b in stretches]))]
    within = 0.5 * float(np.diff(np.quantile(trace[a:b], (0.16, 0.84)))[0])
    spread = float(means.std(ddof=1)) if means.size >= 3 else within
    _, own, _, _ = block_mean(trace, a, b, 8)
    return float(np.median(means)), max(spread, float(np.nan_to_num(own)))


def _by_ripple(
    conditioned: Conditioned, rows: NDArray[np.int64], longest: Floats, interval_s: float, family: Family
) -> Estimate:
    """Idle speed from the firing ripple of the longest stretch; a reported flow has none."""
    if family.airflow_sensor.reports_flow:
        return unread(rows.size, "not_for_this_family")
    return idle_speed_from_ripple(conditioned.signal, rows, *longest, interval_s=interval_s, cylinders=family.cylinders)


def idles_throughout(stack: Stack, rows: NDArray[np.int64]) -> Flags:
    """Whether recordings without an air flow idle from end to end, by engine speed or the throttle's channel.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    rows : ndarray of shape (recordings,), int
        Rows without a snap.

    Returns
    -------
    ndarray of shape (recordings,), bool
        False where neither was recorded.
    """
    out, dt = np.zeros(rows.size, dtype=np.bool_), stack.interval_s
    speed, plate = stack.channels.get("engine_rpm"), stack.channels.get("throttle_pct")
    for k, row in enumerate(rows.tolist()):
        n = int(stack.count[row])
        if n * dt < STEADY_S:
            continue
        if speed is not None:
            out[k] = _idle_by_speed(bridged(speed[row, :n], int(BRIDGE_S / dt)), dt)[1] >= ALONE_SHARE
        elif plate is not None and np.isfinite(plate[row, :n]).any():
            out[k] = float(np.ptp(plate[row, :n][np.isfinite(plate[row, :n])])) < STILL_PLATE_PCT
    return out
