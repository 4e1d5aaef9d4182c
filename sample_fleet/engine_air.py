"""One step of the engine's air: what the control unit asks for, duct and manifold, and the air-mass sensor."""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

from numba import njit

from sample_fleet.air import cylinder_flow, flow_function, flow_slope, sensor_says
from sample_fleet.engine_state import CUT_AT, RESUME_AT, RPM
from sample_fleet.record import FloatArray, Record
from sample_fleet.steady import charge_temperature, leak_flow, open_area, returned_gas, vapour_flow

FILTER_LINEAR_PA = 20.0  # below this drop the filter's law is a straight line


@njit(cache=True, nogil=True)
def control_unit(r: Record, f: Record, s: Record, step: float, events: FloatArray) -> None:
    """Plate, mixture wanted, fuel cut, idle and limiter. Step [s]."""
    wanted = s.pedal * r.plate_in_neutral * (1.0 - 0.5 * f.throttle_not_full)
    move = step / max(r.throttle_rate_s, step)
    s.before = s.plate
    s.plate += min(max(wanted - s.plate, -move), move)
    s.off_idle = s.pedal > 0.02
    s.released_s = 0.0 if s.off_idle else s.released_s + step
    s.loaded_s = s.loaded_s + step if s.pedal > 0.6 else 0.0
    s.rpm = s.speed * RPM
    if s.off_idle or s.rpm < r.resume_rpm:
        if s.cutting:
            s.closed_again_s = 0.0
            if math.isnan(events[RESUME_AT]):
                events[RESUME_AT] = s.t
        s.cutting = False
    elif not s.cutting and s.rpm > r.cut_rpm and s.released_s >= r.cut_delay_s and s.t > 0.0:
        s.cutting = True
        if math.isnan(events[CUT_AT]):
            events[CUT_AT] = s.t
    s.closed_again_s += step
    aim = s.cold_rich
    if s.loaded_s > r.enrichment_delay_s:
        aim = max(1.0 / r.enrichment_lambda, s.cold_rich)
    s.richness_target += (aim - s.richness_target) * min(step / 0.05, 1.0)
    idling = not s.off_idle and s.rpm < 1.35 * s.target * RPM
    error = (s.target - s.speed) / s.target
    s.ignition = 0.98
    if idling:
        s.area_idle *= 1.0 + r.idle_air_gain * error * step
        s.area_idle = min(max(s.area_idle, 0.15 * s.area_start), 4.0 * s.area_start)
    if not s.off_idle:
        s.ignition = min(max(r.idle_ignition + 1.3 * error, 0.55), 1.0)
    s.limited = min(max((r.max_free_rpm + 0.5 * r.limiter_band_rpm - s.rpm) / r.limiter_band_rpm, 0.0), 1.0)
    over_idle = max(s.speed / s.target - 1.15, 0.0)
    s.area = s.area_idle * (1.0 + (0.0 if s.off_idle else r.overrun_air * over_idle) + 0.5 * max(error, 0.0))
    s.area += open_area(r, s.plate)


@njit(cache=True, nogil=True)
def air_path(r: Record, f: Record, s: Record, step: float) -> None:
    """Duct flow, then duct and manifold pressure in one implicit step [s]."""
    slope = _duct_and_plate(r, f, s, step)
    hole = leak_flow(f, r, s.pressure)
    back = returned_gas(f, r, s.pressure, s.exhaust)
    escaping = 0.03 * f.charge_air_leak * s.rated * math.sqrt(max(s.duct - s.ambient, 0.0) / 3e3) * r.turbo
    s.charge, s.exhaust = cylinder_flow(r, f, s.pressure, s.speed, s.temperature, s.gas, s.charge)
    s.temperature = charge_temperature(r, s.charge)
    s.air = s.charge * (1.0 - s.burnt)
    s.fill = s.gas * s.temperature / (r.manifold_l * 1e-3)
    fill_duct = s.gas * s.intake / (r.duct_l * 1e-3)
    gain_m = step * s.fill * (s.through + hole + back - s.charge)
    gain_d = step * fill_duct * (s.flow - escaping - s.through)
    a11, a12 = 1.0 + step * s.fill * (slope + s.charge / s.pressure), -step * s.fill * slope
    a21, a22 = -step * fill_duct * slope, 1.0 + step * fill_duct * slope
    determinant = a11 * a22 - a12 * a21
    rise_m = (gain_m * a22 - a12 * gain_d) / determinant
    rise_d = (a11 * gain_d - a21 * gain_m) / determinant
    s.burnt += step * s.fill / s.pressure * (back - s.burnt * (max(s.through, 0.0) + hole + back))
    s.vapour = vapour_flow(f, r, s.pressure)
    s.pressure = min(max(s.pressure + rise_m, 4e3), 3.0 * s.ambient)
    s.duct = min(max(s.duct + rise_d, 0.3 * s.ambient), 3.0 * s.ambient)


