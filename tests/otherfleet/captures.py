"""Vans, visits and captures of the second fleet, in memory, with the truth of each."""

from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter

from data_contracts.capture import Conditions, Waveform, make_waveform
from data_contracts.causes import CAUSES
from tests.otherfleet.engine import (
    AIR_PER_FUEL,
    CHANNELS,
    KEEP_EVERY,
    STEP_S,
    Engine,
    idle_flow_of,
    leak_area_for,
    run,
)
from tests.otherfleet.families import KINDS, Kind, air_flow, air_signal, lambda_signal

Floats = NDArray[np.float64]
SPOILED = ("throttle_half", "too_short", "early_trigger", "clipped", "cold", "ends_early")
_STOICH = {"E0": 14.7, "E5": 14.42, "E10": 14.13}
_KEPT_S = STEP_S * KEEP_EVERY


@dataclass(frozen=True)
class Van:
    """What one van keeps from visit to visit."""

    family: str
    air_gain: float
    fill_gain: float
    friction_gain: float
    tau_gain: float
    tau_lean_gain: float
    fuel_idle: float
    fuel_load: float
    idle_shift: float
    foot_s: float
    hold_s: float
    side: float  # which way a two-way fault goes
    bank: int


@dataclass(frozen=True)
class Visit:
    """What the captures of one visit share."""

    intake_c: float = 25.0
    ambient_kpa: float = 99.0
    humidity_pct: float = 0.0
    altitude_m: float = 50.0
    coolant_c: float = 90.0
    fuel: str = "E5"
    idle_shift: float = 0.0
    fault_present: bool = True


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


def new_van(family: str, rng: np.random.Generator, scatter: float = 1.0) -> Van:
    """A van of a family; `scatter` 0 gives the nominal one."""

    def off(size: float) -> float:
        return float(scatter * size * rng.standard_normal())

    return Van(
        family,
        1 + off(0.010),
        1 + off(0.012),
        1 + off(0.05),
        1 + off(0.10),
        1 + off(0.05),
        off(0.020),
        off(0.018),
        off(0.01),
        float(np.clip(0.11 + off(0.03), 0.05, 0.25)),
        float(np.clip(1.15 + off(0.2), 0.8, 1.8)),
        1.0 if rng.random() < 0.7 else -1.0,
        int(rng.integers(0, KINDS[family].banks)),
    )


def new_visit(
    rng: np.random.Generator, *, altitude_m: float, ambient_c: float, fuel: str, present: float = 1.0
) -> Visit:
    """Weather and state of one visit."""
    kpa = 101.3 * np.exp(-altitude_m / 8400.0) + rng.normal(0.0, 0.9)
    soak = rng.uniform(4.0, 20.0)
    return Visit(
        float(ambient_c + soak),
        float(kpa),
        float(rng.uniform(30, 90)),
        altitude_m,
        float(rng.normal(90, 3)),
        fuel,
        float(rng.normal(0.0, 0.012)),
        bool(rng.random() < present),
    )


