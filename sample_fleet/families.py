"""Invented engine families: blueprints, one van's own scatter, wide randomisation, and the register entry for each."""

from dataclasses import replace
from typing import Any

import numpy as np

from data_contracts.family import Family, parse_family
from sample_fleet.blueprints import blueprints
from sample_fleet.draw_family import draw_family
from sample_fleet.parameters import Driver, Recorder
from sample_fleet.simulate import Recording, simulate
from sample_fleet.vehicle import Vehicle

TRANSFER_POINTS = 28


def calibrate(vehicle: Vehicle, idle_raw: float, peak_raw: float) -> Vehicle:
    """Run the healthy blueprint at reference conditions; set its fault scales and its sensor's transfer.

    Parameters
    ----------
    vehicle : Vehicle
        Blueprint.
    idle_raw, peak_raw : float
        Signal wanted at idle and at the main peak; not used for bus g/s. [V or Hz]

    Returns
    -------
    Vehicle
    """
    engine = vehicle.engine
    guess = engine.volumetric_efficiency * 1.157 * engine.displacement_l * engine.max_free_rpm / 120.0 * 0.85
    vehicle = replace(vehicle, engine=replace(engine, rated_flow_g_s=guess, idle_flow_g_s=0.024 * guess))
    for _ in range(2):
        batch = simulate(
            [vehicle],
            np.random.default_rng(1),
            recording=Recording(1000.0, 2.6),
            drivers=Driver(pedal_at_s=0.5, hold_s=1.1),
            recorders=Recorder(needles_per_s=0.0),
        )
        found = {name: float(batch.truth[name][0]) for name in ("idle_actual_g_s", "main_peak_actual_g_s")}
        vehicle = replace(
            vehicle,
            engine=replace(
                vehicle.engine,
                rated_flow_g_s=found["main_peak_actual_g_s"],
                idle_flow_g_s=found["idle_actual_g_s"],
            ),
        )
    if vehicle.airflow_kind == "g_s":
        return vehicle
    sensor, power = vehicle.air_sensor, 1.0 / vehicle.air_sensor.air_root
    low, high = idle_raw**power, peak_raw**power
    exponent = sensor.air_exponent
    for _ in range(200):  # a wire still gives a signal in still air: bend the curve until its zero is positive
        a, b = vehicle.engine.idle_flow_g_s**exponent, vehicle.engine.rated_flow_g_s**exponent
        slope = (high - low) / (b - a)
        zero = low - slope * a
        if zero > 0.01 * low:
            break
        exponent *= 1.02
    return replace(vehicle, air_sensor=replace(sensor, air_zero=zero, air_slope=slope, air_exponent=exponent))


def family_table(vehicle: Vehicle, rng: np.random.Generator | None = None) -> dict[str, Any]:
    """What a fleet owner writes into families.toml for a family.

    Parameters
    ----------
    vehicle : Vehicle
        Calibrated blueprint.
    rng : numpy.random.Generator, optional
        Makes the figures decent but imperfect: main peak by 1 %, response time by 10 %, transfer by 0.4 %.

    Returns
    -------
    dict
        One table of families.toml.
    """
    engine, sensor = vehicle.engine, vehicle.air_sensor

    def off(size: float) -> float:
        return 1.0 if rng is None else float(1.0 + size * rng.uniform(-1.0, 1.0))

    peak = engine.rated_flow_g_s * off(0.015)

    def raw(flow: Any) -> Any:
        return (sensor.air_zero + sensor.air_slope * flow**sensor.air_exponent) ** sensor.air_root

    table: dict[str, Any] = {
        "displacement_l": round(engine.displacement_l, 2),
        "cylinders": int(engine.cylinders),
        "aspiration": "turbo" if engine.turbo else "natural",
        "max_free_rpm": round(engine.max_free_rpm, -1),
        "throttle_open_pct": round(4.0 + 90.0 * vehicle.control.plate_in_neutral, 1),
        "lambda_banks": int(engine.banks),
    }
    if vehicle.airflow_kind == "g_s":
        table["airflow_sensor"] = {"kind": "g_s"}
        table["main_peak"] = {"expected_g_s": round(peak, 1), "low_limit_g_s": round(0.91 * peak, 1)}
    else:
        tilt = off(0.004)
        flow = np.concatenate(
            [[0.0], np.geomspace(0.15 * engine.idle_flow_g_s, 1.5 * engine.rated_flow_g_s, TRANSFER_POINTS)]
        )
        values = raw(flow)
        if vehicle.airflow_kind == "volts":
            flow = flow[values <= 5.2]
            values = values[values <= 5.2]
        digits = 4 if vehicle.airflow_kind == "volts" else 1
        unit = "v" if vehicle.airflow_kind == "volts" else "hz"
        table["airflow_sensor"] = {"kind": vehicle.airflow_kind}
        if unit == "v":
            table["airflow_sensor"]["range_v"] = [sensor.air_low, sensor.air_high]
        table["airflow_sensor"][f"transfer_{unit}"] = [round(float(x), digits) for x in values]
        table["airflow_sensor"]["transfer_g_s"] = [round(float(x) * tilt, 4) for x in flow]
        if unit == "v":
            table["main_peak"] = {
                "expected_v": round(float(raw(peak)), 2),
                "low_limit_v": round(float(raw(0.912 * peak)), 2),
            }
        else:
            table["main_peak"] = {"expected_g_s": round(peak, 1), "low_limit_g_s": round(0.91 * peak, 1)}
    oxygen: dict[str, Any] = {"kind": vehicle.lambda_kind}
    if vehicle.lambda_kind == "narrowband":
        oxygen["polarity"] = "rich_high"
    elif vehicle.lambda_kind == "wideband":
        volts, ratio = list(vehicle.characteristic_v), list(vehicle.characteristic_lambda)
        rising = volts[-1] > volts[0]
        oxygen["polarity"] = "rich_low" if rising else "rich_high"
        oxygen["characteristic_v"] = volts if rising else volts[::-1]
        oxygen["characteristic_lambda"] = ratio if rising else ratio[::-1]
    table["lambda_sensor"] = oxygen
    lag = 0.5 * (vehicle.oxygen_sensor.rich_s + vehicle.oxygen_sensor.lean_s) * off(0.1)
    table["lambda_response"] = {"expected_time_constant_s": round(lag, 3), "time_constant_limit_s": round(2.4 * lag, 3)}
    return table


