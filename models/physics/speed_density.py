"""Air flow from manifold pressure and engine speed, for engines without an air-mass sensor (speed–density).

The flow is the one through the ports into the cylinders. While the manifold fills or empties it is not the flow through
the throttle, so it shows no surge when the plate opens.
"""

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import AirflowSensor
from data_contracts.limits import DRY_AIR_GAS_CONSTANT_J_KG_K, REFERENCE_INTAKE_AIR_C, ZERO_CELSIUS_K
from models.statistics.arrays import Floats

TEMPERATURE_POWER = 0.5
"""The flow goes with this power of one over the air temperature: see `port_flow_g_s`. [1]"""


def port_flow_g_s(
    pressure_kpa: NDArray[np.floating],
    speed_rpm: NDArray[np.floating],
    intake_air_c: Floats,
    *,
    sensor: AirflowSensor,
    displacement_l: float,
) -> Floats:
    r"""Air mass flow into the cylinders of a four-stroke engine.

    Parameters
    ----------
    pressure_kpa : ndarray
        Absolute pressure in the intake manifold; NaN stays NaN. [kPa]
    speed_rpm : ndarray
        Engine speed, of the same shape. [1/min]
    intake_air_c : ndarray
        Air temperature, broadcast against the others. [°C]
    sensor : AirflowSensor
        Of kind "map_kpa": its volumetric efficiency against pressure, constant beyond the ends.
    displacement_l : float
        Swept volume. [l]

    Returns
    -------
    ndarray
        [g/s]

    Notes
    -----
    m = eta · p · V · n / (2 · 60 · R · T): half the displacement is filled each revolution with air of the density in
    the manifold, times the volumetric efficiency eta. The efficiency holds at 25 °C and goes with the root of
    temperature, since colder air takes up more heat on its way in; the flow then goes with pressure over the root of
    temperature, as a flow past an open throttle does.

    References
    ----------
    J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, equation 2.27 for the definition of volumetric
    efficiency and section 6.2 for the root of temperature (both from memory).
    """
    kelvin = np.asarray(intake_air_c, dtype=np.float64) + ZERO_CELSIUS_K
    pressure = np.asarray(pressure_kpa, dtype=np.float64)
    efficiency = np.interp(pressure, sensor.efficiency_kpa, sensor.efficiency)
    efficiency = efficiency * np.sqrt(kelvin / (REFERENCE_INTAKE_AIR_C + ZERO_CELSIUS_K))
    # kPa times litres are joules, and kilograms of air are thousands of grams
    filled_g = 1e3 * efficiency * pressure * displacement_l / (2.0 * DRY_AIR_GAS_CONSTANT_J_KG_K * kelvin)
    return np.asarray(filled_g * np.asarray(speed_rpm, dtype=np.float64) / 60.0)


def temperature_u(intake_air_u: Floats, intake_air_c: Floats) -> Floats:
    """Relative standard uncertainty of the flow from that of the air temperature.

    Parameters
    ----------
    intake_air_u, intake_air_c : ndarray
        Standard uncertainty and value. [K], [°C]

    Returns
    -------
    ndarray
        Half of the temperature's own, as the flow goes with its root. [1]
    """
    return np.asarray(TEMPERATURE_POWER * np.asarray(intake_air_u) / (np.asarray(intake_air_c) + ZERO_CELSIUS_K))
