"""A second, independent engine: every firing is an event, gas travels by displaced volume.

Used only to judge Vansnap on captures whose structure it was not built on. All laws here are
textbook gas and engine mechanics; every number is invented.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

STEP_S = 0.25e-3
KEEP_EVERY = 2  # every second step is kept: 0.5 ms
GAS_CONSTANT = 287.05
WORK_PER_AIR = 1.08e6  # indicated work of stoichiometric combustion per mass of air [J/kg]
AIR_PER_FUEL = 14.4  # what the control unit takes for its fuel (E5)
EXHAUST_K = 900.0
CHANNELS = ("metered", "indicated", "rpm", "phi_1", "phi_2", "phase", "plate", "gas_1")


class Engine(NamedTuple):
    """One engine on one capture: geometry, control, faults, foot; all floats, SI unless named."""

    displacement: float  # [m^3]
    cylinders: float
    banks: float
    inertia: float  # [kg m^2]
    fill: float  # volumetric efficiency at its best speed
    fill_best_rpm: float
    fill_fall: float
    friction_0: float  # mean effective pressure [Pa] of a polynomial in rpm / 1000
    friction_1: float
    friction_2: float
    plenum: float  # [m^3]
    bore_area: float  # effective area of the open plate [m^2]
    column_hz: float  # intake column: natural frequency and damping
    column_damping: float
    boost_full: float  # gauge boost over ambient at full free flow [1]
    full_flow: float  # nominal full free flow [kg/s]
    idle_flow: float  # nominal idle flow [kg/s]
    idle_rpm: float
    limit_rpm: float
    bounce: float  # 1: the limiter cuts fuel with hysteresis; 0: it retards the spark
    ambient_pa: float
    intake_k: float
    charge_k: float
    # fuel
    film_share: float
    film_s: float
    rich_target: float  # lambda asked for at full load
    rich_delay_s: float
    trim_idle: float  # learned corrections, as factors minus 1
    trim_load: float
    carry: float  # share of the load trim used at full load
    fuel_gain: float  # injectors of this van
    fuel_stoich: float  # of the fuel in the tank
    cut_delay_s: float
    cut_above_rpm: float
    resume_rpm: float
    loop_gain: float  # closed loop of lambda [1/s]
    narrowband: float
    # exhaust and sensor
    pipe: float  # gas volume from port to sensor [m^3]
    mixing: float  # [m^3]
    tau_rich_1: float
    tau_lean_1: float
    tau_rich_2: float
    tau_lean_2: float
    # faults
    reads_idle: float  # relative error of the air-mass reading at idle and full flow
    reads_full: float
    intake_drop: float  # share of pressure lost at full flow
    exhaust_drop: float
    leak_area: float  # unmetered, into the plenum [m^2]
    boost_leak: float
    recirculation: float  # height of the pulse [kg/s]
    flutter: float
    delivery: float  # share of fuel lost after 1 s of full load
    weak_first: float  # fuel share lost by the first cylinder, by the others
    weak_other: float
    drip: float  # leaking fuel [kg/s]
    bubbles_hz: float
    bubble_depth: float
    misfire: float
    lambda_shift: float  # what the controller sees added to lambda
    false_air: float  # relative lean error at idle of a leaking exhaust
    shift_bank: float
    # foot
    opening_s: float
    release_s: float
    foot_s: float
    plate_max: float
    plate_lag_s: float
    rev_noise: float


@njit(cache=True, fastmath=True)
def _orifice(area: float, up: float, down: float, kelvin: float) -> float:
    ratio = down / up
    if ratio <= 0.528:
        psi = 0.6847
    elif ratio < 0.985:
        x = (ratio - 0.528) / 0.472
        psi = 0.6847 * np.sqrt(1.0 - x * x)
    else:
        psi = 0.6847 * np.sqrt(1.0 - (0.457 / 0.472) ** 2) * (1.0 - ratio) / 0.015
    return area * up / np.sqrt(GAS_CONSTANT * kelvin) * psi


@njit(cache=True, fastmath=True)
def _friction(e: Engine, rpm: float) -> float:
    x = rpm * 1e-3
    return (e.friction_0 + e.friction_1 * x + e.friction_2 * x * x) * e.displacement / (4.0 * np.pi)


@njit(cache=True, fastmath=True)
def _filling(e: Engine, rpm: float) -> float:
    x = (rpm - e.fill_best_rpm) / 5000.0
    return e.fill * (1.0 - e.fill_fall * x * x)


@njit(cache=True)
def _idle_air(e: Engine) -> tuple[float, float]:
    """Air flow and plenum pressure that hold the idle speed at 80 % spark efficiency."""
    omega = e.idle_rpm * np.pi / 30.0
    pressure = 0.35 * e.ambient_pa
    flow = 0.0
    for _ in range(40):
        pumping = (e.ambient_pa - pressure) * e.displacement / (4.0 * np.pi)
        flow = (_friction(e, e.idle_rpm) + pumping) * omega / (WORK_PER_AIR * 0.80)
        pressure = flow * GAS_CONSTANT * e.charge_k * 120.0 / (e.displacement * _filling(e, e.idle_rpm) * e.idle_rpm)
    return flow, pressure


@njit(cache=True, fastmath=True)
def run(e: Engine, start_s: float, steps: int, rng: np.random.Generator, out: NDArray[np.float32]) -> None:
    """Run one capture.

    Parameters
    ----------
    e : Engine
        Everything about it.
    start_s : float
        Time of the first step; a second or more of idle before the recording lets the loops settle. [s]
    steps : int
        Count of steps of `STEP_S`.
    rng : numpy.random.Generator
        Cycle-to-cycle scatter, misfires, bubbles.
    out : ndarray of shape (steps // KEEP_EVERY, len(CHANNELS))
        Filled: metered and indicated flow [kg/s], speed [1/min], fuel over stoichiometric at both
        sensors, firing phase [1], plate [1], gas at sensor 1 before its lag.
    """
    n = int(e.cylinders)
    idle_flow, pressure = _idle_air(e)
    mass = pressure * e.plenum / (GAS_CONSTANT * e.charge_k)
    leak0 = _orifice(e.leak_area, e.ambient_pa, pressure, e.intake_k)
    unit = _orifice(1.0, e.ambient_pa, pressure, e.intake_k)
    idle_area = max((idle_flow - leak0) / unit, 0.1 * idle_flow / unit)
    idle_area_floor = 0.25 * idle_area
    omega = e.idle_rpm * np.pi / 30.0
    flow = idle_flow - leak0
    rate = 0.0
    indicated = flow * (1.0 + e.reads_idle)
    ecu = indicated
    held_air = indicated * e.plenum * 120.0 / (e.displacement * _filling(e, e.idle_rpm) * e.idle_rpm)
    boost, foot, plate, angle, load_time, released_time = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    stage = 4.0 * np.pi / n
    column = 2.0 * np.pi * e.column_hz
    film = np.zeros(n)
    ring = 64
    charge = np.full(ring, idle_flow * 120.0 / (e.idle_rpm * n))
    phi = np.ones(ring)
    burns = np.ones(ring)
    event = ring
    depth = 4096
    slug_volume = np.zeros((2, depth))
    slug_phi = np.ones((2, depth))
    head = np.zeros(2, np.int64)
    tail = np.zeros(2, np.int64)
    held = np.zeros(2)
    banks = int(e.banks)
    pipe = e.pipe / banks
    for b in range(2):  # the pipe is full of stoichiometric gas
        slug_volume[b, 0] = pipe
        tail[b] = 1
        held[b] = pipe
    gas = np.ones(2)
    seen = np.ones(2)
    short = np.zeros(2)
    cylinder_air = 0.0
    for c in range(n):
        film[c] = e.film_share * idle_flow * 120.0 / (e.idle_rpm * n) / AIR_PER_FUEL * e.film_s * e.idle_rpm / 120.0
    cutting, over = False, False
    bubble_until = -1e9
    spark_wander = 0.0
    tau = ((e.tau_rich_1, e.tau_lean_1), (e.tau_rich_2, e.tau_lean_2))
    fired_fuel = np.zeros(ring)
    for k in range(steps):
        t = start_s + k * STEP_S
        rpm = omega * 30.0 / np.pi
        # foot, plate
        if t >= e.opening_s and t < e.release_s:
            foot = min(foot + STEP_S / e.foot_s, 1.0)
        elif t >= e.release_s:
            foot = max(foot - STEP_S / 0.09, 0.0)
            released_time += STEP_S
        plate += (foot * e.plate_max - plate) * STEP_S / e.plate_lag_s
        if plate < 1e-4:
            plate = 0.0
        # idle air
        error = (e.idle_rpm - rpm) / e.idle_rpm
        if plate < 0.02 and rpm < 1.5 * e.idle_rpm:
            idle_area += idle_area * 0.35 * error * STEP_S
            idle_area = max(idle_area, idle_area_floor)
        dashpot = 0.0
        if released_time > 0.0:
            dashpot = 0.9 * np.exp(-released_time / 0.5)
        area = e.bore_area * (1.0 - np.cos(plate * 0.5 * np.pi)) + idle_area * (1.0 + dashpot + max(error, -0.02) * 0.6)
        # gas
        share = flow / e.full_flow
        up = e.ambient_pa * (1.0 - min((0.012 + e.intake_drop) * share * share, 0.6))
        if e.boost_full > 0.0:
            target = e.boost_full * share * share * (1.0 - 0.25 * e.boost_leak)
            boost += (target - boost) * STEP_S / 0.3
            up *= 1.0 + boost
        pressure = mass * GAS_CONSTANT * e.charge_k / e.plenum
        through = _orifice(area, up, min(pressure, up), e.intake_k)
        leak = 0.0
        if e.leak_area > 0.0:
            leak = _orifice(e.leak_area, e.ambient_pa, min(pressure, e.ambient_pa), e.intake_k)
        fill = _filling(e, rpm) * (1.0 - e.exhaust_drop * min(share * share, 1.5))
        drawn = pressure * fill * e.displacement * rpm / 120.0 / (GAS_CONSTANT * e.charge_k)
        mass += (through + leak - drawn) * STEP_S
        wanted = through
        if e.boost_leak > 0.0:
            wanted += 0.25 * e.boost_leak * boost * e.full_flow
        rate += (column * column * (wanted - flow) - 2.0 * e.column_damping * column * rate) * STEP_S
        flow += rate * STEP_S
        metered = flow
        if released_time > 0.0 and e.boost_full > 0.0:
            x = (released_time - 0.16) / 0.035
            metered += e.recirculation * np.exp(-0.5 * x * x)
            if e.flutter > 0.0:
                metered += e.flutter * np.exp(-released_time / 0.25) * np.sin(2.0 * np.pi * 17.0 * released_time)
        metered = max(metered, 0.0)
        span = min(max((metered - e.idle_flow) / (e.full_flow - e.idle_flow), 0.0), 1.3)
        indicated = metered * (1.0 + e.reads_idle + (e.reads_full - e.reads_idle) * span)
        tau_fill = e.plenum * 120.0 / (e.displacement * fill * max(rpm, 300.0))
        held_air += (indicated - held_air / tau_fill) * STEP_S
        ecu = held_air / tau_fill
        # crank
        pumping = max(e.ambient_pa - pressure, 0.0) * e.displacement / (4.0 * np.pi)
        pumping += e.exhaust_drop * share * share * e.ambient_pa * 0.8 * e.displacement / (4.0 * np.pi)
        omega -= (_friction(e, rpm) + pumping) / e.inertia * STEP_S
        omega = max(omega, 20.0)
        angle += omega * STEP_S
        cylinder_air += drawn * STEP_S
        load = pressure / e.ambient_pa
        full = load > 0.8 and plate > 0.2
        load_time = load_time + STEP_S if full else max(load_time - 2.0 * STEP_S, 0.0)
        if angle >= stage:
            angle -= stage
            event += 1
            i = event % ring
            cyl = event % n
            bank = cyl % banks
            # fuel of the charge just drawn
            if e.bounce > 0.5:
                if rpm > e.limit_rpm:
                    over = True
                elif rpm < e.limit_rpm - 90.0:
                    over = False
            if released_time > e.cut_delay_s and plate < 0.03:
                if rpm > e.cut_above_rpm and released_time < e.cut_delay_s + 0.1:
                    cutting = True
                if rpm < e.resume_rpm:
                    cutting = False
            weight = min(max((load - 0.35) / 0.3, 0.0), 1.0)
            trim = e.trim_idle + (e.trim_load * (e.carry if full else 1.0) - e.trim_idle) * weight
            closed = (not full) and (not cutting)
            ask = 1.0
            if load_time > e.rich_delay_s:
                ask = 1.0 / e.rich_target + (1.0 - 1.0 / e.rich_target) * np.exp(-(load_time - e.rich_delay_s) / 0.08)
            inject = ecu * 120.0 / (max(rpm, 200.0) * n) / AIR_PER_FUEL * (1.0 + trim) * ask * e.fuel_gain
            if closed:
                inject *= 1.0 + short[bank]
            if cutting or over:
                inject = 0.0
            lost = e.delivery * min(load_time, 1.4)
            inject *= 1.0 - lost
            inject *= 1.0 - (e.weak_first if cyl == 0 else e.weak_other)
            if e.bubbles_hz > 0.0:
                if t > bubble_until and rng.random() < e.bubbles_hz * stage / omega:
                    bubble_until = t + 0.03
                if t < bubble_until:
                    inject *= 1.0 - e.bubble_depth
            share_film = e.film_share * (1.0 + (0.4 * e.weak_first if cyl == 0 else 0.0))
            evaporated = film[cyl] * (1.0 - np.exp(-(4.0 * np.pi / omega) / e.film_s))
            film[cyl] += share_film * inject - evaporated
            fuel = (1.0 - share_film) * inject + evaporated + e.drip * (4.0 * np.pi / omega) / n
            charge[i] = cylinder_air
            cylinder_air = 0.0
            fired_fuel[i] = fuel
            phi[i] = fuel * e.fuel_stoich / max(charge[i], 1e-7) * (1.0 + 0.012 * rng.standard_normal())
            burns[i] = 1.0
            if e.misfire > 0.0 and load > 0.6 and rng.random() < e.misfire:
                burns[i] = 0.0
            # work of the charge drawn half a cycle ago
            j = (event - n // 2) % ring
            if burns[j] > 0.5 and phi[j] > 0.45:
                spark_wander += 0.1 * (rng.standard_normal() - spark_wander)
                efficiency = 0.95
                if plate < 0.03 and rpm < 1.6 * e.idle_rpm:
                    efficiency = min(max(0.80 + 2.0 * error + e.rev_noise * spark_wander, 0.4), 1.0)
                if e.bounce < 0.5:
                    efficiency *= min(max((e.limit_rpm - rpm) / 140.0, 0.0), 1.0)
                strength = min(phi[j], 1.0) if phi[j] < 1.0 else 1.0 - 0.5 * max(phi[j] - 1.25, 0.0)
                work = charge[j] * WORK_PER_AIR * efficiency * strength * (1.0 + 0.03 * rng.standard_normal())
                omega = np.sqrt(omega * omega + 2.0 * max(work, 0.0) / e.inertia)
            # exhaust of an earlier one
            j = (event - (3 * n) // 4) % ring
            gone = phi[j] if burns[j] > 0.5 else 0.4 * phi[j]
            b = (event - (3 * n) // 4) % n % banks
            volume = (charge[j] + fired_fuel[j]) * GAS_CONSTANT * EXHAUST_K / e.ambient_pa
            slug_volume[b, tail[b] % depth] = volume
            slug_phi[b, tail[b] % depth] = gone
            tail[b] += 1
            held[b] += volume
            arrived, total = 0.0, 0.0
            while held[b] > pipe and head[b] < tail[b] - 1:
                h = head[b] % depth
                take = min(slug_volume[b, h], held[b] - pipe)
                arrived += take * slug_phi[b, h]
                total += take
                slug_volume[b, h] -= take
                held[b] -= take
                if slug_volume[b, h] <= 1e-12:
                    head[b] += 1
            if total > 0.0:
                gas[b] += (arrived / total - gas[b]) * (1.0 - np.exp(-total / (e.mixing / banks)))
        # sensors and loop
        for b in range(banks):
            outside = gas[b]
            if e.false_air > 0.0 and b == 0:
                outside = outside / (1.0 + e.false_air * min(e.idle_flow / max(drawn, 1e-6), 1.5))
            lag = tau[b][0] if outside > seen[b] else tau[b][1]
            seen[b] += (outside - seen[b]) * STEP_S / lag
            # the stock settles before the recording; then closed loop only near idle or part load
            if not full and not cutting and (t < e.opening_s or released_time > 0.4):
                told = 1.0 / max(seen[b], 0.15)
                if b == int(e.shift_bank):
                    told += e.lambda_shift
                if e.narrowband > 0.5:
                    short[b] += (0.055 if told > 1.0 else -0.055) * STEP_S
                else:
                    short[b] += e.loop_gain * min(max(told - 1.0, -0.2), 0.2) * STEP_S
                short[b] = min(max(short[b], -0.06), 0.06)
        if k % KEEP_EVERY == 0:
            i = k // KEEP_EVERY
            if i < out.shape[0]:
                out[i, 0] = metered
                out[i, 1] = indicated
                out[i, 2] = omega * 30.0 / np.pi
                out[i, 3] = seen[0]
                out[i, 4] = seen[1]
                out[i, 5] = angle / stage
                out[i, 6] = plate
                out[i, 7] = gas[0]


def idle_flow_of(engine: Engine) -> float:
    """Air the engine needs at idle. [kg/s]"""
    return float(_idle_air(engine)[0])


def idle_pressure_of(engine: Engine) -> float:
    """Plenum pressure at idle. [Pa]"""
    return float(_idle_air(engine)[1])


def leak_area_for(engine: Engine, flow: float) -> float:
    """Area of a leak that passes `flow` [kg/s] into the plenum at idle. [m^2]"""
    pressure = idle_pressure_of(engine)
    return flow / float(_orifice(1.0, engine.ambient_pa, pressure, engine.intake_k))
