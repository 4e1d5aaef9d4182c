"""The engine's air: foot and plate, idle air, gas from the air-mass sensor to the cylinders, and what is metered."""

from typing import NamedTuple

import numpy as np
from numba import njit

from tests.otherfleet.parameters import GAS_CONSTANT, STEP_S, WORK_PER_AIR, Engine
from tests.otherfleet.structures import FUELLINGS, LIMITERS

PLATE_CLOSES, GOVERNED, STANDING = (float(LIMITERS.index(name)) for name in ("throttle", "governed", "standing"))
BY_METERED, BY_PRESSURE, BY_PLATE, SMOOTHED, BY_BOTH = (
    float(FUELLINGS.index(name)) for name in ("metered", "pressure", "plate", "smoothed", "both")
)
_SMOOTHED_S = 0.05  # of a metered flow that fuel follows
_GOVERNS_RPM = 500.0  # under the limit a governed plate begins to close
_STANDING_PER_S = 40.0  # how fast a plate closes above a limit, over the share of speed above it
_HELD_TO_METERED_S = 0.5  # a reckoned flow follows the metered one with this lag


class Foot(NamedTuple):
    """Foot and plate."""

    pressed: float  # [1]
    plate: float  # [1]
    released_s: float  # since the foot began to lift
    ceiling: float  # widest opening that the limit of speed leaves [1]
    torque: float  # asked for, of all there is [1]


class IdleAir(NamedTuple):
    """Opening that holds the idle speed."""

    area: float  # [m^2]
    least: float  # [m^2]


class Air(NamedTuple):
    """Gas between the air-mass sensor and the cylinders."""

    mass: float  # in the plenum [kg]
    boost: float  # over ambient [1]
    flow: float  # past the sensor [kg/s]
    rate: float  # at which the flow changes [kg/s^2]
    share: float  # of nominal full flow, at the start of the step [1]
    pressure: float  # in the plenum, at the start of the step [Pa]
    fill: float  # volumetric efficiency [1]
    drawn: float  # into the cylinders [kg/s]
    boxed: float  # into a large air box behind the sensor [kg/s]


class Metered(NamedTuple):
    """Flow at the air-mass sensor, what it indicates, and what the control unit makes of it."""

    flow: float  # [kg/s]
    indicated: float  # [kg/s]
    held: float  # in the plenum, as the control unit reckons [kg]
    drawn: float  # into the cylinders, as the control unit reckons [kg/s]
    factor: float  # metered flow over the one reckoned by pressure or plate, as learned [1]


@njit(cache=True, fastmath=True)
def orifice(area: float, up: float, down: float, kelvin: float) -> float:
    """Flow [kg/s] through an area [m^2] from one pressure to another [Pa]; choked below 0.528."""
    ratio = down / up
    if ratio <= 0.528:
        psi = 0.6847
    elif ratio < 0.985:
        x = (ratio - 0.528) / 0.472
        psi = 0.6847 * np.sqrt(1.0 - x * x)
    else:
        psi = 0.6847 * np.sqrt(1.0 - (0.457 / 0.472) ** 2) * (1.0 - ratio) / 0.015
    return area * up / np.sqrt(GAS_CONSTANT * kelvin) * psi


@njit(cache=True, fastmath=True)
def friction(e: Engine, rpm: float) -> float:
    """Torque of friction at a speed [1/min]. [N m]"""
    x = rpm * 1e-3
    return (e.friction_0 + e.friction_1 * x + e.friction_2 * x * x) * e.displacement / (4.0 * np.pi)


@njit(cache=True, fastmath=True)
def filling(e: Engine, rpm: float) -> float:
    """Volumetric efficiency at a speed [1/min]. [1]"""
    x = (rpm - e.fill_best_rpm) / 5000.0
    return e.fill * (1.0 - e.fill_fall * x * x)


@njit(cache=True)
def idle_need(e: Engine) -> tuple[float, float]:
    """Air flow [kg/s] and plenum pressure [Pa] that hold the idle speed at 80 % spark efficiency."""
    omega = e.idle_rpm * np.pi / 30.0
    pressure = 0.35 * e.ambient_pa
    flow = 0.0
    for _ in range(40):
        pumping = (e.ambient_pa - pressure) * e.displacement / (4.0 * np.pi)
        flow = (friction(e, e.idle_rpm) + pumping) * omega / (WORK_PER_AIR * 0.80)
        pressure = flow * GAS_CONSTANT * e.charge_k * 120.0 / (e.displacement * filling(e, e.idle_rpm) * e.idle_rpm)
    return flow, pressure


