"""What really happened in a capture: landmarks of the noise-free traces, found with full knowledge.

Half-height crossings stand between neighbouring samples by straight lines. "Said" is the noise-free, ripple-free
flow the healthy or faulty sensor puts out after its lag; "actual" is air that passes it.
"""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

import numpy as np
from numba import njit

from sample_fleet.engine_state import (
    CUT_AT,
    DIPS,
    FLOW_IN,
    MISFIRES,
    PLATE,
    RESUME_AT,
    RICHNESS,
    RPM,
    SAID,
    SPEED,
    TRANSPORT,
    TRIM_2500,
    TRIM_IDLE,
)
from sample_fleet.record import FloatArray, Record
from sample_fleet.sensors import air_raw

TRUTH_FIELDS: tuple[str, ...] = (
    "pedal_down_s",
    "pedal_up_s",
    "opening_s",
    "opening_said_s",
    "opening_raw_s",
    "release_s",
    "release_said_s",
    "release_raw_s",
    "idle_actual_g_s",
    "idle_g_s",
    "idle_raw",
    "first_peak_g_s",
    "first_peak_raw",
    "dip_g_s",
    "dip_raw",
    "main_peak_actual_g_s",
    "main_peak_g_s",
    "main_peak_raw",
    "recirculation_pulse_g_s",
    "engine_speed_idle_rpm",
    "engine_speed_peak_rpm",
    "engine_speed_max_rpm",
    "run_up_time_s",
    "plate_opened",
    "flow_per_rev_mg",
    "lambda_idle",
    "tip_in_lean_blip",
    "lambda_full_throttle",
    "lambda_full_throttle_end",
    "lambda_sensor_rich_s",
    "lambda_sensor_lean_s",
    "transport_delay_s",
    "fuel_cut_s",
    "fuel_resume_s",
    "lowest_rpm_after",
    "idle_after_g_s",
    "trim_idle_pct",
    "trim_2500_pct",
    "misfires",
    "aeration_dips",
)
(
    _PEDAL_DOWN,
    _PEDAL_UP,
    _OPENING,
    _OPENING_SAID,
    _OPENING_RAW,
    _RELEASE,
    _RELEASE_SAID,
    _RELEASE_RAW,
    _IDLE_ACTUAL,
    _IDLE,
    _IDLE_RAW,
    _FIRST,
    _FIRST_RAW,
    _DIP,
    _DIP_RAW,
    _MAIN_ACTUAL,
    _MAIN,
    _MAIN_RAW,
    _PULSE,
    _RPM_IDLE,
    _RPM_PEAK,
    _RPM_MAX,
    _RUN_UP,
    _PLATE,
    _PER_REV,
    _LAMBDA_IDLE,
    _BLIP,
    _LAMBDA_FULL,
    _LAMBDA_END,
    _RICH_S,
    _LEAN_S,
    _DELAY,
    _CUT,
    _RESUME,
    _LOWEST,
    _IDLE_AFTER,
    _TRIM_IDLE,
    _TRIM_2500,
    _MISFIRES,
    _DIPS,
) = range(len(TRUTH_FIELDS))


@njit(cache=True, nogil=True)
def _crossing(trace: FloatArray, start: int, stop: int, level: float, rising: bool) -> float:
    for j in range(max(start, 1), stop):
        a, b = trace[j - 1], trace[j]
        if (rising and a < level <= b) or (not rising and a > level >= b):
            return j - 1 + (level - a) / (b - a)
    return np.nan


@njit(cache=True, nogil=True)
def _first_top(trace: FloatArray, start: int, stop: int) -> int:
    top = start
    for j in range(start, stop):
        if trace[j] > trace[top]:
            top = j
        elif trace[j] < 0.98 * trace[top] and trace[top] > 1.5 * trace[start]:
            break
    return top


