"""Where the engine rests: steady points at a speed, with trims as the control unit has learned them."""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

import numpy as np
from numba import njit

from sample_fleet.air import (
    CHOKED,
    cylinder_flow,
    drag_torque,
    flow_function,
    moist_gas_constant,
    plate_area,
    sensor_says,
    torque_share,
)
from sample_fleet.record import FloatArray, Record


@njit(cache=True, nogil=True)
def idle_target(r: Record) -> float:
    """Idle speed the control unit asks for: raised while the engine is cold. [rad/s]"""
    return (r.idle_rpm + 7.0 * max(65.0 - r.coolant_c, 0.0)) / 9.549296585513721


@njit(cache=True, nogil=True)
def is_warm(r: Record) -> bool:
    """Closed loop is allowed from here."""
    return r.coolant_c >= 55.0


@njit(cache=True, nogil=True)
def leak_flow(f: Record, r: Record, pressure: float) -> float:
    """Unmetered air behind the sensor; severity 1 is 60 % of the healthy idle flow through a hole, 30 % through a torn
    breather, 25 % through the purge valve. [kg/s]"""
    ambient = r.barometer_kpa * 1e3
    scale = ambient / 99e3 * math.sqrt(298.15 / (r.intake_air_c + 273.15))
    severity = f.unmetered_air + 0.5 * f.crankcase_ventilation + 0.25 / 0.6 * f.purge_valve_open
    return 0.6e-3 * severity * r.idle_flow_g_s * scale * flow_function(pressure / ambient) / CHOKED


@njit(cache=True, nogil=True)
def vapour_flow(f: Record, r: Record, pressure: float) -> float:
    """Fuel that comes with the purge air. [kg/s]"""
    share = 0.25e-3 * f.purge_valve_open * f.purge_vapour
    return share * r.idle_flow_g_s * flow_function(pressure / (r.barometer_kpa * 1e3)) / CHOKED


@njit(cache=True, nogil=True)
def returned_gas(f: Record, r: Record, pressure: float, exhaust: float) -> float:
    """Exhaust gas through a recirculation valve that stays open; severity 1 is 40 % of the healthy idle flow. [kg/s]"""
    return 0.4e-3 * f.exhaust_recirculation_open * r.idle_flow_g_s * flow_function(pressure / exhaust) / CHOKED


@njit(cache=True, nogil=True)
def diluted(burnt: float) -> float:
    """Torque over that of the same air without burnt gas in it: it burns late."""
    return 1.0 - 0.6 * burnt


@njit(cache=True, nogil=True)
def loaded(flow: float) -> float:
    """How far a fuel supply is stretched, 0 at idle to 1, at a flow over the rated one."""
    return min(max(flow - 0.05, 0.0) / 0.6, 1.0)


@njit(cache=True, nogil=True)
def unheated(flow: float) -> float:
    """How cold exhaust gas leaves a lambda sensor without its heater, at a flow over the rated one: 1 stone cold."""
    return 1.0 / (1.0 + 8.0 * max(flow, 0.0))


@njit(cache=True, nogil=True)
def weak_cylinder(r: Record, f: Record) -> int:
    """The cylinder that a fault of one cylinder sits on."""
    return int(f.fault_cylinder) % int(r.cylinders)


@njit(cache=True, nogil=True)
def burning_ratio(r: Record, f: Record) -> float:
    """Air-fuel ratio of what is in the tank: severity 1 of the wrong fuel is 16 % lower."""
    return r.stoichiometry * (1.0 - 0.16 * f.wrong_fuel)


@njit(cache=True, nogil=True)
def cylinder_share(r: Record, f: Record, cylinder: int) -> float:
    """Fuel of one cylinder over what is asked: its own small error and a restricted injector's."""
    spread = math.sin(12.9898 * (cylinder + 1.0) + 78.233 * r.individual) * 43758.5453
    own = 1.0 + r.cylinder_scatter * 3.4641 * (spread - math.floor(spread) - 0.5)
    own *= 1.0 - (f.injector_dead if cylinder == weak_cylinder(r, f) else 0.0)
    weak = 0.35 if cylinder == weak_cylinder(r, f) else 0.08
    return own * (1.0 - weak * f.injector_restricted)


