"""Weather and altitude: moist air, the standard atmosphere, and the main peak at reference conditions.

Quasi-steady flow through an open throttle is proportional to pressure over the root of temperature, not to density. The
exponents of a family are fitted from its own data in models/tracking/covariates.py, starting from the priors given
here.
"""

from dataclasses import dataclass

import numpy as np

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.limits import DRY_AIR_GAS_CONSTANT_J_KG_K, ZERO_CELSIUS_K
from models.physics.speed_density import TEMPERATURE_POWER, temperature_u
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate, estimate

# Standard uncertainties of measured conditions, and defaults for unmeasured ones.
# Common practice, no source (2026-11-25): a duct sensor within 1.5 K, a cab barometer within 0.2 kPa; weather moves
# station pressure by about 1 kPa around the standard atmosphere; vans work between 0 and about 1,000 m.
INTAKE_AIR_U_C = 1.5
UNMEASURED_INTAKE_AIR_U_C = 12.0
BAROMETER_U_KPA = 0.2
FROM_ALTITUDE_U_KPA = 1.0
UNMEASURED_BAROMETER_KPA = 98.0
UNMEASURED_BAROMETER_U_KPA = 3.5
HUMIDITY_U_PCT = 5.0
UNMEASURED_HUMIDITY_PCT = 65.0
UNMEASURED_HUMIDITY_U_PCT = 20.0

MOST_HUMID_C = 35.0
"""About the highest dew point ever observed on land. Common knowledge, no source (2026-11-25). [°C]"""

_WATER_OVER_DRY = 1.0 - 0.3780
"""Molar mass of water over that of dry air, CIPM-2007."""


@dataclass(frozen=True)
class Exponents:
    """Exponents of pressure and temperature in a flow: flow ∝ pressure^a × (molar mass / temperature)^b.

    Attributes
    ----------
    pressure, temperature : float
        a and b. [1]
    pressure_u, temperature_u : float
        Standard uncertainties. [1]
    correlation : float
        Between the two. [1]
    """

    pressure: float
    temperature: float
    pressure_u: float
    temperature_u: float
    correlation: float = 0.0


def textbook_exponents(aspiration: str) -> Exponents:
    """Prior for the main peak: pressure over root temperature.

    Parameters
    ----------
    aspiration : {"natural", "turbo"}
        A turbocharger makes little boost in a free snap, so it has the same mean and a wider spread.

    Returns
    -------
    Exponents

    References
    ----------
    Flow through an open throttle, textbook (from memory: Heywood, Internal Combustion Engine Fundamentals); SAE J1349
    (1990) has pressure and root temperature; ISO 1585 has 1.2 and 0.6 (from memory), for power. Spreads cover both.
    """
    spread = 0.10 if aspiration == "natural" else 0.20
    return Exponents(1.0, 0.5, spread, 1.5 * spread)


def standard_pressure_kpa(altitude_m: Floats) -> Floats:
    """Static pressure of the standard atmosphere below 11 km.

    Parameters
    ----------
    altitude_m : ndarray
        Geometric height above sea level. [m]

    Returns
    -------
    ndarray
        Pressure. [kPa]

    References
    ----------
    U.S. Standard Atmosphere 1976, ISO 2533: 288.15 K, 101.325 kPa, 6.5 K per geopotential km, earth radius 6,356.766
    km.
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    geopotential = height * 6_356_766.0 / (6_356_766.0 + height)
    gravity_over_gas_constant = 9.80665 * 0.0289644 / 8.31432
    with np.errstate(invalid="ignore"):
        ratio = 1.0 - 0.0065 * geopotential / 288.15
        return np.asarray(101.325 * ratio ** (gravity_over_gas_constant / 0.0065))


def standard_temperature_c(altitude_m: Floats) -> Floats:
    """Temperature of the standard atmosphere below 11 km; same source as `standard_pressure_kpa`.

    Parameters
    ----------
    altitude_m : ndarray
        Geometric height above sea level. [m]

    Returns
    -------
    ndarray
        Temperature. [°C]
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(15.0 - 0.0065 * height * 6_356_766.0 / (6_356_766.0 + height))


