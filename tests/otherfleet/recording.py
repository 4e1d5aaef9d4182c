"""What a recorder makes of one run of the second fleet's engine, with the truth beside it."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from data_contracts.capture import Conditions, Waveform, make_waveform
from tests.otherfleet.families import Floats, air_flow, air_signal, lambda_signal
from tests.otherfleet.kinds import Kind
from tests.otherfleet.parameters import Engine
from tests.otherfleet.vans import KEPT_S, Van, Visit, peak_level


@dataclass(frozen=True)
class Recorder:
    """An instrument: what it does to the signal."""

    name: str = "canonical"
    serial: str = "A1"
    rate_hz: float = 1000.0
    length_s: float = 9.0
    before_s: float = 3.0
    bits: int = 16
    span_v: float = 5.2
    noise_v: float = 0.002
    offset_v: float = 0.0
    hum_v: float = 0.0
    jitter: float = 0.0
    needles_per_s: float = 0.0


@dataclass
class Capture:
    """One capture and its truth."""

    waveform: Waveform
    conditions: Conditions
    truth: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True)
class Run:
    """One run of the engine and how it is recorded; `time` [s] and `out` as `simulate` gives them."""

    kind: Kind
    van: Van
    visit: Visit
    recorder: Recorder
    engine: Engine
    time: Floats
    out: NDArray[np.float32]
    length: float
    trim_idle: float
    trim_load: float
    cause: str | None
    severity: float
    spoiled: str | None


def record(run: Run, rng: np.random.Generator) -> Capture:
    """The capture a recorder makes of a run."""
    kind, recorder = run.kind, run.recorder
    rate = kind.air_rate_hz or recorder.rate_hz
    stamps = np.arange(int(run.length * rate)) / rate
    true_stamps = stamps
    if recorder.jitter:
        stamps = np.sort(stamps + rng.normal(0.0, recorder.jitter / rate, stamps.size).clip(-0.4 / rate, 0.4 / rate))
        true_stamps = np.maximum(stamps, 0.0)
    indicated, clean, raw = sensor_traces(run)
    columns = _columns(run, rng, rate, true_stamps, clean, raw)
    truth = _truth(run, indicated, clean, rate)
    return Capture(make_waveform(stamps, columns), _conditions(run, rng), truth)


def sensor_traces(run: Run) -> tuple[Floats, Floats, Floats]:
    """Indicated flow [g/s], and the sensor's signal without and with pulsation. [V, Hz or g/s]"""
    kind, engine, out = run.kind, run.engine, run.out
    indicated = out[:, 1].astype(np.float64) * 1e3
    load = np.clip(out[:, 1] / engine.full_flow, 0.0, 1.2)
    pulse = 1.0 + kind.pulse * (0.3 + 0.7 * load) * (
        np.sin(2 * np.pi * out[:, 5]) + 0.3 * np.sin(4 * np.pi * out[:, 5] + 0.7)
    )
    decay = np.exp(-KEPT_S / kind.air_lag_s)

    def lagged(flow: Floats) -> Floats:
        raw = air_signal(kind, flow)
        return np.asarray(lfilter([1 - decay], [1, -decay], raw, zi=[raw[0] * decay])[0])

    return indicated, lagged(indicated), lagged(indicated * pulse)


