"""The engine in time: one compiled kernel that runs one capture per row.

Mean-value states on a fixed step (duct flow, duct and manifold pressure, speed, fuel film per bank, control unit),
with cylinder events on the crank angle for misfires, unequal cylinders and ripple. The two stiff pressures
take one linearly implicit step together; everything else is explicit. Sensors are read by sensors.py in the same loop.
"""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

import numpy as np
from numba import njit

from sample_fleet.air import (
    cylinder_flow,
    drag_torque,
    flow_function,
    flow_slope,
    moist_gas_constant,
    sensor_says,
    torque_share,
)
from sample_fleet.chance import normal, uniform
from sample_fleet.record import FloatArray, Record, SeedArray
from sample_fleet.steady import (
    charge_temperature,
    cylinder_share,
    idle_area,
    idle_target,
    indicated,
    is_warm,
    leak_flow,
    learn,
    learned_trim,
    on_bank,
    open_area,
    state_at,
    steady_pressure,
    thinned,
)

RUN_IN_S = 0.9
RPM = 9.549296585513721
# rows of the noise-free traces kept for the truth
FLOW_IN, SAID, SPEED, PLATE, RICHNESS, PRESSURE, BALANCE, FUEL = range(8)
# entries of the events kept for the truth
CUT_AT, RESUME_AT, MISFIRES, DIPS, TRIM_IDLE, TRIM_2500, TRANSPORT = range(7)
TRACES, EVENTS = 8, 7