@njit(cache=True, fastmath=True)
def idling(e: Engine) -> tuple[IdleAir, Air, Metered]:
    """The air of an engine that idles."""
    need, pressure = idle_need(e)
    mass = pressure * e.plenum / (GAS_CONSTANT * e.charge_k)
    leak = orifice(e.leak_area, e.ambient_pa, pressure, e.intake_k)
    unit = orifice(1.0, e.ambient_pa, pressure, e.intake_k)
    area = max((need - leak) / unit, 0.1 * need / unit)
    flow = need - leak
    fill = filling(e, e.idle_rpm)
    indicated = flow * (1.0 + e.reads_idle)
    held = indicated * e.plenum * 120.0 / (e.displacement * fill * e.idle_rpm)
    air = Air(mass, 0.0, flow, 0.0, flow / e.full_flow, pressure, fill, need, flow)
    factor = indicated / (need if e.fuelling == BY_PRESSURE or e.fuelling == BY_BOTH else flow)
    return IdleAir(area, 0.25 * area), air, Metered(flow, indicated, held, indicated, factor)


@njit(cache=True, fastmath=True)
def asked_foot(e: Engine, pressed: float, t: float) -> float:
    """Where the foot is going: a stop on its way down or up, and what it does after the lift."""
    snap = min(max(int((t - e.opening_s) / e.every_s), 0), int(e.snaps) - 1)
    since, held = t - e.opening_s - snap * e.every_s, e.release_s - e.opening_s
    if since < 0.0:
        return 0.0
    if since < held:
        return e.pause if since < e.foot_s * e.pause + e.pause_s and e.pause < 1.0 else 1.0
    lifting = e.lift_s * (1.0 - e.lift_pause) + e.lift_pause_s
    if since < held + lifting:
        return min(e.lift_pause, pressed)
    back = since - held - e.lift_s - e.lift_pause_s - e.again_after_s
    return e.again if 0.0 <= back < e.again_s else 0.0


@njit(cache=True, fastmath=True)
def move_foot(e: Engine, foot: Foot, t: float, rpm: float) -> Foot:
    """Foot and plate a step on; the plate follows its actuator, and may limit the speed."""
    pressed, released_s = foot.pressed, foot.released_s
    asked = asked_foot(e, pressed, t)
    if asked > pressed:
        pressed, released_s = min(pressed + STEP_S / e.foot_s, asked), 0.0
    elif asked < pressed:
        pressed = max(pressed - STEP_S / e.lift_s, asked)
    if t >= e.release_s and asked == 0.0:
        released_s += STEP_S
    ceiling = foot.ceiling
    if e.limiter == PLATE_CLOSES:
        closing = 0.9 if rpm > e.limit_rpm - 120.0 else -0.9  # [1/s]
        ceiling = min(max(ceiling - closing * STEP_S, 0.3), 1.0)
    elif e.limiter == GOVERNED:
        ceiling = min(max((e.limit_rpm - rpm) / _GOVERNS_RPM, 0.08), 1.0)
    elif e.limiter == STANDING:
        ceiling = min(max(ceiling + _STANDING_PER_S * (1.0 - rpm / e.limit_rpm) * STEP_S, 0.05), 1.0)
    torque, opened = foot.torque, pressed
    if e.torque_lag_s > 0.0:
        torque += (pressed - torque) * STEP_S / e.torque_lag_s
        opened = torque * np.sqrt(torque)
    plate = foot.plate + (min(opened * e.plate_max, ceiling) - foot.plate) * STEP_S / e.plate_lag_s
    if plate < 1e-4:
        plate = 0.0
    return Foot(pressed, plate, released_s, ceiling, torque)


@njit(cache=True, fastmath=True)
def below_idle(e: Engine, rpm: float) -> float:
    """How far the speed is below the idle speed asked for. [1]"""
    return (e.idle_rpm - rpm) / e.idle_rpm


@njit(cache=True, fastmath=True)
def hold_idle(e: Engine, idle: IdleAir, foot: Foot, rpm: float) -> IdleAir:
    """The idle opening follows the speed while the foot is off."""
    area = idle.area
    if foot.plate < 0.02 and rpm < 1.5 * e.idle_rpm:
        area += area * 0.35 * below_idle(e, rpm) * STEP_S
        area = max(area, idle.least)
    return IdleAir(area, idle.least)


@njit(cache=True, fastmath=True)
def open_area(e: Engine, idle: IdleAir, foot: Foot, rpm: float) -> float:
    """Area at the plate, with idle air and the dashpot of a lifted foot. [m^2]"""
    dashpot = 0.0
    if foot.released_s > 0.0:
        dashpot = 0.9 * np.exp(-foot.released_s / 0.5)
    idle_share = 1.0 + dashpot + max(below_idle(e, rpm), -0.02) * 0.6
    return e.bore_area * (1.0 - np.cos(foot.plate * 0.5 * np.pi)) + idle.area * idle_share