@njit(cache=True, nogil=True)
def _duct_and_plate(r: Record, f: Record, s: Record, step: float) -> float:
    """Filter box, duct flow and flow through the plate; how that flow answers to the manifold pressure. [kg/(s Pa)]"""
    boost_aim = r.turbo * r.boost_kpa * 1e3 * (1.0 - 0.25 * f.charge_air_leak) * min(s.flow / s.rated, 1.3) ** 2
    s.boost += (boost_aim - s.boost) * min(step / r.boost_lag_s, 1.0)
    slowed = 2.0 * r.duct_damping * s.omega_duct + r.duct_inertance_m * 2.0 * s.drop * abs(s.flow)
    across = s.ambient - s.box
    if abs(across) > FILTER_LINEAR_PA:
        through_filter = math.copysign(math.sqrt(abs(across) / s.filter_drop), across)
        filter_slope = 0.5 * abs(through_filter / across)
    else:
        filter_slope = 1.0 / math.sqrt(FILTER_LINEAR_PA * s.filter_drop)
        through_filter = across * filter_slope
    fill_box = s.gas * s.intake / (r.box_l * 1e-3)
    s.box += step * fill_box * (through_filter - s.flow) / (1.0 + step * fill_box * filter_slope)
    rest = r.duct_inertance_m * (s.box + s.boost - s.duct + s.drop * s.flow * abs(s.flow))
    rest += 2.0 * r.duct_damping * s.omega_duct * s.through
    s.flow = (s.flow + step * rest) / (1.0 + step * slowed)
    ratio = s.pressure / s.duct
    per_pascal = s.area / s.root_rt
    if ratio <= 1.0:
        psi = flow_function(ratio)
        s.through = per_pascal * s.duct * psi
        slope = per_pascal * flow_slope(ratio, psi)
    else:
        s.through = per_pascal * s.duct * flow_function(ratio)
        slope = per_pascal * flow_slope(ratio, 0.0)
    return slope


@njit(cache=True, nogil=True)
def recirculation_pulse(r: Record, f: Record, s: Record, step: float) -> None:
    """Charge air returned ahead of the compressor once the plate shuts. Step [s]."""
    s.highest = max(s.highest, s.plate)
    if r.turbo > 0.5 and s.before > 0.5 * s.highest >= s.plate and s.pulse_age < 0.0:
        s.pulse_age, s.pulse_size, s.highest = 0.0, r.recirculation_pulse * min(s.flow, s.rated), 0.0
    pulse = 0.0
    if s.pulse_age >= 0.0:
        s.pulse_age += step
        x = (s.pulse_age - 0.17) / 0.030
        good = 1.0 - f.recirculation_valve
        pulse = s.pulse_size * good * (math.exp(-0.5 * x * x) - 0.35 * math.exp(-0.5 * (x - 2.6) ** 2))
        flutter_age = max(s.pulse_age - 0.10, 0.0)
        pulse += (
            s.pulse_size
            * f.flutter
            * f.recirculation_valve
            * math.sin(94.0 * flutter_age)
            * math.exp(-flutter_age / 0.16)
            * min(flutter_age / 0.02, 1.0)
        )
        if s.pulse_age > 1.2:
            s.pulse_age = -1.0
    s.at_element = s.flow + pulse


@njit(cache=True, nogil=True)
def air_sensor(r: Record, f: Record, s: Record, step: float) -> None:
    """The air-mass sensor as the control unit reads it. Step [s]."""
    s.wrong = sensor_says(r, f, abs(s.at_element) * 1e3)
    says = abs(s.at_element) * s.wrong * r.air_gain
    s.element += (says - s.element) * (1.0 - math.exp(-step / max(r.air_lag_s, 1e-6)))
    # its own manifold model turns what passes the sensor into what enters the cylinders
    drawn = s.charge / s.pressure
    emptying = drawn * s.fill / max(r.manifold_model, 0.05)
    s.believed_pressure += (s.element / drawn - s.believed_pressure) * (1.0 - math.exp(-step * emptying))
    s.believed = drawn * s.believed_pressure