def built_in_families() -> dict[str, Vehicle]:
    """The invented families of the demo, calibrated: key to blueprint."""
    return {vehicle.family: calibrate(vehicle, idle, peak) for vehicle, idle, peak in blueprints()}


def register_family(vehicle: Vehicle, rng: np.random.Generator | None = None) -> Family:
    """The register's `Family` for a blueprint; see `family_table`."""
    return parse_family(vehicle.family, family_table(vehicle, rng))


def individual(vehicle: Vehicle, rng: np.random.Generator, scatter: float = 1.0) -> Vehicle:
    """One van of a family: every part a little off its blueprint.

    Parameters
    ----------
    vehicle : Vehicle
        Calibrated blueprint.
    rng : numpy.random.Generator
        Source of the scatter.
    scatter : float
        1 is usual; 0 returns the blueprint. [1]

    Returns
    -------
    Vehicle
    """

    def off(size: float) -> float:
        return float(np.exp(scatter * size * np.clip(rng.normal(), -2.5, 2.5)))

    e, c, a, o = vehicle.engine, vehicle.control, vehicle.air_sensor, vehicle.oxygen_sensor
    engine = replace(
        e,
        volumetric_efficiency=e.volumetric_efficiency * off(0.010),
        duct_drop=e.duct_drop * off(0.12),
        exhaust_drop=e.exhaust_drop * off(0.08),
        friction_kpa=e.friction_kpa * off(0.05),
        accessories_nm=e.accessories_nm * off(0.10),
        inertia_kg_m2=e.inertia_kg_m2 * off(0.01),
        max_free_rpm=e.max_free_rpm * off(0.003),
        film_fraction=e.film_fraction * off(0.08),
        film_s=e.film_s * off(0.08),
        recirculation_pulse=e.recirculation_pulse * off(0.10),
        boost_kpa=e.boost_kpa * off(0.05),
        cylinder_scatter=e.cylinder_scatter * off(0.25),
        individual=float(rng.uniform(1.0, 50.0)),
    )
    control = replace(
        c,
        idle_rpm=c.idle_rpm * off(0.008),
        enrichment_lambda=c.enrichment_lambda * off(0.006),
        assumed_stoichiometry=c.assumed_stoichiometry * off(0.018),
        throttle_rate_s=c.throttle_rate_s * off(0.05),
        plate_in_neutral=min(c.plate_in_neutral * off(0.005), 1.0),
    )
    lag = off(0.08)
    oxygen = replace(
        o,
        rich_s=o.rich_s * lag * off(0.03),
        lean_s=o.lean_s * lag * off(0.03),
        rich_v=o.rich_v * off(0.012),
    )
    air = replace(a, air_gain=a.air_gain * off(0.012), air_lag_s=a.air_lag_s * off(0.08))
    return replace(vehicle, engine=engine, control=control, air_sensor=air, oxygen_sensor=oxygen)


def randomised_family(rng: np.random.Generator, *, wide: bool = True, name: str = "invented") -> tuple[Vehicle, Family]:
    """A family nobody has seen: its blueprint, and the register entry a fleet owner would write for it.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of everything.
    wide : bool
        Displacement, cylinders, inertia, friction, volumes, sensors, control and structure over wide ranges; else
        a mild variation of a built-in family.
    name : str
        Its key.

    Returns
    -------
    vehicle : Vehicle
    family : Family
    """
    if not wide:
        known = blueprints()
        vehicle, idle, peak = known[int(rng.integers(len(known)))]
        changed = individual(replace(vehicle, family=name), rng, 2.5)
        changed = replace(changed, air_sensor=replace(changed.air_sensor, air_gain=1.0))
        calibrated = calibrate(changed, idle, peak)
        return calibrated, register_family(calibrated, rng)

    while True:
        calibrated = calibrate(*draw_family(rng, name))
        batch = simulate(
            [calibrated], rng, recording=Recording(1000.0, 8.0), drivers=Driver(pedal_at_s=1.5, hold_s=1.2)
        )
        first, main, run_up, lowest = (
            float(batch.truth[key][0])
            for key in ("first_peak_g_s", "main_peak_g_s", "run_up_time_s", "lowest_rpm_after")
        )
        # a healthy snap has the landmarks of the trade: first peak below the main one, a dip, no stall afterwards
        if first < main and 0.3 < run_up < 0.95 and lowest > 0.6 * calibrated.control.idle_rpm:
            return calibrated, register_family(calibrated, rng)
