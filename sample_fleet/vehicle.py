"""A van's parts as frozen dataclasses of plain numbers: engine, control unit, sensors."""

from dataclasses import dataclass
from typing import Literal

AirflowKind = Literal["volts", "hertz", "g_s"]
LambdaKind = Literal["narrowband", "wideband", "ratio", "none"]


@dataclass(frozen=True)
class Engine:
    """A petrol engine from air filter to tail pipe, healthy.

    Attributes
    ----------
    displacement_l, cylinders : float
        Swept volume [l] and count.
    turbo : float
        1 for a turbocharger, 0 without.
    manifold_l, duct_l : float
        Volume behind and ahead of the throttle plate. [l]
    throttle_m2 : float
        Effective area of the fully open plate. [m²]
    duct_inertance_m : float
        Cross-section over length of the inlet duct. [m]
    duct_damping : float
        Damping ratio of the duct's own resonance. [1]
    box_l : float
        Air box between filter and air-mass sensor. [l]
    duct_drop : float
        Pressure lost in filter and duct at rated flow, half in each, over ambient. [1]
    volumetric_efficiency, efficiency_fall, efficiency_rpm : float
        Best value [1], fall per squared relative distance from its speed [1], that speed [1/min].
    temperature_exponent : float
        Full-throttle flow goes as p / T to this power; 0.5 is the textbook's quasi-steady value. [1]
    compression, exhaust_drop : float
        Compression ratio; back pressure at rated flow over ambient. [1]
    air_work_j_kg : float
        Indicated work per mass of air at lambda 1 and best ignition. [J/kg]
    friction_kpa, friction_speed_kpa, accessories_nm : float
        Friction mean pressure at rest, its rise to `max_free_rpm` [kPa]; load of the accessories [N m].
    inertia_kg_m2 : float
        Of everything that turns. [kg m²]
    max_free_rpm, limiter_band_rpm : float
        Neutral limiter: torque is taken away over this band around it. [1/min]
    film_fraction, film_s : float
        Share of the injected fuel that wets the wall, and its evaporation time; published ranges 0.1-0.4
        (one minus the fraction taken in directly) and 0.2-0.5 s: Jin et al., HSCC 2014, benchmark data.
    exhaust_pipe_l, exhaust_mixing_l : float
        From valves to lambda sensor, per bank: plug flow and well-mixed part. [l]
    boost_kpa, boost_lag_s : float
        Boost at rated flow, long held, and its lag. [kPa], [s]
    recirculation_pulse : float
        Height of the pulse after the release over the flow at the release. [1]
    banks : float
        Lambda banks, 1 or 2.
    torque_scatter : float
        Relative scatter of combustion torque. [1]
    cylinder_scatter : float
        Relative scatter of fuel between cylinders. [1]
    individual : float
        Seed of this engine's own cylinder-to-cylinder pattern.
    rated_flow_g_s, idle_flow_g_s : float
        Healthy main peak and idle at reference conditions; scales of the faults. [g/s]
    """

    displacement_l: float = 2.0
    cylinders: float = 4.0
    turbo: float = 0.0
    manifold_l: float = 3.2
    duct_l: float = 4.0
    box_l: float = 7.0
    throttle_m2: float = 1.5e-3
    duct_inertance_m: float = 5.0e-3
    duct_damping: float = 0.45
    duct_drop: float = 0.03
    volumetric_efficiency: float = 0.92
    efficiency_fall: float = 0.17
    efficiency_rpm: float = 4300.0
    temperature_exponent: float = 0.55
    compression: float = 10.5
    exhaust_drop: float = 0.12
    air_work_j_kg: float = 1.02e6
    friction_kpa: float = 72.0
    friction_speed_kpa: float = 110.0
    accessories_nm: float = 2.5
    inertia_kg_m2: float = 0.165
    max_free_rpm: float = 6100.0
    limiter_band_rpm: float = 160.0
    film_fraction: float = 0.28
    film_s: float = 0.28
    exhaust_pipe_l: float = 0.9
    exhaust_mixing_l: float = 0.5
    boost_kpa: float = 0.0
    boost_lag_s: float = 0.9
    recirculation_pulse: float = 0.0
    banks: float = 1.0
    torque_scatter: float = 0.05
    cylinder_scatter: float = 0.012
    individual: float = 1.0
    rated_flow_g_s: float = 100.0
    idle_flow_g_s: float = 2.2