def _columns(
    run: Run, rng: np.random.Generator, rate: float, true_stamps: Floats, clean: Floats, raw: Floats
) -> dict[str, Floats]:
    """Channels as recorded, by canonical name."""
    kind, recorder, time, out, spoiled = run.kind, run.recorder, run.time, run.out, run.spoiled
    channel = {"volts": "airflow_v", "hertz": "airflow_hz", "g_s": "airflow_g_s"}[kind.air]
    columns: dict[str, Floats] = {}
    needles = rng.random(true_stamps.size) < recorder.needles_per_s / rate
    electrical = needles * rng.normal(0.0, 0.8, true_stamps.size)

    def volts(signal: Floats, span: float, noise: float) -> Floats:
        sampled = np.interp(true_stamps, time, signal)
        sampled = sampled + recorder.offset_v + noise * rng.standard_normal(true_stamps.size) + electrical
        sampled = sampled + recorder.hum_v * np.sin(2 * np.pi * 50.0 * true_stamps + 1.0)
        step = 2 * span / 2**recorder.bits
        return np.clip(np.round(sampled / step) * step, -span, span)

    if kind.air == "volts":
        # the chosen range of a clipping recorder lies below this capture's main peak
        span = float(0.9 * np.percentile(clean, 99)) if spoiled == "clipped" else recorder.span_v
        columns[channel] = volts(raw, span, recorder.noise_v)
    elif kind.air == "hertz":
        period = np.interp(true_stamps, time, raw)
        columns[channel] = np.round(period * (1 + 0.0015 * rng.standard_normal(true_stamps.size)), 1)
        if spoiled == "clipped":
            columns[channel] = np.minimum(columns[channel], 0.9 * np.percentile(raw, 99))
    else:
        columns[channel] = np.round(
            np.interp(true_stamps, time, clean) * (1 + 0.003 * rng.standard_normal(true_stamps.size)), 2
        )
        if spoiled == "clipped":
            columns[channel] = np.minimum(columns[channel], 0.9 * np.percentile(clean, 99))
    columns |= _lambda_columns(run, rng, true_stamps, volts)
    if kind.bus_speed:
        columns["engine_rpm"] = np.round(np.interp(true_stamps, time, out[:, 2]) / 2) * 2
        columns["throttle_pct"] = np.round(12 + 76 * np.interp(true_stamps, time, out[:, 6]), 1)
    return columns


def _lambda_columns(
    run: Run, rng: np.random.Generator, true_stamps: Floats, volts: Callable[[Floats, float, float], Floats]
) -> dict[str, Floats]:
    kind, van, recorder, engine, time, out, cause, severity = (
        run.kind,
        run.van,
        run.recorder,
        run.engine,
        run.time,
        run.out,
        run.cause,
        run.severity,
    )
    columns: dict[str, Floats] = {}
    for b in range(kind.banks):
        phi = out[:, 3 + b].astype(np.float64)
        shift = engine.lambda_shift if kind.oxygen != "narrowband" and b == van.bank else 0.0
        if shift:
            phi = 1.0 / (1.0 / np.maximum(phi, 0.05) + shift)
        signal = lambda_signal(kind, phi)
        if kind.oxygen == "narrowband" and cause == "lambda_offset" and b == van.bank:
            signal = signal - 0.12 * severity * (signal - 0.08) / 0.78
        prefix = "bank2_" if b else ""
        if kind.oxygen == "ratio":
            columns[prefix + "lambda_ratio"] = np.round(
                np.interp(true_stamps, time, signal) + 0.002 * rng.standard_normal(true_stamps.size), 3
            )
        else:
            columns[prefix + "lambda_v"] = volts(signal, min(recorder.span_v, 5.2), recorder.noise_v)
    return columns