@njit(cache=True, nogil=True)
def landmarks(r: Record, f: Record, traces: FloatArray, events: FloatArray, rate: float, out: FloatArray) -> None:
    """Fill `out`, one number per name of TRUTH_FIELDS, NaN where the recording does not hold it.

    Parameters: run and fault records, noise-free traces and events of the kernel, sampling rate [Hz].
    The first snap counts where there are several.
    """
    out[:] = np.nan
    samples = traces.shape[1]
    flow, said, speed, plate = traces[FLOW_IN], traces[SAID], traces[SPEED], traces[PLATE]
    down = min(max(math.ceil(r.pedal_at_s * rate), 0), samples) if r.snaps >= 1.0 else samples
    up = min(int((r.pedal_at_s + r.hold_s) * rate), samples) if r.snaps >= 1.0 else samples
    out[_TRIM_IDLE], out[_TRIM_2500] = 100.0 * events[TRIM_IDLE], 100.0 * events[TRIM_2500]
    out[_MISFIRES], out[_DIPS] = events[MISFIRES], events[DIPS]
    out[_DELAY], out[_CUT], out[_RESUME] = events[TRANSPORT], events[CUT_AT], events[RESUME_AT]
    slow = 1.0 + 3.0 * f.lambda_slow
    out[_RICH_S] = r.rich_s * slow * (1.0 + 4.0 * f.lambda_slow_one_way * (1.0 if f.slow_edge > 0.0 else 0.0))
    out[_LEAN_S] = r.lean_s * slow * (1.0 + 4.0 * f.lambda_slow_one_way * (1.0 if f.slow_edge < 0.0 else 0.0))
    if down > 4:
        out[_IDLE_ACTUAL], out[_IDLE] = 1e3 * flow[:down].mean(), 1e3 * said[:down].mean()
        out[_IDLE_RAW] = air_raw(r, 1e-3 * out[_IDLE])
        out[_RPM_IDLE] = RPM * speed[:down].mean()
        out[_LAMBDA_IDLE] = 1.0 / traces[RICHNESS, :down].mean()
    if down >= samples - 2 or down < 1:
        return
    raw = np.empty(samples)
    for j in range(samples):
        raw[j] = air_raw(r, said[j])
    out[_PEDAL_DOWN] = r.pedal_at_s
    out[_PLATE] = plate[down:up].max() / r.plate_in_neutral
    if up < samples:
        out[_PEDAL_UP] = r.pedal_at_s + r.hold_s
    # first peak: the top before the flow first falls by 2 %; dip: lowest between it and the end of the climb
    if up - down < 3:
        return
    first, first_in = _first_top(said, down, up), _first_top(flow, down, up)
    main = first + int(np.argmax(said[first:up]))
    if main > first:
        dip = first + int(np.argmin(said[first : main + 1]))
        if dip > first and said[dip] < 0.995 * said[first]:
            out[_FIRST], out[_FIRST_RAW] = 1e3 * said[first], raw[first]
            out[_DIP], out[_DIP_RAW] = 1e3 * said[dip], raw[dip]
    start = down - 1
    out[_OPENING] = _crossing(flow, down, first_in + 1, 0.5 * (flow[start] + flow[first_in]), True) / rate
    out[_OPENING_SAID] = _crossing(said, down, first + 1, 0.5 * (said[start] + said[first]), True) / rate
    out[_OPENING_RAW] = _crossing(raw, down, first + 1, 0.5 * (raw[start] + raw[first]), True) / rate
    after = min(int((out[_OPENING] + 0.25) * rate), up - 1) if not np.isnan(out[_OPENING]) else up - 1
    main = after + int(np.argmax(said[after:up]))
    out[_MAIN], out[_MAIN_RAW], out[_MAIN_ACTUAL] = 1e3 * said[main], raw[main], 1e3 * flow[after:up].max()
    out[_RPM_PEAK] = RPM * speed[main]
    out[_PER_REV] = 60e3 * out[_MAIN] / out[_RPM_PEAK]
    out[_RPM_MAX] = RPM * speed[down:].max()
    out[_RUN_UP] = _crossing(speed, down, up, 0.97 * r.max_free_rpm / RPM, True) / rate - out[_OPENING]
    early = min(int((r.pedal_at_s + 0.45) * rate), up)
    out[_BLIP] = 1.0 / max(traces[RICHNESS, down:early].min(), 0.05) - out[_LAMBDA_IDLE]
    tail = max(after, up - int(0.3 * rate))
    if up - tail > 2:
        out[_LAMBDA_FULL] = 1.0 / traces[RICHNESS, tail:up].mean()
        out[_LAMBDA_END] = 1.0 / max(traces[RICHNESS, up - 1], 0.05)
    if up >= samples - 2:
        return
    until = min(up + int(0.6 * rate), samples)
    low, low_in = said[up:until].min(), flow[up:until].min()
    out[_RELEASE] = _crossing(flow, up, samples, 0.5 * (flow[up] + low_in), False) / rate
    out[_RELEASE_SAID] = _crossing(said, up, samples, 0.5 * (said[up] + low), False) / rate
    out[_RELEASE_RAW] = _crossing(raw, up, samples, 0.5 * (raw[up] + raw[up:until].min()), False) / rate
    if r.turbo > 0.5 and not np.isnan(out[_RELEASE_SAID]):
        low_at = int(out[_RELEASE_SAID] * rate)
        until = min(low_at + int(0.5 * rate), samples)
        lowest, best = said[low_at], 0.0
        for j in range(low_at, until):
            lowest = min(lowest, said[j])
            best = max(best, said[j] - lowest)
        out[_PULSE] = 1e3 * best
    if samples - up > 3.0 * rate:
        out[_LOWEST] = RPM * speed[up:].min()
        out[_IDLE_AFTER] = 1e3 * said[samples - int(0.5 * rate) :].mean()
