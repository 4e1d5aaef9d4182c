"""Repeats of analytic traces with their truth, for the coverage study: airflow by kind and rate, lambda by sensor and rate.

What is drawn anew for every repeat: the snap itself, noise, ripple phase, needles, the place on the quantisation grid,
the sensor's true curve between the points of its table, and, where asked for, the recorder's offset and gain.
"""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from data_contracts.capture import Waveform, make_waveform
from data_contracts.family import Family, LambdaSensor
from models.reading.read import read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Recorder, Snap, clean_flow, family, speed
from tests.analytic_lambda import NARROWBAND, RATIO, WIDEBAND, coloured, first_order, read, volts_of_lambda

Floats = NDArray[np.float64]
# What a recorder may be off by, standard deviations: 3 mV and 0.05 % (common practice for 12-bit instruments).
OFFSET_V, GAIN = 0.003, 5e-4
_CURVE = PchipInterpolator(VOLTS, FLOW)
_FINE_V = np.linspace(VOLTS[0], VOLTS[-1], 4001)
GRID_S = 5e-5
# A needle lasts about this long; a slower recorder catches it only now and then. [s]
NEEDLE_S = 5e-4


def draw_snap(rng: np.random.Generator) -> Snap:
    """A healthy snap as feet and engines vary."""
    main = 118.0 * rng.uniform(0.85, 1.1)
    return Snap(
        opening=rng.uniform(0.95, 1.05),
        length=5.0,
        hold=rng.uniform(0.9, 1.4),
        main=main,
        idle=rng.uniform(3.2, 4.8),
        rise=rng.uniform(0.008, 0.016),
        surge=main * rng.uniform(0.25, 0.45),
        speed_time=rng.uniform(0.25, 0.4),
        idle_rpm=rng.uniform(700, 900),
        peak_rpm=rng.uniform(5500, 6000),
        ripple=rng.uniform(0.01, 0.05),
        pulse=rng.uniform(3.0, 9.0),
        after_idle=rng.uniform(3.6, 4.8),
    )


def definitions(t: Floats, y: Floats, rpm: Floats, opens: float, lifts: float, idle: float) -> dict[str, float]:
    """The landmarks of a clean trace by the definitions of models/reading/air_trace/landmarks.py, as plainly as they can be written.

    Parameters
    ----------
    t, y, rpm : ndarray of shape (samples,)
        Time, flow without ripple or noise, engine speed. [s], [g/s], [1/min]
    opens, lifts : float
        Any moments in the first rise and in the fall. [s]
    idle : float
        Flow before the opening. [g/s]
    """
    out = {"idle_g_s": idle}
    step = t[1] - t[0]

    def crossing(level: float, after: float, up: bool) -> float:
        at = max(round((after - t[0]) / step), 1)
        side = (y[at - 1 : -1] < level) & (y[at:] >= level) if up else (y[at - 1 : -1] > level) & (y[at:] <= level)
        if not side.any():
            return np.nan
        k = at - 1 + int(np.argmax(side))
        return float(t[k] + (level - y[k]) / (y[k + 1] - y[k]) * step)

    start, stop = int((opens - 0.1 - t[0]) / step), int((lifts + 0.1 - t[0]) / step)
    held = y[start:stop]
    first = held[: int(0.5 / step)]
    deepest = np.maximum.accumulate(first) - first
    peak, valley = -1, -1
    if deepest.max() > 0.05 * (held.max() - idle):
        valley = int(np.argmax(deepest))
        peak = int(np.argmax(first[: valley + 1]))
        out["first_peak_g_s"], out["dip_g_s"] = float(held[peak]), float(held[valley])
    base_at = max(valley, int(0.25 / step) if valley < 0 else valley)
    main_at = base_at + int(np.argmax(held[base_at:]))
    main = out["main_peak_g_s"] = float(held[main_at])
    out["engine_speed_peak_rpm"] = float(rpm[start + main_at])
    out["flow_per_rev_mg"] = 60e3 * main / out["engine_speed_peak_rpm"]
    release = out["release_s"] = crossing(0.5 * (idle + main), t[0] + (start + main_at) * step, False)
    if valley > 0:
        base, base_s = out["dip_g_s"], t[0] + (start + valley) * step
        opening = out["opening_s"] = crossing(0.5 * (idle + out["first_peak_g_s"]), t[0] + start * step, True)
        low, high = (crossing(base + part * (main - base), base_s, True) for part in (0.1, 0.9))
        out["climb_slope_g_s2"] = 0.8 * (main - base) / (high - low)
        out["run_up_time_s"] = crossing(0.95 * main, base_s, True) - opening
        out["hold_s"] = release - opening
    # the hold ends where the fall is first a tenth as steep as it gets
    fall = np.diff(y[start + main_at : int((release - t[0]) / step) + 1])
    end = start + main_at + int(np.argmax(fall <= 0.1 * fall.min()))
    top = float(y[end])
    down = crossing(idle + 0.1 * (top - idle), t[0] + end * step, False)
    out["fall_time_s"] = down - crossing(top - 0.1 * (top - idle), t[0] + end * step, False)
    after = y[int((release - t[0]) / step) :]
    if after.size * step > 2.0:
        first_late = max(int(1.5 / step), after.size - int(1.5 / step))
        late = out["idle_after_g_s"] = float(after[first_late:].mean())
        out["undershoot_g_s"] = max(late - float(after[: int(2.0 / step)].min()), 0.0)
        outside = np.flatnonzero(np.abs(after - late) > 0.1 * late)
        if after.size - outside[-1] > 0.4 / step:
            out["settle_time_s"] = float((outside[-1] + 1) * step)
    part = y[int((release - t[0]) / step) : int((release + 0.6 - t[0]) / step)]
    before, behind = np.minimum.accumulate(part), np.minimum.accumulate(part[::-1])[::-1]
    stands = part - np.maximum(before, behind)
    pulse = int(np.argmax(stands))
    out["recirculation_pulse_g_s"] = float(min(2.0 * stands[pulse], part[pulse] - behind[pulse]))
    return out