@njit(cache=True, nogil=True, inline="always")
def pedal_position(r: Record, t: float) -> float:
    """Pedal at a time of the recording, 0 to 1."""
    for snap in range(int(r.snaps)):
        since = t - r.pedal_at_s - snap * r.snap_interval_s
        if since < 0.0:
            return 0.0
        if since < r.hold_s:
            return r.pedal * min(since / r.pedal_rise_s, 1.0)
        if since < r.hold_s + r.pedal_fall_s:
            return r.pedal * (1.0 - (since - r.hold_s) / r.pedal_fall_s)
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
    ripple : ndarray of shape (samples,)
        Filled: what the sensor's element follows beyond the mean flow. [kg/s]
    pedal_trace : ndarray of shape (samples,)
        Filled: pedal. [1]
    events : ndarray of shape (7,)
        Filled, see the constants of this module.
    """
    banks, cylinders, samples = int(r.banks), int(r.cylinders), traces.shape[1]
    ambient, intake = r.barometer_kpa * 1e3, r.intake_air_c + 273.15
    gas = moist_gas_constant(r.intake_air_c, r.humidity_pct, r.barometer_kpa)
    root_rt = math.sqrt(gas * intake)
    rated, idle_scale = r.rated_flow_g_s * 1e-3, r.idle_flow_g_s * 1e-3
    target = idle_target(r)
    warm = is_warm(r)

    # trims learned before, and the steady idle the recording starts from
    cells_flow, cells_trim, trims = np.zeros(3), np.zeros((3, 2)), np.zeros(2)
    learn(r, f, cells_flow, cells_trim)
    events[TRIM_IDLE] = cells_trim[0, :banks].mean()
    events[TRIM_2500] = cells_trim[1, :banks].mean()
    learn(r, learned, cells_flow, cells_trim)
    learning = r.trim_learning > 0.5
    speed = target
    pressure = steady_pressure(r, f, speed, r.idle_ignition, trims)
    total, said, _, exhaust = state_at(r, f, pressure, speed, trims)
    area_idle = idle_area(r, f, pressure, total)
    short, was_lean = np.zeros(2), np.zeros(2)
    for bank in range(banks):
        held = min(max(cells_trim[0, bank], -r.long_limit), r.long_limit) if learning else 0.0
        short[bank] = min(max(trims[bank] - held, -r.short_limit), r.short_limit)
    area_start = area_idle
    cold_rich = 1.0 if warm else 1.0 + 0.004 * (75.0 - r.coolant_c)

    flow = max(total - leak_flow(f.unmetered_air, r, pressure), 0.05 * total)
    duct = ambient
    believed = said  # control unit's estimate of the air into the cylinders, and of the manifold pressure
    believed_pressure = pressure * said / total
    element = said
    film, film_counted = np.zeros(2), np.zeros(2)  # on the wall, and what the control unit thinks is there
    wetting = r.film_fraction * (1.0 + 0.8 * f.injector_restricted) * (1.0 + 0.008 * max(80.0 - r.coolant_c, 0.0))
    film_share = min(wetting, 0.8)
    for bank in range(banks):
        film_counted[bank] = r.film_s * said / r.assumed_stoichiometry * (1.0 + trims[bank]) / banks
        film[bank] = film_share * film_counted[bank]
        film_counted[bank] *= r.film_fraction
    share = np.array([cylinder_share(r, f, cylinder) for cylinder in range(cylinders)])
    mean_share = np.zeros(2)
    for bank in range(banks):
        mean_share[bank] = share[bank::banks].mean()

    boost = flutter_age = 0.0
    pulse_age, pulse_size, highest = -1.0, 0.0, 0.0
    plate, richness_target, loaded_s, released_s, sag = 0.0, cold_rich, 0.0, 9.0, 0.0
    cutting, closed_again_s = False, 9.0
    events[CUT_AT] = events[RESUME_AT] = np.nan
    dip_left, unburnt, torque_noise, gas_noise = 0.0, 0.0, 0.0, 0.0
    angle, last_event = 4.0 * math.pi * uniform(seed), -1
    leaving = np.ones(2)  # 1/lambda of the newest event of each bank

    steps = gas_at_sensor.shape[1] - 1
    event_richness, event_angle = np.ones((2, steps + 1)), np.zeros(steps + 1)
    pipe_richness, pipe_volume = np.ones((2, steps + 1)), np.zeros(steps + 1)
    mixed, seen = np.ones(2), np.ones(2)
    at_valve, at_sensor = 0, 0
    volume = 0.0
    omega_duct = math.sqrt(r.duct_inertance_m * gas * intake / (r.duct_l * 1e-3))
    drop = 0.5 * r.duct_drop * ambient / (rated * rated)
    filter_drop = (0.5 * r.duct_drop + 0.32 * f.intake_restricted) * ambient / (rated * rated)
    box, filter_linear = ambient, 20.0  # below this drop the filter's law is a straight line [Pa]
    temperature = charge_temperature(r, total)
    air, through, mixture = total, flow, np.ones(2)

    for i in range(steps + 1):
        t = (i - run_in) * step
        pedal = pedal_position(r, t)
        # --- control unit: plate, mixture, cut -------------------------------------------------
        wanted = pedal * r.plate_in_neutral * (1.0 - 0.5 * f.throttle_not_full)
        move = step / max(r.throttle_rate_s, step)
        before = plate
        plate += min(max(wanted - plate, -move), move)
        off_idle = pedal > 0.02
        released_s = 0.0 if off_idle else released_s + step
        loaded_s = loaded_s + step if pedal > 0.6 else 0.0
        rpm = speed * RPM
        if off_idle or rpm < r.resume_rpm:
            if cutting:
                closed_again_s = 0.0
                if math.isnan(events[RESUME_AT]):
                    events[RESUME_AT] = t
            cutting = False
        elif not cutting and rpm > r.cut_rpm and released_s >= r.cut_delay_s and t > 0.0:
            cutting = True
            if math.isnan(events[CUT_AT]):
                events[CUT_AT] = t
        closed_again_s += step
        aim = cold_rich
        if loaded_s > r.enrichment_delay_s:
            aim = max(1.0 / r.enrichment_lambda, cold_rich)
        richness_target += (aim - richness_target) * min(step / 0.05, 1.0)
        idling = not off_idle and rpm < 1.35 * target * RPM
        error = (target - speed) / target
        ignition = 0.98
        if idling:
            area_idle *= 1.0 + r.idle_air_gain * error * step
            area_idle = min(max(area_idle, 0.15 * area_start), 4.0 * area_start)
        if not off_idle:
            ignition = min(max(r.idle_ignition + 1.3 * error, 0.55), 1.0)
        limited = min(max((r.max_free_rpm + 0.5 * r.limiter_band_rpm - rpm) / r.limiter_band_rpm, 0.0), 1.0)
        over_idle = max(speed / target - 1.15, 0.0)
        area = area_idle * (1.0 + (0.0 if off_idle else r.overrun_air * over_idle) + 0.5 * max(error, 0.0))
        area += open_area(r, plate)

        # --- air: duct flow, then duct and manifold pressure in one implicit step ------------------
        boost_aim = r.turbo * r.boost_kpa * 1e3 * (1.0 - 0.25 * f.charge_air_leak) * min(flow / rated, 1.3) ** 2
        boost += (boost_aim - boost) * min(step / r.boost_lag_s, 1.0)
        slowed = 2.0 * r.duct_damping * omega_duct + r.duct_inertance_m * 2.0 * drop * abs(flow)
        across = ambient - box
        if abs(across) > filter_linear:
            through_filter = math.copysign(math.sqrt(abs(across) / filter_drop), across)
            filter_slope = 0.5 * abs(through_filter / across)
        else:
            filter_slope = 1.0 / math.sqrt(filter_linear * filter_drop)
            through_filter = across * filter_slope
        fill_box = gas * intake / (r.box_l * 1e-3)
        box += step * fill_box * (through_filter - flow) / (1.0 + step * fill_box * filter_slope)
        rest = r.duct_inertance_m * (box + boost - duct + drop * flow * abs(flow))
        rest += 2.0 * r.duct_damping * omega_duct * through
        flow = (flow + step * rest) / (1.0 + step * slowed)
        ratio = pressure / duct
        per_pascal = area / root_rt
        if ratio <= 1.0:
            psi = flow_function(ratio)
            through = per_pascal * duct * psi
            slope = per_pascal * flow_slope(ratio, psi)
        else:
            through = per_pascal * duct * flow_function(ratio)
            slope = per_pascal * flow_slope(ratio, 0.0)
        hole = leak_flow(f.unmetered_air, r, pressure)
        escaping = 0.03 * f.charge_air_leak * rated * math.sqrt(max(duct - ambient, 0.0) / 3e3) * r.turbo
        air, exhaust = cylinder_flow(r, f.exhaust_restricted, pressure, speed, temperature, gas, air)
        temperature = charge_temperature(r, air)
        fill = gas * temperature / (r.manifold_l * 1e-3)
        fill_duct = gas * intake / (r.duct_l * 1e-3)
        gain_m = step * fill * (through + hole - air)
        gain_d = step * fill_duct * (flow - escaping - through)
        a11, a12 = 1.0 + step * fill * (slope + air / pressure), -step * fill * slope
        a21, a22 = -step * fill_duct * slope, 1.0 + step * fill_duct * slope
        determinant = a11 * a22 - a12 * a21
        rise_m = (gain_m * a22 - a12 * gain_d) / determinant
        rise_d = (a11 * gain_d - a21 * gain_m) / determinant
        pressure = min(max(pressure + rise_m, 4e3), 3.0 * ambient)
        duct = min(max(duct + rise_d, 0.3 * ambient), 3.0 * ambient)

        # --- recirculation pulse: charge air returned ahead of the compressor ----------------------
        highest = max(highest, plate)
        if r.turbo > 0.5 and before > 0.5 * highest >= plate and pulse_age < 0.0:
            pulse_age, pulse_size, highest = 0.0, r.recirculation_pulse * min(flow, rated), 0.0
        pulse = 0.0
        if pulse_age >= 0.0:
            pulse_age += step
            x = (pulse_age - 0.17) / 0.030
            good = 1.0 - f.recirculation_valve
            pulse = pulse_size * good * (math.exp(-0.5 * x * x) - 0.35 * math.exp(-0.5 * (x - 2.6) ** 2))
            flutter_age = max(pulse_age - 0.10, 0.0)
            pulse += (
                pulse_size
                * f.flutter
                * f.recirculation_valve
                * math.sin(94.0 * flutter_age)
                * math.exp(-flutter_age / 0.16)
                * min(flutter_age / 0.02, 1.0)
            )
            if pulse_age > 1.2:
                pulse_age = -1.0
        at_element = flow + pulse

        # --- air-mass sensor as the control unit reads it ------------------------------------------
        wrong = sensor_says(
            f.airflow_under_reading, f.airflow_over_reading, abs(at_element) * 1e3, r.idle_flow_g_s, r.rated_flow_g_s
        )
        says = abs(at_element) * wrong * r.air_gain
        element += (says - element) * (1.0 - math.exp(-step / max(r.air_lag_s, 1e-6)))
        # its own manifold model turns what passes the sensor into what enters the cylinders
        drawn = air / pressure
        emptying = drawn * fill / max(r.manifold_model, 0.05)
        believed_pressure += (element / drawn - believed_pressure) * (1.0 - math.exp(-step * emptying))
        believed = drawn * believed_pressure

        # --- fuel: film, delivery, cut ----------------------------------------------------------------
        sag_aim = 0.25 * f.fuel_delivery_weak * min(max(air / rated - 0.05, 0.0) / 0.6, 1.0)
        sag += (sag_aim * 1.5 - sag) * min(step / 0.45, 1.0)
        delivered = 1.0 - sag
        if dip_left > 0.0:
            dip_left -= step
            delivered *= 0.65
        elif f.fuel_aeration > 0.0 and uniform(seed) < 8.0 * f.fuel_aeration * step:
            dip_left = 0.03
            if t > 0.0:
                events[DIPS] += 1.0
        closed = warm and not cutting and closed_again_s > 0.5 and loaded_s == 0.0 and pedal < 0.6
        mean_richness = 0.0
        dried = 1.0 - 0.75 * min(rpm / r.max_free_rpm, 1.0)  # fast air keeps the walls dry
        film_share, counted = min(wetting * dried, 0.8), r.film_compensation * r.film_fraction * dried
        for bank in range(banks):
            carried = 0.0
            if learning:
                carried = learned_trim(cells_flow, cells_trim, bank, believed)
                carried = min(max(carried, -r.long_limit), r.long_limit)
                if loaded_s > 0.0:
                    carried *= r.trim_carry
            desired = believed / banks * richness_target / r.assumed_stoichiometry
            desired *= 1.0 + carried + (short[bank] if closed else 0.0)
            injected = max((desired - r.film_compensation * film_counted[bank] / r.film_s) / (1.0 - counted), 0.0)
            if cutting:
                injected = 0.0
            film_counted[bank] += step * (r.film_fraction * dried * injected - film_counted[bank] / r.film_s)
            injected *= delivered * mean_share[bank]
            injected += 0.25 * f.injector_leaking * on_bank(r, f, bank) * idle_scale / 14.5
            evaporated = film[bank] / r.film_s
            film[bank] += step * (film_share * injected - evaporated)
            fuel = (1.0 - film_share) * injected + evaporated
            mixture[bank] = min(fuel * r.stoichiometry * banks / max(air, 1e-5), 3.0)
            mean_richness += mixture[bank] / banks

        # --- cylinder events on the crank angle -------------------------------------------------------
        event = int(angle * cylinders / (4.0 * math.pi))
        if event != last_event:
            last_event = event
            cylinder = event % cylinders
            bank = cylinder % banks
            load = min(max((pressure / ambient - 0.45) / 0.4, 0.0), 1.0)
            unburnt = 0.0
            if f.ignition_weak > 0.0 and uniform(seed) < f.ignition_weak * (0.006 + 0.144 * load):
                unburnt = 1.0
                if t > 0.0 and load > 0.5:
                    events[MISFIRES] += 1.0
            leaving[bank] = mixture[bank] * share[cylinder] / mean_share[bank] * (1.0 + 0.004 * normal(seed))
            if unburnt > 0.0:
                leaving[bank] *= 0.2
            torque_noise = 0.7 * torque_noise + r.torque_scatter * normal(seed)
        event_angle[i] = angle
        for bank in range(banks):
            event_richness[bank, i] = leaving[bank]
        while at_valve < i and event_angle[at_valve + 1] <= angle - 2.5 * math.pi:
            at_valve += 1
        exhaust_k = 620.0 + 380.0 * math.sqrt(min(air / rated, 1.2))
        if cutting:
            exhaust_k = 560.0
        outflow = air / banks * gas * exhaust_k / ambient
        volume += outflow * step
        pipe_volume[i] = volume
        for bank in range(banks):
            pipe_richness[bank, i] = event_richness[bank, at_valve]
        while at_sensor < i and pipe_volume[at_sensor + 1] <= volume - r.exhaust_pipe_l * 1e-3:
            at_sensor += 1
        gas_noise += -gas_noise * min(step / 0.02, 1.0) + 0.0025 * math.sqrt(2.0 * min(step / 0.02, 1.0)) * normal(seed)
        mixing = 1.0 - math.exp(-step * outflow / (r.exhaust_mixing_l * 1e-3))
        for bank in range(banks):
            mixed[bank] += (pipe_richness[bank, at_sensor] - mixed[bank]) * mixing
            tip = thinned(r, f, bank, mixed[bank] * (1.0 + gas_noise), air)
            gas_at_sensor[bank, i] = tip
            apparent = indicated(r, f, bank, tip)
            lag = (r.rich_s if apparent > seen[bank] else r.lean_s) * (1.0 + 3.0 * f.lambda_slow * on_bank(r, f, bank))
            seen[bank] += (apparent - seen[bank]) * min(step / lag, 1.0)

        # --- closed loop --------------------------------------------------------------------------------
        if closed:
            for bank in range(banks):
                if r.narrowband > 0.5:
                    lean = 1.0 if seen[bank] < 1.0 else -1.0
                    if lean != was_lean[bank]:
                        short[bank] += r.short_step * lean if was_lean[bank] != 0.0 else 0.0
                        was_lean[bank] = lean
                    short[bank] += 0.06 * lean * r.short_gain * step
                else:
                    short[bank] += r.short_gain * (1.0 - seen[bank]) * step
                short[bank] = min(max(short[bank], -r.short_limit), r.short_limit)

        # --- record -------------------------------------------------------------------------------------
        if i >= run_in and (i - run_in) % every == 0:
            j = (i - run_in) // every
            if j < samples:
                traces[FLOW_IN, j], traces[SAID, j], traces[SPEED, j] = at_element, element, speed
                traces[PLATE, j], traces[RICHNESS, j], traces[PRESSURE, j] = plate, mean_richness, pressure
                traces[BALANCE, j], traces[FUEL, j] = air, 1.0 - sag
                pedal_trace[j] = pedal
                beat = 0.5 * cylinders * angle
                size = r.air_ripple * (0.12 + 0.88 * min(pressure / ambient, 1.1) ** 3) * wrong * r.air_gain
                size /= math.sqrt(1.0 + (0.5 * cylinders * speed * r.air_lag_s) ** 2)
                ripple[j] = (
                    size * element * (math.sin(beat) + 0.22 * math.sin(2.0 * beat + 0.9) + 0.05 * math.sin(0.5 * angle))
                )
                if t <= 0.0 or loaded_s > 0.0:
                    events[TRANSPORT] = 2.5 * math.pi / speed + r.exhaust_pipe_l * 1e-3 / outflow

        # --- crank --------------------------------------------------------------------------------------
        burning = torque_share(mean_richness) * (1.0 - unburnt) * (1.0 + torque_noise)
        torque = r.air_work_j_kg * ignition * limited * burning * air / speed
        torque -= drag_torque(r, pressure, exhaust, speed)
        speed = max(speed + step * torque / r.inertia_kg_m2, 15.0)
        angle += speed * step