def saturation_pressure_kpa(air_c: Floats) -> Floats:
    """Saturation vapour pressure over water.

    Parameters
    ----------
    air_c : ndarray
        Air temperature. [°C]

    Returns
    -------
    ndarray
        Pressure. [kPa]

    References
    ----------
    CIPM-2007: A. Picard et al., Metrologia 45 (2008) 149, equation A1.1; DOI 10.1088/0026-1394/45/2/004.
    """
    kelvin = np.asarray(air_c, dtype=np.float64) + ZERO_CELSIUS_K
    return np.asarray(
        np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin) * 1e-3
    )


def water_fraction(air_c: Floats, barometer_kpa: Floats, humidity_pct: Floats) -> Floats:
    """Mole fraction of water vapour in the air.

    Parameters
    ----------
    air_c, barometer_kpa, humidity_pct : ndarray
        Air temperature [°C], absolute pressure [kPa], relative humidity [%].

    Returns
    -------
    ndarray
        Mole fraction. [1]

    References
    ----------
    CIPM-2007, equations A1.1 to A1.3 (with the enhancement factor); DOI 10.1088/0026-1394/45/2/004.
    """
    temperature = np.asarray(air_c, dtype=np.float64)
    enhancement = 1.00062 + 3.14e-8 * barometer_kpa * 1e3 + 5.6e-7 * temperature**2
    saturated = enhancement * saturation_pressure_kpa(temperature) / barometer_kpa
    return np.asarray(np.asarray(humidity_pct) / 100.0 * saturated)


def moist_air_density_kg_m3(air_c: Floats, barometer_kpa: Floats, humidity_pct: Floats) -> Floats:
    """Density of moist air.

    Parameters
    ----------
    air_c, barometer_kpa, humidity_pct : ndarray
        Air temperature [°C], absolute pressure [kPa], relative humidity [%].

    Returns
    -------
    ndarray
        Density. [kg/m³]

    References
    ----------
    CIPM-2007: A. Picard et al., Metrologia 45 (2008) 149, equation 1 with the compressibility of equation A1.4;
    DOI 10.1088/0026-1394/45/2/004.
    """
    t = np.asarray(air_c, dtype=np.float64)
    kelvin, pascal = t + ZERO_CELSIUS_K, np.asarray(barometer_kpa, dtype=np.float64) * 1e3
    x = water_fraction(t, barometer_kpa, humidity_pct)
    over = pascal / kelvin
    second = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2 + (5.707e-6 - 2.051e-8 * t) * x
    second = second + (1.9898e-4 - 2.376e-6 * t) * x**2
    compressibility = 1.0 - over * second + over**2 * (1.83e-11 - 0.765e-8 * x**2)
    moist = 1.0 - x * (1.0 - _WATER_OVER_DRY)
    return np.asarray(pascal / (compressibility * DRY_AIR_GAS_CONSTANT_J_KG_K * kelvin) * moist)


@dataclass(frozen=True)
class Air:
    """The intake air of each capture; unmeasured conditions have defaults with large uncertainties.

    Attributes
    ----------
    intake_air_c, barometer_kpa, humidity_pct : ndarray of shape (captures,)
        Temperature [°C], absolute pressure [kPa], relative humidity [%]; always finite.
    intake_air_u, barometer_u, humidity_u : ndarray of shape (captures,)
        Standard uncertainties, in the same units.
    """

    intake_air_c: Floats
    barometer_kpa: Floats
    humidity_pct: Floats
    intake_air_u: Floats
    barometer_u: Floats
    humidity_u: Floats


