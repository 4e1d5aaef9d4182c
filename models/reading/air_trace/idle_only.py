"""Idle flow from a recording without a snap, where the engine idles."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.engine_speed import IDLE_BAND_RPM
from models.reading.resampling import GAP, KEPT, MISSING, Stack
from models.statistics.estimate import Estimate, reason_number
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


def _idle_by_speed(speed: NDArray[np.float32], interval_s: float) -> list[tuple[int, int]]:
    """Stretches at the lowest steady speed, without the first second of each, in which the engine settles."""
    settle = int(1.0 / interval_s)
    length = max(int(STEADY_S / interval_s), 3) + settle
    with np.errstate(invalid="ignore"):
        idling = (speed > IDLE_BAND_RPM[0]) & (speed < IDLE_BAND_RPM[1])
    windows = np.lib.stride_tricks.sliding_window_view(speed, length) if speed.size >= length else np.empty((0, 1))
    if not windows.shape[0]:
        return []
    middle = np.full(windows.shape[0], np.nan)
    steady = np.array([idling[k : k + length].all() for k in range(0, windows.shape[0], settle + 1)])
    for k in np.flatnonzero(steady) * (settle + 1):
        if float(np.ptp(windows[k])) <= NEAR_RPM:
            middle[k] = float(np.median(windows[k]))
    if not np.isfinite(middle).any():
        return []
    usual = float(np.nanmin(middle))
    with np.errstate(invalid="ignore"):
        inside = np.abs(speed - usual) <= NEAR_RPM
    return [(a + settle, b) for a, b in _runs(inside, length)]


def _idle_by_flow(
    flow: NDArray[np.float32], kept: NDArray[np.bool_], interval_s: float, update_s: float
) -> list[tuple[int, int]]:
    """Steady blocks near the lowest steady level."""
    block_s = max(min(1.0, 0.25 * flow.size * interval_s), 4.0 * update_s)
    length = max(int(block_s / interval_s), 4)
    blocks = [(a, a + length) for a in range(0, flow.size - length + 1, length) if kept[a : a + length].mean() > 0.5]
    half = length // 2
    levels = np.array([flow[a:b].mean(dtype=np.float64) for a, b in blocks])
    moves = np.array([abs(float(flow[a : a + half].mean()) - float(flow[b - half : b].mean())) for a, b in blocks])
    steady = (moves < STEADY_FLOW * np.abs(levels)) & (levels > 0.0)
    if not steady.any():
        return []
    lowest = float(np.quantile(levels[steady], 0.05))
    near = steady & (np.abs(levels - lowest) <= NEAR_FLOW * lowest)
    return [blocks[k] for k in np.flatnonzero(near)]


def read_without_snap(
    stack: Stack,
    conditioned: Conditioned,
    flow: NDArray[np.float32],
    rows: NDArray[np.int64],
    family: Family,
) -> dict[str, Estimate]:
    """Idle flow of recordings in which no snap was found.

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
    dict of str to Estimate
        idle_v (the raw level, whatever its unit) and idle_g_s.

    Notes
    -----
    With an engine-speed channel: where the speed stays within 60 1/min of its lowest steady value for 2 s, after a
    second of settling. Without: blocks of a second (at least four updates) that move by less than 10 % and lie within
    15 % of the lowest. The value is the median over the blocks. Its uncertainty is the scatter of the blocks, not that
    of their mean, and 3 % of the value, because the load on the engine is unknown. An air-mass signal that never moves
    is not taken for an idle.
    """
    raw, raw_u = np.full(rows.size, np.nan), np.full(rows.size, np.nan)
    level, level_u = np.full(rows.size, np.nan), np.full(rows.size, np.nan)
    reason = np.full(rows.size, reason_number("not_steady"), dtype=np.int8)
    speed = stack.channels.get("engine_rpm")
    dt = stack.interval_s
    for k, row in enumerate(rows.tolist()):
        n = int(stack.count[row])
        y, x = flow[row, :n], conditioned.signal[row, :n]
        flag = conditioned.flag[row, :n]
        kept = (flag != MISSING) & (flag != GAP)
        if not kept.any():
            reason[k] = reason_number("gap")
            continue
        if n * dt < 0.2 or float(x[kept].max()) == float(x[kept].min()):
            reason[k] = reason_number("not_enough_before" if n * dt < 0.2 else "not_steady")
            continue
        stretches = (
            _idle_by_speed(bridged(speed[row, :n], int(BRIDGE_S / dt)), dt)
            if speed is not None
            else _idle_by_flow(y, kept, dt, stack.held[row] / stack.rate_hz[row])
        )
        if not stretches:
            continue
        means = np.array(
            [y[a:b][flag[a:b] == KEPT].mean(dtype=np.float64) for a, b in stretches if (flag[a:b] == KEPT).any()]
        )
        raws = np.array(
            [x[a:b][flag[a:b] == KEPT].mean(dtype=np.float64) for a, b in stretches if (flag[a:b] == KEPT).any()]
        )
        if not means.size:
            continue
        a, b = stretches[int(np.argmax([b - a for a, b in stretches]))]
        level[k], raw[k] = np.median(means), np.median(raws)
        within_y, within_x = np.diff(np.quantile(y[a:b], (0.16, 0.84))), np.diff(np.quantile(x[a:b], (0.16, 0.84)))
        if means.size >= 3:
            level_u[k], raw_u[k] = means.std(ddof=1), raws.std(ddof=1)
        else:
            level_u[k], raw_u[k] = 0.5 * float(within_y[0]), 0.5 * float(within_x[0])
        _, own_y, _, _ = block_mean(y, a, b, 8)
        _, own_x, _, _ = block_mean(x, a, b, 8)
        level_u[k] = np.hypot(max(level_u[k], np.nan_to_num(own_y)), UNKNOWN_LOAD * level[k])
        raw_u[k] = np.hypot(max(raw_u[k], np.nan_to_num(own_x)), UNKNOWN_LOAD / 3.0 * raw[k])
        reason[k] = 0
    nothing = reason != 0
    for each in (raw, raw_u, level, level_u):
        each[nothing] = np.nan
    return {"idle_v": Estimate(raw, raw_u, reason), "idle_g_s": Estimate(level, level_u, reason.copy())}