def _truth(run: Run, indicated: Floats, clean: Floats, rate: float) -> dict[str, object]:
    """What really happened in a run; levels and times as the sensor shows them, without pulsation and noise."""
    kind, van, visit, recorder, engine, time, out, length, cause, severity, spoiled = (
        run.kind,
        run.van,
        run.visit,
        run.recorder,
        run.engine,
        run.time,
        run.out,
        run.length,
        run.cause,
        run.severity,
        run.spoiled,
    )
    peak, top, reached = peak_level(time, out, engine)
    if engine.release_s > length:
        late = time > length
        peak, top, reached = peak_level(time[~late], out[~late], engine)
    idle = (time < min(engine.opening_s, length) - 0.02) & (time > engine.opening_s - 2.0)
    idle_flow = float(np.mean(indicated[idle])) if idle.any() else np.nan
    full = (time > engine.opening_s + 0.45) & (time < min(engine.release_s, length)) & (out[:, 6] > 0.8)
    if kind.limiter != "retard":  # the last of the run-up, before firings are cut
        full &= (np.cumsum(out[:, 2] > kind.limit_rpm) == 0) & (out[:, 2] > 0.85 * kind.limit_rpm)
    else:
        full &= out[:, 2] > 0.97 * top
    half, first, fall = _crossings(run, clean, idle, peak)
    first_g_s = float(air_flow_of(kind, first)) if np.isfinite(first) else np.nan
    peak_g_s = peak * 1e3
    return {
        "family": van.family,
        "cause": cause or "none",
        "severity": float(severity if cause else 0.0),
        "spoiled": spoiled or "good",
        "main_peak_g_s": peak_g_s,
        "main_peak_v": float(air_signal(kind, np.array([peak_g_s]))[0]) if kind.air == "volts" else np.nan,
        "idle_g_s": idle_flow,
        "idle_v": float(np.mean(clean[idle])) if kind.air == "volts" and idle.any() else np.nan,
        "first_peak_g_s": first_g_s,
        "opening_s": half,
        "plate_moves_s": engine.opening_s,
        "release_s": fall,
        "foot_lifts_s": engine.release_s,
        "engine_speed_peak_rpm": top,
        "engine_speed_idle_rpm": float(np.mean(out[idle, 2])) if idle.any() else np.nan,
        "tau_rich_s": (engine.tau_rich_1, engine.tau_rich_2)[van.bank if kind.banks > 1 else 0],
        "tau_lean_s": (engine.tau_lean_1, engine.tau_lean_2)[van.bank if kind.banks > 1 else 0],
        "lambda_full_throttle": float(np.median(1.0 / np.maximum(out[full, 7], 0.05))) if full.sum() > 40 else np.nan,
        "full_throttle_reached": reached and engine.plate_max > 0.8 and engine.opening_s + 0.3 < length,
        "fault_bank": van.bank + 1,
        "fault_side": van.side,
        "fault_present": visit.fault_present,
        "recorder_hum_v": recorder.hum_v,
        "recorder_jitter": recorder.jitter,
        "recorder_offset_v": recorder.offset_v,
        "rate_hz": rate,
        "length_s": length,
        "hold_s": engine.release_s - engine.opening_s,
    }


def _crossings(run: Run, clean: Floats, idle: NDArray[np.bool_], peak: float) -> tuple[float, float, float]:
    """Half-height opening [s], first peak [raw signal] and half-height release [s]; NaN where there is none."""
    kind, engine, time, length = run.kind, run.engine, run.time, run.length
    seen_flow = air_flow(kind, clean)  # what the sensor shows, without pulsation and noise
    surge = (time > engine.opening_s) & (time < engine.opening_s + 0.25 + engine.foot_s)
    half, first = np.nan, np.nan
    if surge.any() and idle.any():
        first = float(np.max(clean[surge]))
        middle = 0.5 * (float(air_flow_of(kind, first)) + float(np.mean(seen_flow[idle])))
        above = np.flatnonzero(surge & (seen_flow > middle))
        half = float(time[above[0]]) if above.size else np.nan
    fall = np.nan
    if np.isfinite(peak) and engine.release_s < length:
        level = 0.5 * (peak * 1e3 + float(np.mean(seen_flow[idle])))
        below = np.flatnonzero((time > engine.release_s) & (seen_flow < level))
        fall = float(time[below[0]]) if below.size else np.nan
    return half, first, fall


def _conditions(run: Run, rng: np.random.Generator) -> Conditions:
    """Conditions as noted at the van; some are left out."""
    visit, trim_idle, trim_load, spoiled = run.visit, run.trim_idle, run.trim_load, run.spoiled
    missing = rng.random(5)
    cold = spoiled == "cold"
    return Conditions(
        coolant_c=round(float(rng.uniform(15, 48)) if cold else visit.coolant_c, 0)
        if cold or missing[0] > 0.08
        else None,
        intake_air_c=round(visit.intake_c + rng.normal(0, 1.0), 1) if missing[1] > 0.06 else None,
        barometer_kpa=round(visit.ambient_kpa + rng.normal(0, 0.15), 2) if missing[2] > 0.15 else None,
        humidity_pct=round(visit.humidity_pct) if missing[3] > 0.4 else None,
        altitude_m=visit.altitude_m,
        closed_loop=not cold,
        trim_idle_pct=round(100 * trim_idle + rng.normal(0, 0.8), 1) if missing[4] > 0.15 and not cold else None,
        trim_2500_pct=round(100 * trim_load + rng.normal(0, 0.8), 1) if missing[4] > 0.15 and not cold else None,
        fuel=visit.fuel,
    )


def air_flow_of(kind: Kind, raw: float) -> float:
    """Flow of one raw value. [g/s]"""
    return float(air_flow(kind, np.array([raw]))[0])