def known_air(
    intake_air_c: Floats, barometer_kpa: Floats, humidity_pct: Floats, altitude_m: Floats, *, usual_intake_air_c: float
) -> Air:
    """The air of each capture, from its own conditions alone.

    Parameters
    ----------
    intake_air_c, barometer_kpa, humidity_pct, altitude_m : ndarray of shape (captures,)
        As delivered; NaN is unmeasured. [°C], [kPa], [%], [m]
    usual_intake_air_c : float
        Default for an unmeasured temperature, with a standard uncertainty of 12 K. [°C]

    Returns
    -------
    Air
        A measured pressure is preferred to one from altitude, and that to the default; each has a larger uncertainty
        than the one before.

    Raises
    ------
    InputError
        If a temperature is below absolute zero or a pressure not above zero.
    """
    temperature, pressure = np.asarray(intake_air_c, np.float64), np.asarray(barometer_kpa, np.float64)
    humidity, altitude = np.asarray(humidity_pct, np.float64), np.asarray(altitude_m, np.float64)
    if np.any(temperature <= -ZERO_CELSIUS_K) or np.any(pressure <= 0.0):
        raise InputError(
            "intake_air_c or barometer_kpa is impossible: give °C above -273.15 and kPa above 0, or neither"
        )
    no_temperature, no_humidity = ~np.isfinite(temperature), ~np.isfinite(humidity)
    barometer, height = np.isfinite(pressure), np.isfinite(altitude)
    return Air(
        np.where(no_temperature, usual_intake_air_c, temperature),
        np.where(barometer, pressure, np.where(height, standard_pressure_kpa(altitude), UNMEASURED_BAROMETER_KPA)),
        np.where(no_humidity, UNMEASURED_HUMIDITY_PCT, humidity),
        np.where(no_temperature, UNMEASURED_INTAKE_AIR_U_C, INTAKE_AIR_U_C),
        np.where(barometer, BAROMETER_U_KPA, np.where(height, FROM_ALTITUDE_U_KPA, UNMEASURED_BAROMETER_U_KPA)),
        np.where(no_humidity, UNMEASURED_HUMIDITY_U_PCT, HUMIDITY_U_PCT),
    )


def log_ratios(air: Air, *, reference_intake_air_c: float, reference_barometer_kpa: float) -> tuple[Floats, Floats]:
    """Logarithms of pressure, and of molar mass over temperature, against the reference (dry).

    Parameters
    ----------
    air : Air
        Air of each capture.
    reference_intake_air_c, reference_barometer_kpa : float
        Reference conditions, dry. [°C], [kPa]

    Returns
    -------
    log_pressure, log_temperature : ndarray of shape (captures,)
        0 at the reference; the second is positive for air colder than it. [1]
    """
    water = water_fraction(air.intake_air_c, air.barometer_kpa, air.humidity_pct)
    # Outside humidity at the temperature of a heat-soaked duct can exceed any real amount of water: cap it.
    water = np.where(water < 1.0, water, saturation_pressure_kpa(np.array(MOST_HUMID_C)) / air.barometer_kpa)
    moist = 1.0 - water * (1.0 - _WATER_OVER_DRY)
    reference_k = reference_intake_air_c + ZERO_CELSIUS_K
    log_pressure = np.log(air.barometer_kpa / reference_barometer_kpa)
    return log_pressure, np.log(moist * reference_k / (air.intake_air_c + ZERO_CELSIUS_K))


