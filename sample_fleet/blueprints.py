"""Blueprints of the invented families, before calibration."""

from sample_fleet.combustion import pump_current
from sample_fleet.vehicle import AirSensor, Control, Engine, OxygenSensor, Vehicle

# Where an owner's table has its points. [1]
CHARACTERISTIC_LAMBDA = (0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 1.0, 1.1, 1.25, 1.5, 2.0, 3.0, 5.0, 8.0)


def wideband(stoichiometric_v: float, air_v: float) -> dict[str, tuple[float, ...]]:
    """Characteristic of a wideband sensor and its amplifier: volts at lambda 1 and how much they change to air.

    A negative change makes it high when rich.
    """
    return {
        "characteristic_lambda": CHARACTERISTIC_LAMBDA,
        "characteristic_v": tuple(round(stoichiometric_v + air_v * pump_current(x), 4) for x in CHARACTERISTIC_LAMBDA),
    }


Blueprint = tuple[Vehicle, float, float]


def blueprints() -> tuple[Blueprint, ...]:
    """Families before calibration, with the raw signal at idle and at the main peak. [V or Hz]"""
    return (_brook(), _heath(), _marsh(), _moor(), _fell(), _dale())


def _brook() -> Blueprint:
    return (
        Vehicle(
            "brook-20", Engine(), Control(), AirSensor(), OxygenSensor(), "volts", "wideband", **wideband(1.5, 1.3)
        ),
        0.93,
        4.70,
    )


def _heath() -> Blueprint:
    return (
        Vehicle(
            "heath-12",
            Engine(
                displacement_l=1.2,
                cylinders=3,
                turbo=1,
                manifold_l=2.1,
                duct_l=5.5,
                box_l=5.0,
                throttle_m2=1.05e-3,
                volumetric_efficiency=0.90,
                efficiency_rpm=3900,
                compression=9.8,
                friction_kpa=78,
                accessories_nm=2.2,
                inertia_kg_m2=0.105,
                max_free_rpm=5600,
                film_fraction=0.22,
                film_s=0.25,
                exhaust_pipe_l=0.7,
                exhaust_mixing_l=0.6,
                boost_kpa=16,
                recirculation_pulse=0.16,
                temperature_exponent=0.6,
            ),
            Control(idle_rpm=830, enrichment_lambda=0.92, plate_in_neutral=0.8, throttle_rate_s=0.15, cut_delay_s=0.35),
            AirSensor(air_exponent=0.86, air_lag_s=0.013, air_ripple=0.045),
            OxygenSensor(rich_s=0.055, lean_s=0.065),
            "volts",
            "wideband",
            **wideband(2.6, -1.6),
        ),
        0.88,
        4.70,
    )


def _marsh() -> Blueprint:
    return (
        Vehicle(
            "marsh-16",
            Engine(
                displacement_l=1.6,
                cylinders=4,
                manifold_l=2.6,
                duct_l=3.4,
                box_l=6.0,
                throttle_m2=1.25e-3,
                friction_kpa=70,
                accessories_nm=2.4,
                inertia_kg_m2=0.135,
                max_free_rpm=6000,
                exhaust_pipe_l=0.8,
                exhaust_mixing_l=0.35,
                volumetric_efficiency=0.89,
                efficiency_rpm=4100,
                film_fraction=0.30,
                film_s=0.32,
            ),
            Control(idle_rpm=760, enrichment_lambda=0.88, plate_in_neutral=0.95, throttle_rate_s=0.17, cut_delay_s=0.2),
            AirSensor(air_exponent=0.58, air_root=1.0, air_noise=2.0, air_step=1.0, air_high=12000.0, air_lag_s=0.016),
            OxygenSensor(narrowband=1, rich_s=0.030, lean_s=0.040, second_lag_s=0.015),
            "hertz",
            "narrowband",
        ),
        2150.0,
        8200.0,
    )


def _moor() -> Blueprint:
    return (
        Vehicle(
            "moor-30",
            Engine(
                displacement_l=3.0,
                cylinders=6,
                banks=2,
                manifold_l=5.2,
                duct_l=5.0,
                box_l=10.0,
                throttle_m2=2.2e-3,
                friction_kpa=76,
                accessories_nm=3.5,
                inertia_kg_m2=0.25,
                max_free_rpm=5900,
                exhaust_pipe_l=0.75,
                exhaust_mixing_l=0.4,
                volumetric_efficiency=0.93,
                efficiency_rpm=4500,
                film_fraction=0.25,
                film_s=0.27,
            ),
            Control(idle_rpm=700, enrichment_lambda=0.90, plate_in_neutral=0.85, throttle_rate_s=0.18, cut_delay_s=0.4),
            AirSensor(air_exponent=0.88, air_lag_s=0.009, air_ripple=0.035),
            OxygenSensor(rich_s=0.042, lean_s=0.048),
            "volts",
            "wideband",
            **wideband(1.8, 1.4),
        ),
        0.98,
        4.70,
    )


def _fell() -> Blueprint:
    return (
        Vehicle(
            "fell-15",
            Engine(
                displacement_l=1.5,
                cylinders=4,
                turbo=1,
                manifold_l=2.4,
                duct_l=6.0,
                box_l=6.0,
                throttle_m2=1.2e-3,
                volumetric_efficiency=0.91,
                efficiency_rpm=4000,
                compression=10.0,
                friction_kpa=74,
                accessories_nm=2.4,
                inertia_kg_m2=0.13,
                max_free_rpm=5200,
                film_fraction=0.2,
                film_s=0.24,
                boost_kpa=12,
                recirculation_pulse=0.12,
                exhaust_pipe_l=0.8,
                exhaust_mixing_l=0.55,
            ),
            Control(idle_rpm=800, enrichment_lambda=0.93, plate_in_neutral=0.75, throttle_rate_s=0.14, cut_delay_s=0.3),
            AirSensor(
                air_zero=0.0,
                air_slope=1.0,
                air_exponent=1.0,
                air_root=1.0,
                air_noise=0.01,
                air_step=0.01,
                air_high=655.35,
                air_interval_s=0.01,
                air_lag_s=0.012,
            ),
            OxygenSensor(
                rich_s=0.05,
                lean_s=0.06,
                oxygen_noise=0.002,
                oxygen_step=2.0 / 65536.0,
                oxygen_interval_s=0.01,
                oxygen_high=8.0,
            ),
            "g_s",
            "ratio",
        ),
        0.0,
        0.0,
    )


def _dale() -> Blueprint:
    return (
        Vehicle(
            "dale-25",
            Engine(
                displacement_l=2.5,
                cylinders=5,
                manifold_l=4.1,
                duct_l=5.5,
                throttle_m2=1.8e-3,
                friction_kpa=77,
                accessories_nm=3.0,
                inertia_kg_m2=0.21,
                max_free_rpm=5800,
                exhaust_pipe_l=1.1,
                exhaust_mixing_l=0.5,
                volumetric_efficiency=0.90,
                efficiency_rpm=4200,
            ),
            Control(idle_rpm=740, enrichment_lambda=0.87, plate_in_neutral=0.9, cut_delay_s=0.5),
            AirSensor(air_exponent=0.90, air_lag_s=0.012, air_ripple=0.05),
            OxygenSensor(narrowband=1, rich_s=0.035, lean_s=0.050, second_lag_s=0.012),
            "volts",
            "narrowband",
        ),
        0.90,
        4.70,
    )