@njit(cache=True, nogil=True)
def bank_share(r: Record, f: Record, bank: int) -> float:
    """Mean of `cylinder_share` over one bank."""
    total, count, banks = 0.0, 0, int(r.banks)
    for cylinder in range(int(r.cylinders)):
        if cylinder % banks == bank:
            total += cylinder_share(r, f, cylinder)
            count += 1
    return total / count


@njit(cache=True, nogil=True)
def bank_alive(r: Record, f: Record, bank: int) -> float:
    """Share of a bank's cylinders that get fuel."""
    banks = int(r.banks)
    here = 1.0 if weak_cylinder(r, f) % banks == bank else 0.0
    return 1.0 - f.injector_dead * here * banks / r.cylinders


@njit(cache=True, nogil=True)
def on_bank(r: Record, f: Record, bank: int) -> float:
    """1 where a one-sided fault sits on this bank."""
    return 1.0 if (int(f.fault_bank) - 1) % int(r.banks) == bank else 0.0


@njit(cache=True, nogil=True)
def thinned(r: Record, f: Record, bank: int, richness: float, flow: float) -> float:
    """1/lambda at the sensor's tip: an exhaust leak draws in air, the more the lower the flow."""
    share = 0.06 * f.exhaust_leak * on_bank(r, f, bank) * min(r.idle_flow_g_s * 1e-3 / max(flow, 1e-6), 2.0)
    return richness / (1.0 + share)


@njit(cache=True, nogil=True)
def indicated(r: Record, f: Record, bank: int, richness: float) -> float:
    """1/lambda the control unit takes from the sensor near lambda 1: its offset moves what is held."""
    size = 0.015 if r.narrowband > 0.5 else 0.06
    return 1.0 / (1.0 / max(richness, 1e-3) + size * f.lambda_offset * f.offset_sign * on_bank(r, f, bank))


@njit(cache=True, nogil=True)
def open_loop_richness(
    r: Record, f: Record, bank: int, total: float, said: float, trim: float, sag: float, vapour: float
) -> float:
    """True 1/lambda of one bank for air through the engine, air the sensor says, a trim, and vapour that comes by itself."""
    aeration = 1.0 - 0.084 * f.fuel_aeration
    base = said / r.assumed_stoichiometry * (1.0 + trim) * bank_share(r, f, bank) * sag * aeration
    dribble = 0.25e-3 * f.injector_leaking * on_bank(r, f, bank) * r.idle_flow_g_s / 14.5 * r.banks
    return (base + dribble + vapour) * burning_ratio(r, f) / total


@njit(cache=True, nogil=True)
def needed_trim(r: Record, f: Record, bank: int, total: float, said: float, sag: float, vapour: float) -> float:
    """Trim that brings the indicated lambda to one, before its limits."""
    low, high = -0.9, 4.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        tip = thinned(r, f, bank, open_loop_richness(r, f, bank, total, said, middle, sag, vapour), total)
        if indicated(r, f, bank, tip) < 1.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True, nogil=True)
def charge_temperature(r: Record, flow: float) -> float:
    """Air at the valves: warmed by the manifold, less so the faster it goes. [K]"""
    return r.intake_air_c + 273.15 + 12.0 * math.exp(-flow * 1e3 / (0.12 * r.rated_flow_g_s))