def log_factor(
    air: Air,
    exponents: Exponents,
    *,
    reference_intake_air_c: float,
    reference_barometer_kpa: float,
    used: float = 0.0,
) -> tuple[Floats, Floats]:
    """Logarithm of the factor that brings a flow to reference conditions, and its standard uncertainty.

    Parameters
    ----------
    air : Air
        Air of each capture.
    exponents : Exponents
        Of the flow.
    reference_intake_air_c, reference_barometer_kpa : float
        Reference conditions, dry. [°C], [kPa]
    used : float
        Power of the same temperature, over one, that the flow was worked out with: its error cancels as far. [1]

    Returns
    -------
    log_factor, u : ndarray of shape (captures,)
        u combines the uncertainties of the conditions and of the exponents. [1]
    """
    log_pressure, log_temperature = log_ratios(
        air, reference_intake_air_c=reference_intake_air_c, reference_barometer_kpa=reference_barometer_kpa
    )
    a, b = exponents.pressure, exponents.temperature
    from_conditions = (a * air.barometer_u / air.barometer_kpa) ** 2
    from_conditions = from_conditions + ((b - used) * air.intake_air_u / (air.intake_air_c + ZERO_CELSIUS_K)) ** 2
    wet = water_fraction(air.intake_air_c, air.barometer_kpa, air.humidity_u)
    from_conditions = from_conditions + (b * wet * (1.0 - _WATER_OVER_DRY)) ** 2
    crossed = exponents.correlation * exponents.pressure_u * exponents.temperature_u
    from_exponents = (log_pressure * exponents.pressure_u) ** 2 + (log_temperature * exponents.temperature_u) ** 2
    from_exponents = from_exponents + 2.0 * crossed * log_pressure * log_temperature
    return -(a * log_pressure + b * log_temperature), np.sqrt(from_conditions + from_exponents)


def main_peak_at_reference(
    flow_g_s: Floats,
    flow_u: Floats,
    *,
    intake_air_c: Floats,
    barometer_kpa: Floats,
    humidity_pct: Floats,
    altitude_m: Floats,
    family: Family,
    exponents: Exponents | None = None,
) -> Estimate:
    r"""Main-peak flow at the family's reference conditions.

    Parameters
    ----------
    flow_g_s, flow_u : ndarray of shape (captures,)
        Flow at the main peak and its standard uncertainty, of a flow from manifold pressure with the part of air
        temperature; NaN is unread. [g/s]
    intake_air_c, barometer_kpa, humidity_pct, altitude_m : ndarray of shape (captures,)
        Conditions of each capture; NaN is unmeasured. [°C], [kPa], [%], [m]
    family : Family
        Of all the captures; gives the reference conditions and whether it is turbocharged.
    exponents : Exponents, optional
        Fitted from the fleet; without them the textbook's, with their uncertainty.

    Returns
    -------
    Estimate
        Flow at reference conditions. [g/s]

    Notes
    -----
    ===================  =======================================================================
    not measured         taken instead, with its standard uncertainty
    ===================  =======================================================================
    barometer            standard atmosphere at the altitude, 1.0 kPa; else 98.0 kPa, 3.5 kPa
    intake air           the reference temperature (no correction), 12 K
    humidity             65 %, 20 %
    ===================  =======================================================================

    A flow from manifold pressure was worked out with the air temperature by which it is then brought to the reference: what
    is not known of it counts once, by what is left of the two.
    """
    peak = family.main_peak
    reference_c, reference_kpa = peak.reference_intake_air_c, peak.reference_barometer_kpa
    air = known_air(intake_air_c, barometer_kpa, humidity_pct, altitude_m, usual_intake_air_c=reference_c)
    log_correction, log_u = log_factor(
        air,
        exponents if exponents is not None else textbook_exponents(family.aspiration),
        reference_intake_air_c=reference_c,
        reference_barometer_kpa=reference_kpa,
        used=0.0 if family.airflow_sensor.metered else TEMPERATURE_POWER,
    )
    factor = np.exp(log_correction)
    flow, u = np.asarray(flow_g_s, dtype=np.float64), np.asarray(flow_u, dtype=np.float64)
    if not family.airflow_sensor.metered:
        u = np.sqrt(np.maximum(u**2 - (flow * temperature_u(air.intake_air_u, air.intake_air_c)) ** 2, 0.0))
    return estimate(flow * factor, factor * np.hypot(u, flow * log_u))