@cache
def drawn(count: int, seed: int) -> tuple[tuple[Snap, dict[str, float]], ...]:
    """Snaps and their truth, shared by every kind and rate."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(count):
        snap = draw_snap(rng)
        t = np.arange(0, snap.length, GRID_S)
        true = definitions(t, clean_flow(snap, t), speed(snap, t), snap.opening, snap.opening + snap.hold, snap.idle)
        out.append((snap, true | {"engine_speed_idle_rpm": snap.idle_rpm}))
    return tuple(out)


def record(
    snap: Snap, recorder: Recorder, rng: np.random.Generator, *, errors: bool
) -> tuple[Waveform, float, Floats, Floats]:
    """One recording of a snap, how late it begins, and the sensor's true curve (signal in V, flow); hertz is 1500 + 1700 V."""
    n = round(snap.length * recorder.rate_hz)
    late = float(rng.uniform(0.0, 1.0 / recorder.rate_hz))
    t = np.arange(n) / recorder.rate_hz + late
    rpm = speed(snap, np.arange(0, snap.length + 0.1, 1e-3))
    cycles = np.concatenate(([0.0], np.cumsum(rpm / 30.0 * 1e-3)))[:-1]
    phase = 2 * np.pi * (np.interp(t, np.arange(rpm.size) * 1e-3, cycles) + rng.uniform())
    flow = clean_flow(snap, t) * (1 + (0.0 if recorder.kind == "g_s" else snap.ripple) * np.sin(phase))
    straight = np.interp(_FINE_V, VOLTS, FLOW)
    curve = straight + (rng.uniform(-1.0, 1.0) * (_CURVE(_FINE_V) - straight) if errors else 0.0)
    volts = np.interp(flow, curve, _FINE_V) + rng.normal(0, recorder.noise_v, n)
    if recorder.kind == "g_s":
        reported = flow + rng.normal(0, 0.01, n) + 0.002 * flow * rng.normal(0, 1, n)
        return make_waveform(t, {"airflow_g_s": np.round(reported, 2)}), late, _FINE_V, curve
    hits = rng.random(n) < recorder.needles_per_s * min(1.0 / recorder.rate_hz, NEEDLE_S)
    count = int(hits.sum())
    volts[hits] += recorder.needle_v * rng.choice([-1.0, 1.0], count) * rng.uniform(0.5, 1.5, count)
    if recorder.kind == "hertz":
        return make_waveform(t, {"airflow_hz": np.round(1500.0 + 1700.0 * volts)}), late, _FINE_V, curve
    if errors:
        volts = volts * (1.0 + GAIN * rng.normal()) + OFFSET_V * rng.normal()
    step, grid = recorder.span_v / 2**recorder.bits, rng.uniform()
    volts = np.clip((np.round(volts / step + grid) - grid) * step, 0, recorder.span_v - step)
    return make_waveform(t, {"airflow_v": volts}), late, _FINE_V, curve


def with_dense_table(fam: Family, volts: Floats, flow: Floats) -> Family:
    """The family with a table so fine that it leaves nothing open between its points."""
    sensor = fam.airflow_sensor
    fine = np.linspace(volts[0], volts[-1], 800)
    raw = fine if sensor.kind == "volts" else 1500.0 + 1700.0 * fine
    return replace(fam, airflow_sensor=replace(sensor, transfer=raw, transfer_g_s=np.interp(fine, volts, flow)))


