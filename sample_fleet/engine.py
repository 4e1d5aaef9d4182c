"""The engine in time: one compiled kernel that runs one capture per row.

Mean-value states on a fixed step (duct flow, duct and manifold pressure, speed, fuel film per bank, control unit),
with cylinder events on the crank angle for misfires, unequal cylinders and ripple. The two stiff pressures
take one linearly implicit step together; everything else is explicit. engine_air.py and engine_fuel.py hold the parts
of a step, engine_state.py the record they share; sensors.py reads the sensors afterwards.
"""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

import numpy as np
from numba import njit

from sample_fleet.air import drag_torque, moist_gas_constant, torque_share
from sample_fleet.chance import uniform
from sample_fleet.engine_air import air_path, air_sensor, control_unit, recirculation_pulse
from sample_fleet.engine_fuel import closed_loop, cylinder_events, exhaust, fuel
from sample_fleet.engine_state import (
    BALANCE,
    CUT_AT,
    FLOW_IN,
    FUEL,
    PLATE,
    PRESSURE,
    RESUME_AT,
    RICHNESS,
    SAID,
    SPEED,
    STATE,
    TRANSPORT,
    TRIM_2500,
    TRIM_IDLE,
)
from sample_fleet.record import FloatArray, Record, SeedArray
from sample_fleet.steady import (
    charge_temperature,
    cylinder_share,
    diluted,
    idle_area,
    idle_target,
    is_warm,
    leak_flow,
    learn,
    returned_gas,
    state_at,
    steady_pressure,
    unheated,
    vapour_flow,
)


@njit(cache=True, nogil=True, inline="always")
def _pressed(r: Record, since: float) -> float:
    """Part of the way down, so long after the first movement."""
    way = since / r.pedal_rise_s
    if way <= r.pause:
        return min(way, 1.0)
    return min(max((since - r.pause_s) / r.pedal_rise_s, r.pause), 1.0)


@njit(cache=True, nogil=True, inline="always")
def _lifted(r: Record, since: float) -> float:
    """Part of the way that is still pressed, so long after the lift began."""
    left = 1.0 - since / r.pedal_fall_s
    if left >= r.lift_pause:
        return left
    return max(min(1.0 - (since - r.lift_pause_s) / r.pedal_fall_s, r.lift_pause), 0.0)


@njit(cache=True, nogil=True, inline="always")
def pedal_position(r: Record, t: float) -> float:
    """Pedal at a time of the recording, 0 to 1."""
    for snap in range(int(r.snaps)):
        since = t - r.pedal_at_s - snap * r.snap_interval_s
        if since < 0.0:
            return 0.0
        if since < r.hold_s:
            return r.pedal * _pressed(r, since)
        if since < r.hold_s + r.pedal_fall_s + r.lift_pause_s:
            return r.pedal * _pressed(r, r.hold_s) * _lifted(r, since - r.hold_s)
        back = since - r.hold_s - r.pedal_fall_s - r.lift_pause_s - r.again_after_s
        if r.again > 0.0 and 0.0 <= back < r.again_s:
            return r.again * min(back / r.pedal_rise_s, 1.0, (r.again_s - back) / r.pedal_fall_s)
    return 0.0


