"""One engine family drawn at random, over wide ranges of everything."""

from dataclasses import replace

import numpy as np

from sample_fleet.blueprints import Blueprint, wideband
from sample_fleet.vehicle import AirSensor, Control, Engine, OxygenSensor, Vehicle

Characteristic = dict[str, tuple[float, ...]]


def draw_family(rng: np.random.Generator, name: str) -> Blueprint:
    """A blueprint before calibration, with the raw signal at idle and at the main peak. [V or Hz]

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of everything.
    name : str
        Key of the family.

    Returns
    -------
    vehicle : Vehicle
    idle_raw, peak_raw : float
    """
    engine, control = _draw_engine(rng), _draw_control(rng)
    kind, air, idle, peak = _draw_air_sensor(rng)
    oxygen_kind, oxygen, characteristic = _draw_oxygen_sensor(rng)
    vehicle = Vehicle(name, engine, control, air, oxygen, kind, oxygen_kind, **characteristic)  # type: ignore[arg-type]
    return vehicle, idle, peak


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, drawn evenly on a logarithmic scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _draw_engine(rng: np.random.Generator) -> Engine:
    litres, cylinders = _between(rng, 0.9, 3.8), int(rng.choice([3, 4, 4, 5, 6]))
    turbo = float(rng.random() < 0.4)
    return Engine(
        displacement_l=litres,
        cylinders=cylinders,
        turbo=turbo,
        banks=2.0 if cylinders == 6 and rng.random() < 0.6 else 1.0,
        manifold_l=litres * _between(rng, 1.35, 2.5),
        duct_l=litres * _between(rng, 1.2, 2.8) + 2.0 * turbo,
        box_l=litres * _between(rng, 2.0, 4.5),
        throttle_m2=litres * _between(rng, 6.0e-4, 9.5e-4),
        duct_inertance_m=_between(rng, 3e-3, 9e-3),
        duct_damping=_between(rng, 0.3, 0.8),
        duct_drop=_between(rng, 0.015, 0.06),
        volumetric_efficiency=_between(rng, 0.80, 1.0),
        efficiency_fall=_between(rng, 0.10, 0.28),
        efficiency_rpm=_between(rng, 3400, 5200),
        temperature_exponent=float(rng.uniform(0.3, 0.9)),
        compression=_between(rng, 9.0, 12.5),
        exhaust_drop=_between(rng, 0.06, 0.2),
        friction_kpa=_between(rng, 58, 92),
        friction_speed_kpa=_between(rng, 80, 160),
        accessories_nm=litres * _between(rng, 0.9, 1.9),
        inertia_kg_m2=litres * _between(rng, 0.065, 0.115),
        max_free_rpm=_between(rng, 4400, 6800),
        limiter_band_rpm=_between(rng, 80, 300),
        film_fraction=_between(rng, 0.1, 0.4),
        film_s=_between(rng, 0.2, 0.45),
        exhaust_pipe_l=_between(rng, 0.4, 1.8),
        exhaust_mixing_l=_between(rng, 0.2, 1.0),
        boost_kpa=turbo * _between(rng, 4, 25),
        boost_lag_s=_between(rng, 0.6, 1.6),
        recirculation_pulse=turbo * _between(rng, 0.04, 0.25),
        torque_scatter=_between(rng, 0.03, 0.08),
        cylinder_scatter=_between(rng, 0.006, 0.02),
    )