@dataclass(frozen=True)
class Control:
    """The control unit; the last block are the structural switches.

    Attributes
    ----------
    idle_rpm, idle_ignition, idle_air_gain : float
        Idle speed [1/min], share of torque kept in reserve by ignition [1], integral gain of the air [1/s].
    overrun_air : float
        Extra air on overrun per relative speed above idle. [1]
    enrichment_lambda, enrichment_delay_s : float
        Target at full throttle and how long after the pedal. [1], [s]
    film_compensation : float
        Share of the fuel film the control unit accounts for. [1]
    manifold_model : float
        The control unit's manifold volume over the real one. [1]
    assumed_stoichiometry : float
        Air-fuel ratio it calculates with. [1]
    short_gain, short_step : float
        Integral [1/s] and proportional [1] part of the short trim.
    short_limit, long_limit : float
        Authority of short and long trim. [1]
    cut_rpm, resume_rpm, cut_delay_s : float
        Fuel cut after the release: from which speed, to which, after what delay. [1/min], [s]
    plate_in_neutral : float
        Plate opening the control unit allows in neutral. [1]
    throttle_rate_s : float
        Time the plate needs from shut to open. [s]
    trim_learning : float
        1: the long trim learns at idle, 2,500 rpm and cruise and is used under load; 0: it stays zero.
    trim_carry : float
        Share of the learned trim used at full throttle. [1]
    """

    idle_rpm: float = 780.0
    idle_ignition: float = 0.84
    idle_air_gain: float = 0.5
    overrun_air: float = 0.28
    enrichment_lambda: float = 0.89
    enrichment_delay_s: float = 0.12
    film_compensation: float = 0.75
    manifold_model: float = 1.0
    assumed_stoichiometry: float = 14.3
    short_gain: float = 0.6
    short_step: float = 0.03
    short_limit: float = 0.20
    long_limit: float = 0.20
    cut_rpm: float = 1900.0
    resume_rpm: float = 1350.0
    cut_delay_s: float = 0.25
    plate_in_neutral: float = 0.9
    throttle_rate_s: float = 0.16
    trim_learning: float = 1.0
    trim_carry: float = 1.0


@dataclass(frozen=True)
class AirSensor:
    """Air-mass sensor: raw = (zero + slope * flow ** exponent) ** root, in V, Hz or g/s.

    Attributes
    ----------
    air_zero, air_slope, air_exponent, air_root : float
        Transfer; a hot wire has root 0.5 (King's law), a frequency output 1, bus g/s 0, 1, 1, 1.
    air_gain : float
        This sensor's gain against the table. [1]
    air_lag_s : float
        First-order lag of the element. [s]
    air_ripple : float
        Firing ripple of the flow at the sensor at full throttle, over the mean. [1]
    air_noise : float
        Noise of the raw signal, standard deviation. [raw]
    air_step, air_low, air_high : float
        Steps and range of what is recorded. [raw]
    air_interval_s : float
        Bus repetition; 0 for a wire. [s]
    """

    air_zero: float = 0.1
    air_slope: float = 0.33
    air_exponent: float = 0.9
    air_root: float = 0.5
    air_gain: float = 1.0
    air_lag_s: float = 0.010
    air_ripple: float = 0.05
    air_noise: float = 0.008
    air_step: float = 0.0012
    air_low: float = 0.0
    air_high: float = 5.0
    air_interval_s: float = 0.0


@dataclass(frozen=True)
class OxygenSensor:
    """Lambda sensor upstream of the catalyst.

    Attributes
    ----------
    narrowband : float
        1 for zirconia switching, 0 for wideband or ratio.
    rich_s, lean_s : float
        Lag when turning rich and when turning lean. [s]
    second_lag_s : float
        Electronics or protective layer. [s]
    lag_in_signal : float
        1: the lag acts on the signal; 0: on 1/lambda.
    rich_v, lean_v, switch_width : float
        Narrowband: rich and lean level [V], width of the switch in 1/lambda [1].
    oxygen_noise, oxygen_step, oxygen_low, oxygen_high, oxygen_interval_s : float
        As for the air-mass sensor. [signal], [s]
    """

    narrowband: float = 0.0
    rich_s: float = 0.045
    lean_s: float = 0.045
    second_lag_s: float = 0.006
    lag_in_signal: float = 0.0
    rich_v: float = 0.86
    lean_v: float = 0.09
    switch_width: float = 0.006
    oxygen_noise: float = 0.004
    oxygen_step: float = 0.0012
    oxygen_low: float = 0.0
    oxygen_high: float = 5.0
    oxygen_interval_s: float = 0.0


@dataclass(frozen=True)
class Vehicle:
    """One van, or the blueprint of a family.

    Attributes
    ----------
    family : str
        Key in the register.
    engine, control, air_sensor, oxygen_sensor
        Its parts.
    airflow_kind, lambda_kind : str
        What the recording holds.
    characteristic_lambda, characteristic_v : tuple of float
        Wideband sensor: lambda rising, its signal; at most 16 points; empty otherwise. [1], [V]
    """

    family: str
    engine: Engine
    control: Control
    air_sensor: AirSensor
    oxygen_sensor: OxygenSensor
    airflow_kind: AirflowKind = "volts"
    lambda_kind: LambdaKind = "wideband"
    characteristic_lambda: tuple[float, ...] = ()
    characteristic_v: tuple[float, ...] = ()