@njit(cache=True, nogil=True)
def run_engine(
    r: Record,
    f: Record,
    learned: Record,
    seed: SeedArray,
    step: float,
    run_in: int,
    every: int,
    traces: FloatArray,
    gas_at_sensor: FloatArray,
    cold_sensor: FloatArray,
    ripple: FloatArray,
    pedal_trace: FloatArray,
    events: FloatArray,
) -> None:
    """Run one capture.

    Parameters
    ----------
    r, f, learned : records of RUN, FAULTS, FAULTS
        Vehicle and circumstances; faults now; faults the trims have settled on.
    seed : uint64 array of shape (1,)
        Random state, advanced.
    step, run_in, every : float, int, int
        Time step [s], steps before the recording starts, steps per sample.
    traces : ndarray of shape (8, samples)
        Filled: FLOW_IN, SAID [kg/s], SPEED [rad/s], PLATE [1], RICHNESS [1], PRESSURE [Pa], BALANCE [kg/s], FUEL [1].
    gas_at_sensor : ndarray of shape (2, steps + 1)
        Filled: 1/lambda that reaches each bank's sensor, every step. [1]
    cold_sensor : ndarray of shape (steps + 1,)
        Filled: how cold a lambda sensor without its heater is, 0 at working temperature to 1. [1]
    ripple : ndarray of shape (samples,)
        Filled: what the sensor's element follows beyond the mean flow. [kg/s]
    pedal_trace : ndarray of shape (samples,)
        Filled: pedal. [1]
    events : ndarray of shape (7,)
        Filled; entries named in engine_state.py.
    """
    s = np.zeros(1, dtype=STATE)[0]
    _start(r, f, learned, s, seed, events)
    steps = gas_at_sensor.shape[1] - 1
    event_richness, event_angle = np.ones((2, steps + 1)), np.zeros(steps + 1)
    pipe_richness, pipe_volume = np.ones((2, steps + 1)), np.zeros(steps + 1)
    for i in range(steps + 1):
        s.t = (i - run_in) * step
        s.pedal = pedal_position(r, s.t)
        control_unit(r, f, s, step, events)
        air_path(r, f, s, step)
        recirculation_pulse(r, f, s, step)
        air_sensor(r, f, s, step)
        fuel(r, f, s, seed, step, events)
        cylinder_events(r, f, s, seed, events)
        exhaust(
            r, f, s, seed, step, i, event_richness, event_angle, pipe_richness, pipe_volume, gas_at_sensor, cold_sensor
        )
        closed_loop(r, s, step)
        if i >= run_in and (i - run_in) % every == 0 and (i - run_in) // every < traces.shape[1]:
            _record(r, s, (i - run_in) // every, traces, ripple, pedal_trace, events)
        _turn_crank(r, s, step)


@njit(cache=True, nogil=True)
def _start(r: Record, f: Record, learned: Record, s: Record, seed: SeedArray, events: FloatArray) -> None:
    """The steady idle the recording starts from, with the trims learned before; what is not set here starts at zero."""
    banks, cylinders = int(r.banks), int(r.cylinders)
    s.ambient, s.intake = r.barometer_kpa * 1e3, r.intake_air_c + 273.15
    s.gas = moist_gas_constant(r.intake_air_c, r.humidity_pct, r.barometer_kpa)
    s.root_rt = math.sqrt(s.gas * s.intake)
    s.rated, s.idle_scale = r.rated_flow_g_s * 1e-3, r.idle_flow_g_s * 1e-3
    s.target = idle_target(r)
    s.warm = is_warm(r)
    total, said = _settled_idle(r, f, learned, s, events)
    back = returned_gas(f, r, s.pressure, s.exhaust)
    s.charge = total + back
    s.burnt = back / s.charge
    s.vapour = vapour_flow(f, r, s.pressure)
    s.flow = max(total - leak_flow(f, r, s.pressure), 0.05 * total)
    s.duct = s.ambient
    s.believed = said
    s.believed_pressure = s.pressure * said / s.charge
    s.element = said
    s.wetting = r.film_fraction * (1.0 + 0.8 * f.injector_restricted) * (1.0 + 0.008 * max(80.0 - r.coolant_c, 0.0))
    film_share = min(s.wetting, 0.8)
    for bank in range(banks):
        s.film_counted[bank] = r.film_s * said / r.assumed_stoichiometry * (1.0 + s.trims[bank]) / banks
        s.film[bank] = film_share * s.film_counted[bank]
        s.film_counted[bank] *= r.film_fraction
    s.alive, s.cold = 1.0 - f.injector_dead / cylinders, unheated(total / s.rated)
    for cylinder in range(cylinders):
        s.share[cylinder] = cylinder_share(r, f, cylinder)
    for bank in range(banks):
        s.mean_share[bank] = s.share[bank:cylinders:banks].mean()

    s.pulse_age = -1.0
    s.richness_target, s.released_s, s.closed_again_s = s.cold_rich, 9.0, 9.0
    events[CUT_AT] = events[RESUME_AT] = np.nan
    s.angle, s.last_event = 4.0 * math.pi * uniform(seed), -1
    s.leaving[:] = 1.0
    s.mixed[:] = 1.0
    s.seen[:] = 1.0
    s.mixture[:] = 1.0
    s.omega_duct = math.sqrt(r.duct_inertance_m * s.gas * s.intake / (r.duct_l * 1e-3))
    s.drop = 0.5 * r.duct_drop * s.ambient / (s.rated * s.rated)
    s.filter_drop = (0.5 * r.duct_drop + 0.32 * f.intake_restricted) * s.ambient / (s.rated * s.rated)
    s.box = s.ambient
    s.temperature = charge_temperature(r, s.charge)
    s.air, s.through = total, s.flow


@njit(cache=True, nogil=True)
def _settled_idle(r: Record, f: Record, learned: Record, s: Record, events: FloatArray) -> tuple[float, float]:
    """Trims, speed, pressure and idle area; the air into the cylinders, and as the sensor says. [kg/s]"""
    banks = int(r.banks)
    learn(r, f, s.cells_flow, s.cells_trim)
    events[TRIM_IDLE] = s.cells_trim[0, :banks].mean()
    events[TRIM_2500] = s.cells_trim[1, :banks].mean()
    learn(r, learned, s.cells_flow, s.cells_trim)
    s.learning = r.trim_learning > 0.5
    s.speed = s.target
    s.pressure = steady_pressure(r, f, s.speed, r.idle_ignition, s.trims)
    total, said, _, s.exhaust = state_at(r, f, s.pressure, s.speed, s.trims)
    s.area_idle = idle_area(r, f, s.pressure, total)
    for bank in range(banks):
        held = min(max(s.cells_trim[0, bank], -r.long_limit), r.long_limit) if s.learning else 0.0
        s.short[bank] = min(max(s.trims[bank] - held, -r.short_limit), r.short_limit)
    s.area_start = s.area_idle
    s.cold_rich = 1.0 if s.warm else 1.0 + 0.004 * (75.0 - r.coolant_c)
    return total, said


@njit(cache=True, nogil=True)
def _record(
    r: Record,
    s: Record,
    j: int,
    traces: FloatArray,
    ripple: FloatArray,
    pedal_trace: FloatArray,
    events: FloatArray,
) -> None:
    """Sample `j` of the traces."""
    cylinders = int(r.cylinders)
    traces[FLOW_IN, j], traces[SAID, j], traces[SPEED, j] = s.at_element, s.element, s.speed
    traces[PLATE, j], traces[RICHNESS, j], traces[PRESSURE, j] = s.plate, s.mean_richness, s.pressure
    traces[BALANCE, j], traces[FUEL, j] = s.air, 1.0 - s.sag
    pedal_trace[j] = s.pedal
    beat = 0.5 * cylinders * s.angle
    size = r.air_ripple * (0.12 + 0.88 * min(s.pressure / s.ambient, 1.1) ** 3) * s.wrong * r.air_gain
    size /= math.sqrt(1.0 + (0.5 * cylinders * s.speed * r.air_lag_s) ** 2)
    ripple[j] = size * s.element * (math.sin(beat) + 0.22 * math.sin(2.0 * beat + 0.9) + 0.05 * math.sin(0.5 * s.angle))
    if s.t <= 0.0 or s.loaded_s > 0.0:
        events[TRANSPORT] = 2.5 * math.pi / s.speed + r.exhaust_pipe_l * 1e-3 / s.outflow


@njit(cache=True, nogil=True)
def _turn_crank(r: Record, s: Record, step: float) -> None:
    """Torque of the burning less drag turns the crank. Step [s]."""
    burning = torque_share(s.mean_richness / s.alive) * (1.0 - s.unburnt) * (1.0 + s.torque_noise)
    burning *= diluted(s.burnt)
    torque = r.air_work_j_kg * s.ignition * s.limited * burning * s.air / s.speed
    torque -= drag_torque(r, s.pressure, s.exhaust, s.speed)
    s.speed = max(s.speed + step * torque / r.inertia_kg_m2, 15.0)
    s.angle += s.speed * step