def engine_for(
    van: Van, visit: Visit, cause: str | None, severity: float, cold: bool = False
) -> tuple[Engine, float, float]:
    """The engine of one capture, and its settled idle and 2,500 rpm trims. [1]

    Raises
    ------
    KeyError
        If the cause is not one of `data_contracts.causes`.
    """
    if cause is not None and cause not in CAUSES:
        raise KeyError(f"cause {cause!r}: give one of {', '.join(CAUSES)}")
    k = KINDS[van.family]
    present = visit.fault_present or cause not in ("fuel_aeration", "ignition_weak")
    s = float(severity) if cause is not None and present else 0.0
    on = {c: (s if c == cause else 0.0) for c in CAUSES}
    kelvin = visit.intake_c + 273.15
    vapour = visit.humidity_pct / 100.0 * 0.611 * np.exp(17.5 * visit.intake_c / (241.0 + visit.intake_c))
    dry = 1.0 - 0.378 * vapour / visit.ambient_kpa
    charge_k = (0.62 * kelvin + 0.38 * (visit.coolant_c + 273.15)) / dry
    full = reference_full_flow(k)
    volume = k.litres * 1e-3
    bore = np.pi * (k.bore_mm * 1e-3) ** 2 / 4.0 * 0.78
    pulse = k.recirculation * full
    lost_pulse = on["recirculation_valve"]
    engine = Engine(
        volume,
        k.cylinders,
        k.banks,
        k.inertia,
        k.fill * van.fill_gain,
        k.fill_best_rpm,
        k.fill_fall,
        k.friction[0] * van.friction_gain * (1.5 if cold else 1.0),
        k.friction[1] * van.friction_gain,
        k.friction[2] * van.friction_gain,
        k.plenum_l * 1e-3,
        bore,
        k.column_hz,
        k.column_damping,
        k.boost,
        full,
        0.0,
        k.idle_rpm * (1 + van.idle_shift + visit.idle_shift) * (1.35 if cold else 1.0),
        k.limit_rpm,
        float(k.bounce),
        visit.ambient_kpa * 1e3,
        kelvin / dry,
        charge_k,
        k.film_share * (2.2 if cold else 1.0) * (1 + 0.8 * on["injector_restricted"]),
        k.film_s * (1 + 0.8 * on["injector_restricted"]),
        k.rich_target,
        k.rich_delay_s,
        0.0,
        0.0,
        k.carry,
        1.0,
        _STOICH[visit.fuel],
        k.cut_delay_s,
        2.2 * k.idle_rpm,
        1.75 * k.idle_rpm,
        0.35,
        float(k.oxygen == "narrowband"),
        k.pipe_l * 1e-3,
        k.mixing_l * 1e-3,
        0.05,
        0.05,
        0.05,
        0.05,
        van.air_gain - 1 - 0.12 * on["airflow_under_reading"] + 0.15 * on["airflow_over_reading"],
        van.air_gain - 1 - 0.25 * on["airflow_under_reading"] + 0.08 * on["airflow_over_reading"],
        0.2 * on["intake_restricted"] / (1 - 0.2 * on["intake_restricted"]) ** 2,
        0.2 * on["exhaust_restricted"] / (1 - 0.2 * on["exhaust_restricted"]) ** 2,
        0.0,
        on["charge_air_leak"],
        pulse * (1 - lost_pulse),
        pulse * 0.5 * lost_pulse if van.side < 0 else 0.0,
        0.25 * on["fuel_delivery_weak"],
        0.35 * on["injector_restricted"],
        0.08 * on["injector_restricted"],
        0.0,
        8.0 * float(on["fuel_aeration"] > 0),
        0.35 * on["fuel_aeration"],
        0.15 * on["ignition_weak"],
        0.06 * on["lambda_offset"] * van.side if k.oxygen != "narrowband" else 0.008 * on["lambda_offset"],
        0.06 * on["exhaust_leak"],
        float(van.bank),
        3.0,
        5.0,
        van.foot_s,
        1.0 - 0.5 * on["throttle_not_full"],
        k.plate_lag_s,
        0.05,
    )
    idle = idle_flow_of(engine)
    engine = engine._replace(idle_flow=idle)
    leak = 0.6 * on["unmetered_air"] * idle
    engine = engine._replace(
        leak_area=leak_area_for(engine, leak) if leak else 0.0,
        drip=0.25 * on["injector_leaking"] * idle / AIR_PER_FUEL,
    )
    slow = 1 + 3 * on["lambda_slow"]
    one_way = 1 + 4 * on["lambda_slow_one_way"]
    rich, lean = k.tau_s * van.tau_gain, k.tau_s * k.tau_lean_factor * van.tau_gain * van.tau_lean_gain
    bad_rich = rich * slow * (one_way if van.side < 0 else 1.0)
    bad_lean = lean * slow * (one_way if van.side > 0 else 1.0)
    taus = [rich, lean, rich, lean]
    taus[2 * van.bank : 2 * van.bank + 2] = [bad_rich, bad_lean]
    engine = engine._replace(**dict(zip(("tau_rich_1", "tau_lean_1", "tau_rich_2", "tau_lean_2"), taus, strict=True)))
    # what the controller has learned: fuel that makes the sensor say 1 at idle and at 2,500 rpm
    spread = (0.35 + 0.08 * (k.cylinders - 1)) / k.cylinders * on["injector_restricted"]
    trims = []
    for multiple, van_fuel in ((1.0, van.fuel_idle), (2.4, van.fuel_load)):
        through = multiple * idle
        span = min(max((through - idle) / (full - idle), 0.0), 1.3)
        error = engine.reads_idle + (engine.reads_full - engine.reads_idle) * span
        share = min(leak / through, 0.9)
        need = 1.0 / ((1 - share) * (1 + error)) / (1 - spread) / (1 - 0.04 * on["fuel_delivery_weak"] * (multiple > 1))
        need *= AIR_PER_FUEL / engine.fuel_stoich * (1.0 + van_fuel)
        need -= engine.drip / (through / AIR_PER_FUEL)
        need *= 1 + 0.06 * on["exhaust_leak"] / multiple
        need *= 1 + engine.lambda_shift
        if on["fuel_aeration"] > 0:
            need *= 1 + 0.05 * on["fuel_aeration"] * (1 if visit.intake_c > 28 else 0.4)
        trims.append(float(np.clip(need - 1.0, -0.25, 0.25)))
    engine = engine._replace(
        trim_idle=trims[0], trim_load=trims[1], fuel_gain=1.0 / (1.0 + 0.5 * (van.fuel_idle + van.fuel_load))
    )
    if k.oxygen == "narrowband":
        engine = engine._replace(lambda_shift=engine.lambda_shift)
    return engine, trims[0], trims[1]