@njit(cache=True, fastmath=True)
def exchange_gas(e: Engine, air: Air, area: float, rpm: float) -> Air:
    """Gas a step on: through the plate's area [m^2] into the plenum, out of it into the cylinders, past the sensor."""
    share = air.flow / e.full_flow
    boost = air.boost
    up = e.ambient_pa * (1.0 - min((0.012 + e.intake_drop) * share * share, 0.6))
    if e.boost_full > 0.0:
        target = e.boost_full * share * share * (1.0 - 0.25 * e.boost_leak)
        boost += (target - boost) * STEP_S / 0.3
        up *= 1.0 + boost
    pressure = air.mass * GAS_CONSTANT * e.charge_k / e.plenum
    through = orifice(area, up, min(pressure, up), e.intake_k)
    leak = 0.0
    if e.leak_area > 0.0:
        leak = orifice(e.leak_area, e.ambient_pa, min(pressure, e.ambient_pa), e.intake_k)
    fill = filling(e, rpm) * (1.0 - e.exhaust_drop * min(share * share, 1.5))
    drawn = pressure * fill * e.displacement * rpm / 120.0 / (GAS_CONSTANT * e.charge_k)
    mass = air.mass + (through + leak - drawn) * STEP_S
    wanted = through
    if e.boost_leak > 0.0:
        wanted += 0.25 * e.boost_leak * boost * e.full_flow
    if e.intake_lag_s > 0.0:
        flow = air.flow + (wanted - air.flow) * STEP_S / e.intake_lag_s
        return Air(mass, boost, flow, 0.0, share, pressure, fill, drawn, flow)
    boxed = wanted
    if e.box_s > 0.0:
        boxed = air.boxed + (wanted - air.boxed) * STEP_S / e.box_s
    column = 2.0 * np.pi * e.column_hz
    rate = air.rate
    rate += (column * column * (boxed - air.flow) - 2.0 * e.column_damping * column * rate) * STEP_S
    return Air(mass, boost, air.flow + rate * STEP_S, rate, share, pressure, fill, drawn, boxed)


@njit(cache=True, fastmath=True)
def reckoned_flow(e: Engine, air: Air, filled: float, area: float, rpm: float) -> tuple[float, float]:
    """Flow into the plenum and out of it [kg/s] as told by its pressure, or by the plate's area [m^2] alone.

    `filled` is what the plenum gained in the step. [kg]
    """
    if e.fuelling == BY_PLATE:
        up = e.ambient_pa * (1.0 + air.boost)
        through = orifice(area, up, min(air.pressure, up), e.intake_k)
        return through, through
    drawn = air.pressure * filling(e, rpm) * e.displacement * rpm / 120.0 / (GAS_CONSTANT * e.charge_k)
    return drawn + filled / STEP_S, drawn


@njit(cache=True, fastmath=True)
def meter(e: Engine, air: Air, filled: float, area: float, foot: Foot, before: Metered, rpm: float) -> Metered:
    """What the sensor meets and indicates, a step on from `before`, and what the control unit makes of it.

    It knows what the plenum gained in the step [kg] by its pressure, and the plate's area [m^2].
    """
    flow = air.flow
    if foot.released_s > 0.0 and e.boost_full > 0.0:
        x = (foot.released_s - 0.16) / 0.035
        flow += e.recirculation * np.exp(-0.5 * x * x)
        if e.flutter > 0.0:
            wave = np.sin(2.0 * np.pi * 17.0 * foot.released_s)
            flow += e.flutter * np.exp(-foot.released_s / 0.25) * wave
    flow = max(flow, 0.0)
    span = min(max((flow - e.idle_flow) / (e.full_flow - e.idle_flow), 0.0), 1.3)
    indicated = flow * (1.0 + e.reads_idle + (e.reads_full - e.reads_idle) * span)
    emptying_s = e.plenum * 120.0 / (e.displacement * air.fill * max(rpm, 300.0))
    held, factor = before.held, before.factor
    if e.fuelling == BY_PRESSURE or e.fuelling == BY_PLATE or e.fuelling == BY_BOTH:
        into, out = reckoned_flow(e, air, filled, area, rpm)
        told = min(max(indicated / max(into, 1e-6), 0.5), 2.0)
        factor += (told - factor) * STEP_S / _HELD_TO_METERED_S
        held += ((indicated if e.fuelling == BY_BOTH else factor * into) - held / emptying_s) * STEP_S
        drawn = held / emptying_s
        if e.fuelling == BY_PRESSURE:
            drawn = factor * out
        elif e.fuelling == BY_BOTH:
            drawn += (factor * out - drawn) * min(max((0.7 - air.pressure / e.ambient_pa) / 0.3, 0.0), 1.0)
        return Metered(flow, indicated, held, drawn, factor)
    if e.fuelling == SMOOTHED:
        drawn = before.drawn + (indicated - before.drawn) * STEP_S / _SMOOTHED_S
        return Metered(flow, indicated, held, drawn, factor)
    held += (indicated - held / emptying_s) * STEP_S
    return Metered(flow, indicated, held, indicated if e.fuelling == BY_METERED else held / emptying_s, factor)