def airflow_case(
    kind: str, rate_hz: float, count: int, seed: int, *, errors: bool
) -> dict[str, tuple[Floats, Floats, Floats]]:
    """Value, standard uncertainty and truth of every airflow quantity over repeats of one kind and rate."""
    rng = np.random.default_rng(seed)
    recorder = replace(Recorder(), rate_hz=rate_hz, kind=kind)
    waves, truths = [], []
    for snap, clean in drawn(count, seed):
        wave, late, volts, curve = record(snap, recorder, rng, errors=errors)
        true = dict(clean)
        for name in ("opening_s", "release_s"):  # the recording begins up to one interval late
            if name in true:
                true[name] -= late
        for name in ("idle", "first_peak", "dip", "main_peak"):
            if f"{name}_g_s" in true:
                true[f"{name}_v"] = float(np.interp(true[f"{name}_g_s"], curve, volts))
        waves.append(wave)
        truths.append(true)
    fam = family(kind) if errors or kind == "g_s" else with_dense_table(family(kind), VOLTS, FLOW)
    conditions = WARM
    if errors:
        conditions = replace(WARM, recorder_offset_u_v=OFFSET_V, recorder_gain_u=GAIN)
    found = read_waveforms(waves, [fam] * count, [conditions] * count)
    keep = np.flatnonzero(found.snap == 1)
    names = sorted({name for each in truths for name in each})
    return {
        name: (
            found.values[name][keep],
            found.u[name][keep],
            np.array([each.get(name, np.nan) for each in truths])[found.recording[keep]],
        )
        for name in names
        if name in found.values
    }


LAMBDA_SENSORS: dict[str, tuple[LambdaSensor, str]] = {
    "wideband": (WIDEBAND, "v"),
    "ratio": (RATIO, "ratio"),
    "narrowband": (NARROWBAND, "v"),
}


def lambda_case(which: str, rate_hz: float, count: int, seed: int) -> dict[str, tuple[Floats, Floats, Floats]]:
    """The same for lambda: two steps through a lag that is linear in the sensor's signal, dead times and levels drawn."""
    rng = np.random.default_rng(seed)
    sensor, kind = LAMBDA_SENSORS[which]
    t = np.arange(int(4.2 * rate_hz)) / rate_hz
    rows = np.empty((count, t.size))
    true: dict[str, Floats] = {}

    def keep(name: str, k: int, value: float) -> None:
        true.setdefault(name, np.full(count, np.nan))[k] = value

    for k in range(count):
        dead, constant = rng.uniform(0.1, 0.25, 2), rng.uniform(0.04, 0.09, 2)
        levels = np.array([rng.uniform(0.99, 1.01), rng.uniform(0.86, 0.92), rng.uniform(1.4, 2.2)])
        if which == "narrowband":
            a, b, c = 0.25, 0.85, 0.1
        elif kind == "v":
            a, b, c = volts_of_lambda(sensor, levels).tolist()
        else:
            a, b, c = (1.0 / levels).tolist()
        x = first_order(t, 1.0 + dead[0], constant[0], a, b)
        x += first_order(t, 2.2 + dead[1], constant[1], 0.0, c - b)
        x += rng.normal(0.0, 0.004, t.size)
        x += coloured(rng, (1, t.size), 0.001, 0.02, 1.0 / rate_hz)[0]
        if kind == "v":
            step, grid = 5.0 / 4096, rng.uniform()
            rows[k] = (np.round(x / step + grid) - grid) * step
        else:
            rows[k] = 1.0 / x
        if which == "narrowband":
            for edge, tau in zip(("to_rich", "to_lean"), constant, strict=True):
                keep(f"lambda_{edge}_switch_time_s", k, tau * np.log(9.0))
            keep("lambda_full_throttle_v", k, b)
        else:
            for name, value in zip(("lambda_idle", "lambda_full_throttle", "lambda_fuel_cut"), levels, strict=True):
                keep(name, k, float(value))
            keep("lambda_full_throttle_slope_per_s", k, 0.0)
        for edge, theta, tau in zip(("to_rich", "to_lean"), dead, constant, strict=True):
            keep(f"lambda_{edge}_dead_time_s", k, theta)
            keep(f"lambda_{edge}_time_constant_s", k, tau)
    out, _ = read(rows, rate_hz=rate_hz, sensor=sensor, kind=kind, opening_s=1.0, release_s=2.2)
    return {name: (out[name].value, out[name].u, value) for name, value in true.items() if name in out}