def _draw_control(rng: np.random.Generator) -> Control:
    return Control(
        idle_rpm=_between(rng, 620, 920),
        idle_ignition=float(rng.uniform(0.78, 0.9)),
        idle_air_gain=_between(rng, 0.3, 0.9),
        overrun_air=_between(rng, 0.15, 0.5),
        enrichment_lambda=float(rng.uniform(0.85, 0.95)),
        enrichment_delay_s=float(rng.uniform(0.0, 0.3)),
        film_compensation=float(rng.uniform(0.5, 0.95)),
        manifold_model=_between(rng, 0.8, 1.25),
        short_gain=_between(rng, 0.35, 0.9),
        short_limit=float(rng.uniform(0.15, 0.25)),
        long_limit=float(rng.uniform(0.15, 0.25)),
        cut_rpm=_between(rng, 1600, 2400),
        resume_rpm=_between(rng, 1150, 1500),
        cut_delay_s=float(rng.choice([0.0, rng.uniform(0.1, 0.7)], p=[0.2, 0.8])),
        plate_in_neutral=float(rng.uniform(0.65, 1.0)),
        throttle_rate_s=_between(rng, 0.04, 0.19),
        trim_learning=float(rng.random() < 0.85),
        trim_carry=float(rng.choice([1.0, 0.5, 0.0], p=[0.7, 0.2, 0.1])),
    )


def _draw_air_sensor(rng: np.random.Generator) -> tuple[str, AirSensor, float, float]:
    """Kind, sensor, and its raw signal at idle and at the main peak. [V or Hz]"""
    kind = str(rng.choice(["volts", "volts", "hertz", "g_s"]))
    ripple, lag = _between(rng, 0.02, 0.09), _between(rng, 0.003, 0.03)
    idle, peak = float(rng.uniform(0.8, 1.05)), float(rng.uniform(4.45, 4.75))
    if kind == "volts":
        noise, step = _between(rng, 0.003, 0.014), 5.0 / 2 ** int(rng.integers(9, 15))
        air = AirSensor(
            air_exponent=_between(rng, 0.7, 0.95), air_lag_s=lag, air_ripple=ripple, air_noise=noise, air_step=step
        )
    elif kind == "hertz":
        idle, peak = _between(rng, 1200, 2600), _between(rng, 6000, 11000)
        air = AirSensor(
            air_exponent=_between(rng, 0.5, 0.75),
            air_root=1.0,
            air_noise=_between(rng, 1, 5),
            air_step=1.0,
            air_high=16000.0,
            air_lag_s=lag,
            air_ripple=ripple,
        )
    else:
        air = AirSensor(
            air_zero=0.0,
            air_slope=1.0,
            air_exponent=1.0,
            air_root=1.0,
            air_noise=0.01,
            air_high=655.35,
            air_lag_s=lag,
            air_step=float(rng.choice([0.01, 0.05, 0.1])),
            air_interval_s=float(rng.choice([0.0, 0.01, 0.02])),
            air_ripple=ripple,
        )
    return kind, air, idle, peak


def _draw_oxygen_sensor(rng: np.random.Generator) -> tuple[str, OxygenSensor, Characteristic]:
    kind = str(rng.choice(["wideband", "wideband", "narrowband", "ratio"]))
    rich = _between(rng, 0.03, 0.09)
    characteristic: Characteristic = {}
    if kind == "narrowband":
        oxygen = OxygenSensor(
            narrowband=1,
            rich_s=_between(rng, 0.02, 0.05),
            lean_s=_between(rng, 0.025, 0.07),
            second_lag_s=_between(rng, 0.005, 0.025),
            rich_v=float(rng.uniform(0.78, 0.92)),
            lean_v=float(rng.uniform(0.04, 0.14)),
            switch_width=_between(rng, 0.004, 0.012),
        )
    else:
        oxygen = OxygenSensor(
            rich_s=rich,
            lean_s=rich * _between(rng, 0.8, 1.5),
            second_lag_s=_between(rng, 0.003, 0.02),
            oxygen_noise=_between(rng, 0.002, 0.008),
            lag_in_signal=float(rng.random() < 0.4),
        )
        if kind == "ratio":
            oxygen = replace(
                oxygen,
                oxygen_noise=0.002,
                oxygen_step=2.0 / 65536.0,
                oxygen_high=8.0,
                oxygen_interval_s=float(rng.choice([0.0, 0.01])),
            )
        else:
            span = _between(rng, 0.9, 1.8)
            characteristic = wideband(span + 0.4, span if rng.random() < 0.6 else -span)
    return kind, oxygen, characteristic
