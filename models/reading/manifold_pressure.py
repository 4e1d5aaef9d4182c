"""Engines without an air-mass sensor: the flow of a recording from manifold pressure and engine speed, and what of a snap
it does not show.

While the plate opens, the manifold fills between plate and ports: an air-mass sensor shows that surge as the first peak,
the pressure only rises with it. So the flow at idle and at the hold is read, and what lies between is not
(`Need.metered`).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from data_contracts.capture import Conditions
from data_contracts.family import Family
from models.physics.air import INTAKE_AIR_U_C, UNMEASURED_INTAKE_AIR_U_C
from models.physics.speed_density import port_flow_g_s, temperature_u
from models.reading.air_trace.idle_only import BRIDGE_S, bridged
from models.reading.resampling import MISSING, Stack
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate

FLOWS = ("idle_g_s", "main_peak_g_s", "idle_after_g_s")


def has_flow(stack: Stack, family: Family) -> bool:
    """Whether the recordings of a stack hold what the family's air flow is read from.

    Parameters
    ----------
    stack : Stack
        Recordings of equal channels.
    family : Family
        Of all of them.

    Returns
    -------
    bool
        Manifold pressure counts with engine speed beside it only.
    """
    sensor = family.airflow_sensor
    return sensor.channel in stack.channels and (sensor.metered or "engine_rpm" in stack.channels)


def with_port_flow(stack: Stack, family: Family, conditions: Sequence[Conditions]) -> Stack:
    """A stack with the air flow worked out from manifold pressure beside what was recorded.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    family : Family
        Of all of them; with an air-mass sensor the stack stays as it is.
    conditions : sequence of Conditions
        Of each row; without an air temperature the family's reference is taken.

    Returns
    -------
    Stack
        With the flow as if it had been reported. [g/s]
    """
    if family.airflow_sensor.metered or not has_flow(stack, family):
        return stack
    usual = family.main_peak.reference_intake_air_c
    air_c = np.array([usual if each.intake_air_c is None else each.intake_air_c for each in conditions])
    longest = int(BRIDGE_S / stack.interval_s)
    speed = np.stack([bridged(row, longest) for row in stack.channels["engine_rpm"]])
    flow = port_flow_g_s(
        stack.channels["map_kpa"],
        speed,
        air_c[:, None],
        sensor=family.airflow_sensor,
        displacement_l=family.displacement_l,
    ).astype(np.float32)
    flag = np.where(np.isnan(speed), MISSING, stack.flag["map_kpa"]).astype(np.uint8)
    name = family.airflow_sensor.trace
    return replace(stack, channels=stack.channels | {name: flow}, flag=stack.flag | {name: flag})


def with_efficiency(found: dict[str, Estimate], family: Family, intake_air_c: Floats) -> dict[str, Estimate]:
    """Flows with the uncertainty of volumetric efficiency and air temperature.

    Parameters
    ----------
    found : dict of str to Estimate
        As read from the flow.
    family : Family
        With an air-mass sensor nothing is added.
    intake_air_c : ndarray
        Of each entry; NaN is unmeasured. [°C]

    Returns
    -------
    dict of str to Estimate
        The efficiency is the same for all vans of a family: it counts where a level is compared with a limit, and tracking
        takes it out again (`models.physics.transfer_table.common_uncertainty`).
    """
    sensor = family.airflow_sensor
    if sensor.metered:
        return found
    measured = np.isfinite(intake_air_c)
    air_u = np.where(measured, INTAKE_AIR_U_C, UNMEASURED_INTAKE_AIR_U_C)
    air_c = np.where(measured, intake_air_c, family.main_peak.reference_intake_air_c)
    part = np.hypot(sensor.efficiency_u, temperature_u(air_u, air_c))
    flows = {name: found[name] for name in FLOWS if name in found}
    return found | {
        name: Estimate(each.value, np.hypot(each.u, part * each.value), each.reason) for name, each in flows.items()
    }
