"""Vans and visits of the second fleet, and the engine of one capture."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from data_contracts.causes import CAUSES
from tests.otherfleet.engine import CHANNELS, KEEP_EVERY, idle_flow_of, leak_area_for, run
from tests.otherfleet.families import Floats
from tests.otherfleet.kinds import Kind
from tests.otherfleet.parameters import AIR_PER_FUEL, STEP_S, Engine
from tests.otherfleet.structured_kinds import kind_of
from tests.otherfleet.structures import ENRICHMENTS, EXHAUSTS, FUELLINGS, LIMITERS

KEPT_S = STEP_S * KEEP_EVERY
_NEVER_S = 1e9
_STOICH = {"E0": 14.7, "E5": 14.42, "E10": 14.13}


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
    pause: float = 1.0  # where its foot stops on the way down, for so long [s]
    pause_s: float = 0.0


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
        int(rng.integers(0, kind_of(family).banks)),
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
    k = kind_of(van.family)
    present = visit.fault_present or cause not in ("fuel_aeration", "ignition_weak")
    s = float(severity) if cause is not None and present else 0.0
    on = {c: (s if c == cause else 0.0) for c in CAUSES}
    engine = Engine(**_body(k, van, visit, on["injector_restricted"], cold), **_built(k, visit), **_faulted(k, van, on))
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
    trim_idle, trim_load = _learned_trims(k, van, visit, engine, on, leak)
    engine = engine._replace(
        trim_idle=trim_idle, trim_load=trim_load, fuel_gain=1.0 / (1.0 + 0.5 * (van.fuel_idle + van.fuel_load))
    )
    return engine, trim_idle, trim_load


def _body(k: Kind, van: Van, visit: Visit, restricted: float, cold: bool) -> dict[str, float]:
    """Geometry, air, control and exhaust of the engine; `restricted` is the severity of restricted injectors."""
    kelvin = visit.intake_c + 273.15
    vapour = visit.humidity_pct / 100.0 * 0.611 * np.exp(17.5 * visit.intake_c / (241.0 + visit.intake_c))
    dry = 1.0 - 0.378 * vapour / visit.ambient_kpa
    return {
        "displacement": k.litres * 1e-3,
        "cylinders": k.cylinders,
        "banks": k.banks,
        "inertia": k.inertia,
        "fill": k.fill * van.fill_gain,
        "fill_best_rpm": k.fill_best_rpm,
        "fill_fall": k.fill_fall,
        "friction_0": k.friction[0] * van.friction_gain * (1.5 if cold else 1.0),
        "friction_1": k.friction[1] * van.friction_gain,
        "friction_2": k.friction[2] * van.friction_gain,
        "plenum": k.plenum_l * 1e-3,
        "bore_area": np.pi * (k.bore_mm * 1e-3) ** 2 / 4.0 * 0.78,
        "column_hz": k.column_hz,
        "column_damping": k.column_damping,
        "boost_full": k.boost,
        "full_flow": reference_full_flow(k),
        "idle_flow": 0.0,
        "idle_rpm": k.idle_rpm * (1 + van.idle_shift + visit.idle_shift) * (1.35 if cold else 1.0),
        "limit_rpm": float(k.limit_rpm),  # a whole number would have everything compiled a second time
        "ambient_pa": visit.ambient_kpa * 1e3,
        "intake_k": kelvin / dry,
        "charge_k": (0.62 * kelvin + 0.38 * (visit.coolant_c + 273.15)) / dry,
        "film_share": film_share_of(k) * (2.2 if cold else 1.0) * (1 + 0.8 * restricted),
        "film_s": k.film_s * (1 + 0.8 * restricted),
        "rich_target": 1.0 if k.unenriched else k.rich_target,
        "rich_delay_s": k.rich_delay_s,
        "trim_idle": 0.0,
        "trim_load": 0.0,
        "carry": 1.0 if k.structure.trims in ("one", "load_only", "idle_only") else k.carry,
        "fuel_gain": 1.0,
        "fuel_stoich": _STOICH[visit.fuel],
        "cut_delay_s": _NEVER_S if k.structure.no_cut else k.cut_delay_s,
        "cut_above_rpm": 2.2 * k.idle_rpm,
        "resume_rpm": 1.75 * k.idle_rpm,
        "loop_gain": 0.15 if k.structure.loop == "patient" else 0.35,
        "narrowband": float(k.oxygen == "narrowband"),
        "loop_waits_s": 1.5 if k.structure.loop == "patient" else 0.4,
        "tau_rich_1": 0.05,
        "tau_lean_1": 0.05,
        "tau_rich_2": 0.05,
        "tau_lean_2": 0.05,
    }


def film_share_of(k: Kind) -> float:
    """Share of the fuel that clings to the walls; injected into the cylinder little of it does. [1]"""
    return k.film_share * (0.2 if k.structure.film == "direct" else 1.0)


def _built(k: Kind, visit: Visit) -> dict[str, float]:
    """What the structure adds: films, fuelling, exhaust, sensor, loop, enrichment, limiter and intake."""
    s = k.structure
    further = 2.5 if s.far else 1.6 if s.after_turbine else 1.0
    cold_walls = 1.0 + max(85.0 - visit.coolant_c, 0.0) / 60.0
    return {
        "limiter": float(LIMITERS.index(k.limiter)),
        "intake_lag_s": 0.018 if s.intake == "lag" else 0.0,
        "box_s": 0.03 if s.intake == "box" else 0.0,
        "film_slow": 0.35 if s.film == "two" else 0.0,
        "film_slow_s": 2.2,
        "film_by_load": 1.1 * cold_walls if s.film == "by_load" else 0.0,
        "undone_share": 0.8 * k.film_share if s.fuelling == "film_undone" else 0.0,
        "undone_s": 1.25 * k.film_s,
        "film_boils": 0.65 if s.film == "boiling" else 0.0,
        "film_leaves": 0.85 if s.film == "two_ways" else 0.0,
        "film_shears": 3.0 if s.film == "sheared" else 0.0,
        "on_valve": 0.4 if s.film == "on_valve" else 0.0,
        "fuelling": float(FUELLINGS.index(s.fuelling)),
        "tip_in": 0.25 if s.loop == "calm_only" else 0.0,
        "enrichment": float(ENRICHMENTS.index(s.enrichment)),
        "cut_staged_s": 0.25 if s.staged_cut else 0.0,
        "loop_jump": 0.02 if s.loop == "jumping" else 0.0,
        "loop_late_s": 0.05 if s.loop == "jumping" else 0.0,
        "loop_swing": 0.02 if s.loop == "swinging" else 0.0,
        "loop_at_full": float(k.unenriched or k.held_rich),
        "loop_holds": 0.006 if s.loop == "rich_of_one" else 0.0,
        "loop_holds_rich": float(k.held_rich),
        "loop_at_idle": float(s.loop != "not_at_idle"),
        "pipe": k.pipe_l * 1e-3 * further,
        "mixing": k.mixing_l * 1e-3 * further,
        "exhaust": float(EXHAUSTS.index(s.exhaust)),
        "second_lag": 0.35 if s.sensor_order == 2 else 0.0,
        "torque_lag_s": 0.09 if s.by_torque else 0.0,
    }


def _faulted(k: Kind, van: Van, on: dict[str, float]) -> dict[str, float]:
    """What faults do to the engine, by the severity of each cause, and the foot."""
    pulse, lost_pulse = k.recirculation * reference_full_flow(k), on["recirculation_valve"]
    return {
        "reads_idle": van.air_gain - 1 - 0.12 * on["airflow_under_reading"] + 0.15 * on["airflow_over_reading"],
        "reads_full": van.air_gain - 1 - 0.25 * on["airflow_under_reading"] + 0.08 * on["airflow_over_reading"],
        "intake_drop": 0.2 * on["intake_restricted"] / (1 - 0.2 * on["intake_restricted"]) ** 2,
        "exhaust_drop": 0.2 * on["exhaust_restricted"] / (1 - 0.2 * on["exhaust_restricted"]) ** 2,
        "leak_area": 0.0,
        "boost_leak": on["charge_air_leak"],
        "recirculation": pulse * (1 - lost_pulse),
        "flutter": pulse * 0.5 * lost_pulse if van.side < 0 else 0.0,
        "delivery": 0.25 * on["fuel_delivery_weak"],
        "weak_first": 0.35 * on["injector_restricted"],
        "weak_other": 0.08 * on["injector_restricted"],
        "drip": 0.0,
        "bubbles_hz": 8.0 * float(on["fuel_aeration"] > 0),
        "bubble_depth": 0.35 * on["fuel_aeration"],
        "misfire": 0.15 * on["ignition_weak"],
        "lambda_shift": 0.06 * on["lambda_offset"] * van.side
        if k.oxygen != "narrowband"
        else 0.008 * on["lambda_offset"],
        "false_air": 0.06 * on["exhaust_leak"],
        "shift_bank": float(van.bank),
        "opening_s": 3.0,
        "release_s": 5.0,
        "foot_s": van.foot_s,
        "plate_max": 1.0 - 0.5 * on["throttle_not_full"],
        "plate_lag_s": k.plate_lag_s,
        "rev_noise": 0.05,
    }


def _learned_trims(
    k: Kind, van: Van, visit: Visit, engine: Engine, on: dict[str, float], leak: float
) -> tuple[float, float]:
    """What the controller has learned: fuel that makes the sensor say 1 at idle and at 2,500 rpm."""
    idle, full = engine.idle_flow, engine.full_flow
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
        most = 0.10 if k.structure.trims == "narrow" else 0.25
        trims.append(float(np.clip(need - 1.0, -most, most)))
    if k.structure.trims == "one":
        trims = [0.5 * (trims[0] + trims[1])] * 2
    if k.structure.trims == "load_only":
        trims = [trims[1]] * 2
    if k.structure.trims == "idle_only":
        trims = [trims[0]] * 2
    half = 0.5 if k.structure.trims == "slow" else 1.0
    return half * trims[0], half * trims[1]


def simulate(engine: Engine, start_s: float, end_s: float, seed: int) -> tuple[Floats, NDArray[np.float32]]:
    """Time [s] and `CHANNELS` of one run, kept every 0.5 ms from `start_s`; the first second settles before it."""
    settle = 1.0
    steps = round((end_s - start_s + settle) / STEP_S)
    out = np.empty((steps // KEEP_EVERY, len(CHANNELS)), np.float32)
    run(engine, start_s - settle, steps, np.random.Generator(np.random.PCG64(seed)), out)
    time = start_s - settle + KEPT_S * np.arange(out.shape[0])
    keep = time >= start_s - 1e-9
    return time[keep], out[keep]


def reference_full_flow(kind: Kind) -> float:
    """Rough full free flow used only to scale losses. [kg/s]"""
    return _full_flow(kind.name)


@cache
def _full_flow(name: str) -> float:
    k = kind_of(name)
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
    return peak_level(time, out, engine._replace(opening_s=1.0, release_s=3.0))[0] * 1e3


def peak_level(time: Floats, out: NDArray[np.float32], engine: Engine) -> tuple[float, float, bool]:
    """Level of the indicated flow at the highest free speed [kg/s], that speed, and whether it was reached."""
    # the engine climbs until the plate has closed, a little after the foot lifts
    held = (time > engine.opening_s + 0.25) & (out[:, 6] > 0.8 * engine.plate_max)
    if not held.any():
        return np.nan, np.nan, False
    rpm = out[held, 2]
    top = float(np.percentile(rpm, 99))
    near = rpm >= 0.985 * top
    return float(np.quantile(out[held, 1][near], 0.75)), top, bool(top > 0.96 * engine.limit_rpm)