@njit(cache=True, nogil=True)
def state_at(
    r: Record, f: Record, pressure: float, speed: float, trims: FloatArray
) -> tuple[float, float, float, float]:
    """Flows and mixture at a manifold pressure and speed; fills `trims` of both banks.

    Returns total air [kg/s], air the sensor says [kg/s], mean torque share [1], exhaust pressure [Pa].
    """
    gas = moist_gas_constant(r.intake_air_c, r.humidity_pct, r.barometer_kpa)
    total = 0.05 * r.idle_flow_g_s * 1e-3
    exhaust = r.barometer_kpa * 1e3
    for _ in range(3):
        total, exhaust = cylinder_flow(r, f, pressure, speed, charge_temperature(r, total), gas, total)
    back, vapour = returned_gas(f, r, pressure, exhaust), vapour_flow(f, r, pressure)
    burnt = back / total
    total -= back
    metered = max(total - leak_flow(f, r, pressure), 0.05 * total)
    said = metered * r.air_gain
    said *= sensor_says(r, f, metered * 1e3)
    share, limit = 0.0, r.short_limit + r.long_limit * (1.0 if r.trim_learning > 0.5 else 0.0)
    stretched = loaded(1e3 * total / r.rated_flow_g_s)
    sag = (1.0 - 0.25 * f.fuel_delivery_weak * stretched) * (1.0 - 0.25 * f.rail_pressure_low * stretched)
    for bank in range(int(r.banks)):
        trims[bank] = 0.0
        richness_target = 1.0
        if is_warm(r):
            trims[bank] = min(max(needed_trim(r, f, bank, total, said, sag, vapour), -limit), limit)
        else:
            richness_target = 1.0 + 0.004 * (75.0 - r.coolant_c)
        richness = richness_target * open_loop_richness(r, f, bank, total, said, trims[bank], sag, vapour)
        alive = bank_alive(r, f, bank)
        share += alive * torque_share(richness / alive) / r.banks
    share *= (1.0 - 0.5 * f.compression_low / r.cylinders) * diluted(burnt)
    return total, said, share, exhaust


@njit(cache=True, nogil=True)
def steady_pressure(r: Record, f: Record, speed: float, ignition: float, trims: FloatArray) -> float:
    """Manifold pressure at which the unloaded engine just keeps this speed. [Pa]"""
    low, high = 8e3, 0.97e3 * r.barometer_kpa
    for _ in range(26):
        middle = 0.5 * (low + high)
        total, _, share, exhaust = state_at(r, f, middle, speed, trims)
        surplus = r.air_work_j_kg * ignition * share * total / speed - drag_torque(r, middle, exhaust, speed)
        if surplus < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True, nogil=True)
def learn(r: Record, f: Record, cells_flow: FloatArray, cells_trim: FloatArray) -> None:
    """Trims the control unit has settled at: idle, 2,500 rpm without load, cruise at about a third of full flow.

    `cells_flow` of shape (3,) gets the flows the sensor says [kg/s], `cells_trim` of shape (3, 2) the trims.
    """
    trims = np.zeros(2)
    for cell in range(3):
        if cell < 2:
            speed = idle_target(r) if cell == 0 else 2500.0 / 9.549296585513721
            pressure = steady_pressure(r, f, speed, r.idle_ignition if cell == 0 else 0.97, trims)
        else:
            speed, pressure = 2800.0 / 9.549296585513721, 0.68e3 * r.barometer_kpa
        _, said, _, _ = state_at(r, f, pressure, speed, trims)
        cells_flow[cell] = said
        cells_trim[cell, 0], cells_trim[cell, 1] = trims[0], trims[1]


@njit(cache=True, nogil=True)
def learned_trim(cells_flow: FloatArray, cells_trim: FloatArray, bank: int, flow: float) -> float:
    """Learned trim at a flow: straight lines over the logarithm of flow, level outside the cells."""
    if flow <= cells_flow[0]:
        return cells_trim[0, bank]
    for cell in range(2):
        low, high = cells_flow[cell], cells_flow[cell + 1]
        if flow < high and high > low:
            x = math.log(flow / low) / math.log(high / low)
            return cells_trim[cell, bank] + x * (cells_trim[cell + 1, bank] - cells_trim[cell, bank])
    return cells_trim[2, bank]


@njit(cache=True, nogil=True)
def idle_area(r: Record, f: Record, pressure: float, total: float) -> float:
    """Plate area that lets the metered part of the idle air through. [m²]"""
    ambient = r.barometer_kpa * 1e3
    gas = moist_gas_constant(r.intake_air_c, r.humidity_pct, r.barometer_kpa)
    temperature = r.intake_air_c + 273.15
    metered = max(total - leak_flow(f, r, pressure), 0.05 * total)
    return metered * math.sqrt(gas * temperature) / (ambient * flow_function(pressure / ambient))


@njit(cache=True, nogil=True)
def open_area(r: Record, opening: float) -> float:
    """Plate area beyond idle. [m²]"""
    return r.throttle_m2 * plate_area(opening)
