"""Compiled pieces of the air path: orifice flow, filling of the cylinders, friction, combustion."""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

from numba import njit

from sample_fleet.record import Record

GAS_CONSTANT = 287.06  # dry air [J/(kg K)], CIPM-2007 molar mass 28.96546 g/mol and R 8.314472
KAPPA = 1.4
CRITICAL_RATIO = (2.0 / (KAPPA + 1.0)) ** (KAPPA / (KAPPA - 1.0))
CHOKED = math.sqrt(KAPPA) * (2.0 / (KAPPA + 1.0)) ** ((KAPPA + 1.0) / (2.0 * (KAPPA - 1.0)))
LINEAR_RATIO = 0.98
_LINEAR_FLOW = math.sqrt(
    2.0 * KAPPA / (KAPPA - 1.0) * (LINEAR_RATIO ** (2.0 / KAPPA) - LINEAR_RATIO ** ((KAPPA + 1.0) / KAPPA))
)


@njit(cache=True, nogil=True, inline="always")
def flow_function(ratio: float) -> float:
    """Isentropic orifice flow over area * p / sqrt(R T), choked below 0.528.

    Near a ratio of one its root has an infinite slope; from 0.98 it is a straight line through zero, which also
    carries back-flow.
    """
    if ratio <= CRITICAL_RATIO:
        return CHOKED
    if ratio >= LINEAR_RATIO:
        return _LINEAR_FLOW * (1.0 - ratio) / (1.0 - LINEAR_RATIO)
    root = ratio ** (1.0 / KAPPA)
    return math.sqrt(2.0 * KAPPA / (KAPPA - 1.0) * (root * root - root * ratio))


@njit(cache=True, nogil=True, inline="always")
def flow_slope(ratio: float, flow: float) -> float:
    """Minus the derivative of `flow_function`, close enough for the implicit step."""
    if ratio <= CRITICAL_RATIO:
        return 0.0
    if ratio >= LINEAR_RATIO:
        return _LINEAR_FLOW / (1.0 - LINEAR_RATIO)
    return flow / (2.0 * (1.0 - ratio))


@njit(cache=True, nogil=True, inline="always")
def plate_area(opening: float) -> float:
    """Free area of a round plate over its full area, opening 0 to 1 standing for 0 to 90 degrees."""
    return 1.0 - math.cos(0.5 * math.pi * min(max(opening, 0.0), 1.0))


@njit(cache=True, nogil=True, inline="always")
def moist_gas_constant(intake_c: float, humidity_pct: float, barometer_kpa: float) -> float:
    """Gas constant of moist air; vapour pressure by the Magnus formula with WMO coefficients. [J/(kg K)]"""
    vapour = humidity_pct * 0.01 * 0.6112 * math.exp(17.62 * intake_c / (243.12 + intake_c))
    return GAS_CONSTANT / (1.0 - 0.378 * vapour / barometer_kpa)


@njit(cache=True, nogil=True, inline="always")
def cylinder_flow(
    r: Record, f: Record, pressure: float, speed: float, temperature: float, gas: float, last: float
) -> tuple[float, float]:
    """Gas into the cylinders [kg/s] and exhaust back pressure [Pa].

    Parameters: `r` the run record, `f` the faults, manifold pressure [Pa], speed [rad/s], charge temperature [K],
    gas constant, last flow [kg/s]. Speed-density with an efficiency that falls off either side of its best speed, loses
    to residual gas when the exhaust stands above the manifold, and follows temperature by the family's exponent.
    """
    blocked = f.exhaust_restricted
    ambient = r.barometer_kpa * 1e3
    rpm = speed * 9.549296585513721
    off = (rpm - r.efficiency_rpm) / r.efficiency_rpm
    efficiency = r.volumetric_efficiency * max(1.0 - r.efficiency_fall * off * off, 0.3)
    load = (rpm / r.max_free_rpm * pressure / 99e3) ** 2
    exhaust = ambient * (1.0 + r.exhaust_drop * load + 0.7 * blocked * load)
    residual = (r.compression - (exhaust / pressure) ** (1.0 / 1.3)) / (r.compression - 1.0)
    efficiency *= max(residual, 0.2) / (1.0 + 0.22 * blocked * load)
    efficiency *= (temperature / 298.15) ** (1.0 - r.temperature_exponent)
    efficiency *= timed_filling(f.camshaft_timing, f.timing_late, rpm / r.max_free_rpm)
    efficiency *= 1.0 - f.compression_low / (6.0 * r.cylinders)
    return (
        efficiency * pressure * r.displacement_l * 1e-3 * speed / (4.0 * math.pi * gas * temperature),
        exhaust,
    )


@njit(cache=True, nogil=True, inline="always")
def timed_filling(slipped: float, late: float, relative: float) -> float:
    """Filling over that with the camshaft where it belongs, at a speed over the highest.

    An inlet valve that shuts late gives charge back while the pistons are slow; one that shuts early has not taken all
    of it once they are fast. Severity 1 costs 15 % at the speed that suffers and 5 % at the other end.
    """
    x = min(max(relative, 0.0), 1.0)
    suffers = late * (1.0 - x) + (1.0 - late) * x
    return 1.0 - slipped * (0.05 + 0.10 * suffers)


@njit(cache=True, nogil=True, inline="always")
def drag_torque(r: Record, pressure: float, exhaust: float, speed: float) -> float:
    """Friction, accessories and gas exchange. [N m]"""
    relative = speed * 9.549296585513721 / r.max_free_rpm
    cold = 1.0 + 0.012 * max(80.0 - r.coolant_c, 0.0)
    friction = (r.friction_kpa * cold + r.friction_speed_kpa * relative * relative) * 1e3
    return (friction + exhaust - pressure) * r.displacement_l * 1e-3 / (4.0 * math.pi) + r.accessories_nm


@njit(cache=True, nogil=True, inline="always")
def torque_share(richness: float) -> float:
    """Torque over that at lambda 1 for the same air; lean burns what fuel there is, until it no longer lights."""
    if richness >= 1.0:
        over = richness - 1.0
        return max(1.0 + 0.25 * over - 1.2 * over * over, 0.3)
    share = richness * (1.0 + 0.12 * (1.0 - richness))
    if richness < 0.62:
        share *= max((richness - 0.42) / 0.2, 0.0)
    return share


@njit(cache=True, nogil=True, inline="always")
def sensor_says(r: Record, f: Record, flow: float) -> float:
    """What a faulty air-mass sensor says over the truth at a flow [g/s], between its severity-1 figures at idle and full
    flow; and what a ground that stands 0.1 V up makes of it, where the signal is a voltage."""
    idle, rated = r.idle_flow_g_s, r.rated_flow_g_s
    x = math.log(max(flow, 1e-6) / idle) / math.log(rated / idle)
    x = min(max(x, 0.0), 1.0)
    says = (1.0 - f.airflow_under_reading * (0.12 + 0.13 * x)) * (1.0 + f.airflow_over_reading * (0.15 - 0.07 * x))
    if f.airflow_offset > 0.0 and r.air_root < 0.75:
        true = max(flow, 0.05 * idle)
        volts = (r.air_zero + r.air_slope * true**r.air_exponent) ** r.air_root + 0.1 * f.airflow_offset
        seen = (volts ** (1.0 / r.air_root) - r.air_zero) / r.air_slope
        says *= seen ** (1.0 / r.air_exponent) / true
    return says