def simulate(engine: Engine, start_s: float, end_s: float, seed: int) -> tuple[Floats, NDArray[np.float32]]:
    """Time [s] and `CHANNELS` of one run, kept every 0.5 ms from `start_s`; the first second settles before it."""
    settle = 1.0
    steps = round((end_s - start_s + settle) / STEP_S)
    out = np.empty((steps // KEEP_EVERY, len(CHANNELS)), np.float32)
    run(engine, start_s - settle, steps, np.random.Generator(np.random.PCG64(seed)), out)
    time = start_s - settle + _KEPT_S * np.arange(out.shape[0])
    keep = time >= start_s - 1e-9
    return time[keep], out[keep]


def reference_full_flow(kind: Kind) -> float:
    """Rough full free flow used only to scale losses. [kg/s]"""
    return _full_flow(kind.name)


@cache
def _full_flow(name: str) -> float:
    k = KINDS[name]
    x = (k.limit_rpm - k.fill_best_rpm) / 5000.0
    fill = k.fill * (1 - k.fill_fall * x * x)
    kelvin = 0.62 * 298.15 + 0.38 * 363.15
    return 0.985 * 99e3 * k.litres * 1e-3 * fill * k.limit_rpm / 120.0 / (287.05 * kelvin)


@cache
def reference_peak_g_s(name: str) -> float:
    """Main peak of the nominal van at reference conditions. [g/s]"""
    van = new_van(name, np.random.default_rng(0), scatter=0.0)
    engine, _, _ = engine_for(van, Visit(), None, 0.0)
    time, out = simulate(engine._replace(opening_s=1.0, release_s=3.0), 0.0, 3.0, 1)
    return _peak_level(time, out, engine._replace(opening_s=1.0, release_s=3.0))[0] * 1e3


def _peak_level(time: Floats, out: NDArray[np.float32], engine: Engine) -> tuple[float, float, bool]:
    """Level of the indicated flow at the highest free speed [kg/s], that speed, and whether it was reached."""
    # the engine climbs until the plate has closed, a little after the foot lifts
    held = (time > engine.opening_s + 0.25) & (out[:, 6] > 0.8 * engine.plate_max)
    if not held.any():
        return np.nan, np.nan, False
    rpm = out[held, 2]
    top = float(np.percentile(rpm, 99))
    near = rpm >= 0.985 * top
    return float(np.quantile(out[held, 1][near], 0.75)), top, bool(top > 0.96 * engine.limit_rpm)


def make_capture(
    van: Van,
    visit: Visit,
    recorder: Recorder,
    rng: np.random.Generator,
    *,
    cause: str | None = None,
    severity: float = 0.0,
    spoiled: str | None = None,
) -> Capture:
    """One capture.

    Parameters
    ----------
    van, visit, recorder
        Who, when, with what.
    rng : numpy.random.Generator
        Everything random.
    cause : str or None
        Code of `data_contracts.causes`.
    severity : float
        0 to 1, as trade and contracts define it.
    spoiled : str or None
        One of `SPOILED`.

    Returns
    -------
    Capture
    """
    kind = KINDS[van.family]
    engine, trim_idle, trim_load = engine_for(van, visit, cause, severity, cold=spoiled == "cold")
    before = recorder.before_s + rng.normal(0.0, 0.05 if recorder.length_s < 4 else 0.25)
    length = recorder.length_s
    hold = float(np.clip(van.hold_s + rng.normal(0, 0.15), 0.75, 2.0))
    if spoiled == "too_short":
        hold = float(rng.uniform(0.10, 0.22))
    if spoiled == "throttle_half":
        engine = engine._replace(plate_max=float(rng.uniform(0.35, 0.5)))
    if spoiled == "early_trigger":
        before = length - float(rng.uniform(0.05, 0.25)) if rng.random() < 0.5 else length + 0.5
    if spoiled == "ends_early":
        length = before + float(rng.uniform(0.15, 0.28))
    opening = max(before, 0.15)
    foot = float(np.clip(van.foot_s * np.exp(rng.normal(0, 0.2)), 0.04, 0.3))
    engine = engine._replace(opening_s=opening, release_s=opening + hold, foot_s=foot)
    time, out = simulate(engine, 0.0, length + 0.01, int(rng.integers(2**62)))
    return _record(
        kind, van, visit, recorder, rng, engine, time, out, length, trim_idle, trim_load, cause, severity, spoiled
    )


def _record(
    kind: Kind,
    van: Van,
    visit: Visit,
    recorder: Recorder,
    rng: np.random.Generator,
    engine: Engine,
    time: Floats,
    out: NDArray[np.float32],
    length: float,
    trim_idle: float,
    trim_load: float,
    cause: str | None,
    severity: float,
    spoiled: str | None,
) -> Capture:
    rate = kind.air_rate_hz or recorder.rate_hz
    stamps = np.arange(int(length * rate)) / rate
    true_stamps = stamps
    if recorder.jitter:
        stamps = np.sort(stamps + rng.normal(0.0, recorder.jitter / rate, stamps.size).clip(-0.4 / rate, 0.4 / rate))
        true_stamps = np.maximum(stamps, 0.0)
    # air-mass sensor: lag in its own signal, pulsation at the firing frequency
    indicated = out[:, 1].astype(np.float64) * 1e3
    load = np.clip(out[:, 1] / engine.full_flow, 0.0, 1.2)
    pulse = 1.0 + kind.pulse * (0.3 + 0.7 * load) * (
        np.sin(2 * np.pi * out[:, 5]) + 0.3 * np.sin(4 * np.pi * out[:, 5] + 0.7)
    )
    decay = np.exp(-_KEPT_S / kind.air_lag_s)

    def lagged(flow: Floats) -> Floats:
        raw = air_signal(kind, flow)
        return np.asarray(lfilter([1 - decay], [1, -decay], raw, zi=[raw[0] * decay])[0])

    clean, raw = lagged(indicated), lagged(indicated * pulse)
    channel = {"volts": "airflow_v", "hertz": "airflow_hz", "g_s": "airflow_g_s"}[kind.air]
    columns: dict[str, Floats] = {}
    needles = rng.random(stamps.size) < recorder.needles_per_s / rate
    electrical = needles * rng.normal(0.0, 0.8, stamps.size)

    def volts(signal: Floats, span: float, noise: float) -> Floats:
        sampled = np.interp(true_stamps, time, signal)
        sampled = sampled + recorder.offset_v + noise * rng.standard_normal(stamps.size) + electrical
        sampled = sampled + recorder.hum_v * np.sin(2 * np.pi * 50.0 * true_stamps + 1.0)
        step = 2 * span / 2**recorder.bits
        return np.clip(np.round(sampled / step) * step, -span, span)

    if kind.air == "volts":
        # the chosen range of a clipping recorder lies below this capture's main peak
        span = float(0.9 * np.percentile(clean, 99)) if spoiled == "clipped" else recorder.span_v
        columns[channel] = volts(raw, span, recorder.noise_v)
    elif kind.air == "hertz":
        period = np.interp(true_stamps, time, raw)
        columns[channel] = np.round(period * (1 + 0.0015 * rng.standard_normal(stamps.size)), 1)
        if spoiled == "clipped":
            columns[channel] = np.minimum(columns[channel], 0.9 * np.percentile(raw, 99))
    else:
        columns[channel] = np.round(
            np.interp(true_stamps, time, clean) * (1 + 0.003 * rng.standard_normal(stamps.size)), 2
        )
        if spoiled == "clipped":
            columns[channel] = np.minimum(columns[channel], 0.9 * np.percentile(clean, 99))
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
                np.interp(true_stamps, time, signal) + 0.002 * rng.standard_normal(stamps.size), 3
            )
        else:
            columns[prefix + "lambda_v"] = volts(signal, min(recorder.span_v, 5.2), recorder.noise_v)
    if kind.bus_speed:
        columns["engine_rpm"] = np.round(np.interp(true_stamps, time, out[:, 2]) / 2) * 2
        columns["throttle_pct"] = np.round(12 + 76 * np.interp(true_stamps, time, out[:, 6]), 1)
    peak, top, reached = _peak_level(time, out, engine)
    if engine.release_s > length:
        late = time > length
        peak, top, reached = _peak_level(time[~late], out[~late], engine)
    idle = (time < min(engine.opening_s, length) - 0.02) & (time > engine.opening_s - 2.0)
    idle_flow = float(np.mean(indicated[idle])) if idle.any() else np.nan
    full = (time > engine.opening_s + 0.45) & (time < min(engine.release_s, length)) & (out[:, 6] > 0.8)
    if kind.bounce:  # the last of the run-up, before firings are cut
        full &= (np.cumsum(out[:, 2] > kind.limit_rpm) == 0) & (out[:, 2] > 0.85 * kind.limit_rpm)
    else:
        full &= out[:, 2] > 0.97 * top
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
    first_g_s = float(air_flow_of(kind, first)) if np.isfinite(first) else np.nan
    peak_g_s = peak * 1e3
    truth: dict[str, object] = {
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
    missing = rng.random(5)
    cold = spoiled == "cold"
    conditions = Conditions(
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
    return Capture(make_waveform(stamps, dict(columns)), conditions, truth)


def air_flow_of(kind: Kind, raw: float) -> float:
    """Flow of one raw value. [g/s]"""
    return float(air_flow(kind, np.array([raw]))[0])


def new_recorder(serial: int, rng: np.random.Generator) -> Recorder:
    """One of the fleet's instruments."""
    long = rng.random() < 0.75
    return Recorder(
        serial=f"R{serial:03d}",
        rate_hz=float(rng.choice([500.0, 1000.0, 2000.0, 5000.0] if not long else [500.0, 1000.0, 1000.0, 2000.0])),
        length_s=float(rng.uniform(8.0, 10.0)) if long else 2.0,
        before_s=3.0 if long else 0.6,
        bits=int(rng.choice([12, 16])),
        span_v=float(rng.choice([5.2, 10.0])),
        noise_v=float(rng.uniform(0.001, 0.006)),
        offset_v=float(rng.normal(0, 0.003)),
        hum_v=float(rng.choice([0.0, 0.0, 0.003, 0.008])),
        jitter=float(rng.choice([0.0, 0.0, 0.05])),
        needles_per_s=float(rng.choice([0.0, 0.0, 0.5])),
    )


def make_captures(
    family: str,
    n: int,
    cause: str | None = None,
    severity: float = 0.0,
    *,
    rng: np.random.Generator,
    spoiled: str | None = None,
    recorder: Recorder | None = None,
    scatter: float = 1.0,
    reference: bool = False,
) -> tuple[list[Waveform], list[Conditions], pl.DataFrame]:
    """Captures of `n` vans of one family, for checks at unit level.

    Parameters
    ----------
    family : str
        A key of `tests.otherfleet.families.KINDS`.
    n : int
        How many vans, one capture each.
    cause, severity, spoiled
        As `make_capture` takes them.
    rng : numpy.random.Generator
        Everything random.
    recorder : Recorder or None
        One instrument for all; None draws one each.
    scatter : float
        Scale of the differences between vans.
    reference : bool
        All at reference conditions.

    Returns
    -------
    list of Waveform, list of Conditions, polars.DataFrame
        One row of truth per capture.
    """
    captures = []
    for number in range(n):
        van = new_van(family, rng, scatter)
        visit = Visit()
        if not reference:
            visit = new_visit(
                rng,
                altitude_m=float(rng.choice([20.0, 240.0, 520.0, 900.0])),
                ambient_c=float(rng.uniform(-2, 30)),
                fuel=str(rng.choice(["E5", "E10"])),
            )
        captures.append(
            make_capture(
                van, visit, recorder or new_recorder(number, rng), rng, cause=cause, severity=severity, spoiled=spoiled
            )
        )
    return [c.waveform for c in captures], [c.conditions for c in captures], pl.DataFrame([c.truth for c in captures])


__all__ = ["Capture", "Recorder", "Van", "Visit", "make_capture", "make_captures", "new_van", "new_visit", "replace"]
