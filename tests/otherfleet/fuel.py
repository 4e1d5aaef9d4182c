"""The engine's fuel and fire: what a cylinder gets at its turn, and the work of the charge drawn half a cycle ago."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.otherfleet.air import PLATE_CLOSES, STANDING, Foot, below_idle
from tests.otherfleet.crank import Crank, Load
from tests.otherfleet.parameters import AIR_PER_FUEL, WORK_PER_AIR, Engine
from tests.otherfleet.structures import ENRICHMENTS, FUELLINGS, LIMITERS

RING = 64  # charges remembered
RETARD, FUEL_CUT, SPARK_CUT, IN_TURNS, RETARD_STEPS, HALF_CUT, TWO_STAGES, SPARK_IN_TURNS = (
    float(LIMITERS.index(name))
    for name in ("retard", "fuel", "spark", "turns", "retard_steps", "half", "two_stages", "spark_turns")
)
STEPPED, RAMPED, AT_ONCE, FADING, SHOT, HELD, PROTECTIVE = (
    float(ENRICHMENTS.index(name)) for name in ("stepped", "ramped", "at_once", "fading", "shot", "held", "protective")
)
SCHEDULED = float(FUELLINGS.index("scheduled"))
_SHOT, _SHOT_S = 0.25, 0.15  # fuel added at once, and how long it lasts
_SHOT_LASTING_S = 0.5  # from when on enrichment follows a shot
_PROTECTS_S, _PROTECTS_FROM = 0.8, 0.8  # at full load for so long, and from this share of the limit of speed
_CUTS_ABOVE_RPM = 150.0  # a limit that a closing plate holds
_FADES_S = 0.8  # of an enrichment
_TURN = 0.618  # of a cycle of cylinders, so that none is cut over and over


class Charges(NamedTuple):
    """What the cylinders drew of late, by number of the firing modulo `RING`, and what clings to their walls."""

    air: NDArray[np.float64]  # shape (RING,) [kg]
    fuel: NDArray[np.float64]  # shape (RING,) [kg]
    phi: NDArray[np.float64]  # shape (RING,), fuel over stoichiometric [1]
    burns: NDArray[np.float64]  # shape (RING,), 0 or 1
    film: NDArray[np.float64]  # shape (2, cylinders), fast and slow [kg]
    reckoned: NDArray[np.float64]  # shape (cylinders,), film as the control unit reckons [kg]
    drawn: NDArray[np.float64]  # shape (RING,), flow the control unit reckoned with [kg/s]
    waits: NDArray[np.float64]  # shape (cylinders,), fuel on the closed valve [kg]


class Control(NamedTuple):
    """What holds from one firing to the next."""

    over: bool  # fuel or spark is off above the limit of speed
    cutting: bool  # fuel is off after the foot lifted
    bubble_until: float  # [s]
    wander: float  # of the spark at idle [1]


@njit(cache=True, fastmath=True)
def idling_charges(e: Engine, idle_flow: float) -> Charges:
    """Charges and films of an engine that idles on a flow. [kg/s]"""
    n = int(e.cylinders)
    air = np.full(RING, idle_flow * 120.0 / (e.idle_rpm * n))
    film, reckoned, waits = np.zeros((2, n)), np.zeros(n), np.zeros(n)
    for c in range(n):
        clings = idle_flow * 120.0 / (e.idle_rpm * n) / AIR_PER_FUEL * e.idle_rpm / 120.0
        film[0, c] = e.film_share * (1.0 - e.film_slow) * clings * e.film_s
        film[1, c] = e.film_share * e.film_slow * clings * e.film_slow_s
        reckoned[c] = e.undone_share * clings * e.undone_s
        waits[c] = e.on_valve * air[0] / AIR_PER_FUEL
    drawn = np.full(RING, idle_flow)
    return Charges(air, np.zeros(RING), np.ones(RING), np.ones(RING), film, reckoned, drawn, waits)


@njit(cache=True, fastmath=True)
def scheduled(e: Engine, charges: Charges, event: int, drawn: float) -> float:
    """Flow the fuel of a firing is decided by: the one reckoned now, or a whole cycle before. [kg/s]"""
    charges.drawn[event % RING] = drawn
    return charges.drawn[(event - int(e.cylinders)) % RING] if e.fuelling == SCHEDULED else drawn


@njit(cache=True, fastmath=True)
def switch_fuel(e: Engine, control: Control, foot: Foot, rpm: float) -> Control:
    """Fuel is switched off above the limit of speed, or the spark, and fuel after the foot lifted; and on again."""
    over, cutting = control.over, control.cutting
    limit = e.limit_rpm + (_CUTS_ABOVE_RPM if e.limiter == STANDING else 0.0)
    by_steps = e.limiter == FUEL_CUT or e.limiter == SPARK_CUT or e.limiter == RETARD_STEPS or e.limiter == HALF_CUT
    if by_steps or e.limiter == TWO_STAGES or e.limiter == STANDING:
        if rpm > limit:
            over = True
        elif rpm < limit - 90.0:
            over = False
    if foot.released_s > e.cut_delay_s and foot.plate < 0.03:
        if rpm > e.cut_above_rpm and foot.released_s < e.cut_delay_s + 0.1:
            cutting = True
        if rpm < e.resume_rpm:
            cutting = False
    elif foot.plate >= 0.03:
        cutting = False
    return Control(over, cutting, control.bubble_until, control.wander)


@njit(cache=True, fastmath=True)
def enriched(e: Engine, load: Load, foot: Foot, rpm: float) -> float:
    """Fuel asked for over stoichiometric: at full load, and while the plate opens. [1]"""
    ask = 1.0
    if e.enrichment == STEPPED:
        if load.full:
            part = min(max(np.floor(4.0 * rpm / e.limit_rpm) - 1.0, 0.0), 2.0) / 2.0
            ask = 1.0 + (1.0 / e.rich_target - 1.0) * part
    elif e.enrichment == RAMPED:
        ask = 1.0 + (1.0 / e.rich_target - 1.0) * min(load.full_s, 1.0)
    elif e.enrichment == AT_ONCE or e.enrichment == HELD:
        ask = 1.0 / e.rich_target if foot.pressed > 0.8 else 1.0
    elif e.enrichment == FADING:
        if load.full:
            ask = 1.0 + (1.0 / e.rich_target - 1.0) * np.exp(-load.full_s / _FADES_S)
    elif e.enrichment == SHOT:
        if load.full:
            lasting = min(max((load.full_s - _SHOT_LASTING_S) / 0.2, 0.0), 1.0)
            ask = 1.0 + _SHOT * np.exp(-load.full_s / _SHOT_S) + (1.0 / e.rich_target - 1.0) * lasting
    elif e.enrichment == PROTECTIVE:
        if load.full_s > _PROTECTS_S and rpm > _PROTECTS_FROM * e.limit_rpm:
            ask = 1.0 / e.rich_target
    elif load.full_s > e.rich_delay_s:
        ask = 1.0 / e.rich_target + (1.0 - 1.0 / e.rich_target) * np.exp(-(load.full_s - e.rich_delay_s) / 0.08)
    return ask + e.tip_in * max(foot.pressed * e.plate_max - foot.plate, 0.0)


@njit(cache=True, fastmath=True)
def cut_off(e: Engine, control: Control, foot: Foot, event: int, rpm: float) -> bool:
    """Whether a firing gets no fuel: after the lift, or above the limit of speed."""
    if control.cutting:
        first = event % int(e.cylinders) % 2 == 0
        return first or foot.released_s > e.cut_delay_s + e.cut_staged_s
    if e.limiter == IN_TURNS:
        share = min(max((rpm - e.limit_rpm + 120.0) / 200.0, 0.0), 1.0)
        return (event * _TURN) % 1.0 < share
    if e.limiter == HALF_CUT and control.over:
        return event % int(e.cylinders) % 2 == 0
    return control.over and (e.limiter == FUEL_CUT or e.limiter == TWO_STAGES or e.limiter == STANDING)


@njit(cache=True, fastmath=True)
def asked_fuel(
    e: Engine, control: Control, load: Load, foot: Foot, event: int, drawn: float, short: float, rpm: float
) -> float:
    """Fuel the control unit has injected at one firing, for the flow it reckons with [kg/s] and a short trim. [kg]"""
    weight = min(max((load.share - 0.35) / 0.3, 0.0), 1.0)
    trim = e.trim_idle + (e.trim_load * (e.carry if load.full else 1.0) - e.trim_idle) * weight
    ask = enriched(e, load, foot, rpm)
    inject = drawn * 120.0 / (max(rpm, 200.0) * e.cylinders) / AIR_PER_FUEL * (1.0 + trim) * ask * e.fuel_gain
    if (e.loop_at_full > 0.5 or not load.full) and (not control.cutting):
        inject *= 1.0 + short
    return 0.0 if cut_off(e, control, foot, event, rpm) else inject


@njit(cache=True, fastmath=True)
def given_fuel(
    e: Engine, asked: float, load: Load, t: float, bubble_until: float, cyl: int, omega: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Fuel that leaves the injector of what was asked for [kg], and until when a bubble passes [s]."""
    n = int(e.cylinders)
    lost = e.delivery * min(load.full_s, 1.4)
    given = asked * (1.0 - lost)
    given *= 1.0 - (e.weak_first if cyl == 0 else e.weak_other)
    if e.bubbles_hz > 0.0:
        if t > bubble_until and rng.random() < e.bubbles_hz * (4.0 * np.pi / n) / omega:
            bubble_until = t + 0.03
        if t < bubble_until:
            given *= 1.0 - e.bubble_depth
    return given, bubble_until


@njit(cache=True, fastmath=True)
def film_undone(e: Engine, charges: Charges, asked: float, cyl: int, omega: float) -> float:
    """Fuel to inject so that a cylinder gets what is asked for, by the control unit's own model of the film. [kg]"""
    if e.undone_share <= 0.0:
        return asked
    evaporates = charges.reckoned[cyl] * (1.0 - np.exp(-(4.0 * np.pi / omega) / e.undone_s))
    inject = max((asked - evaporates) / (1.0 - e.undone_share), 0.0) if asked > 0.0 else 0.0
    charges.reckoned[cyl] += e.undone_share * inject - evaporates
    return inject


@njit(cache=True, fastmath=True)
def through_film(e: Engine, charges: Charges, given: float, cyl: int, omega: float, load: Load) -> float:
    """Fuel that reaches a cylinder of what was injected [kg], by way of the films on its walls and with drips. [kg]"""
    share = e.film_share * (1.0 + (0.4 * e.weak_first if cyl == 0 else 0.0))
    share = min(share * (1.0 + e.film_by_load * max(load.share - 0.35, 0.0)), 0.6)
    if e.film_leaves > 0.0:
        share *= 1.0 - e.film_leaves * min(max((load.share - 0.4) / 0.3, 0.0), 1.0)
    cycle = 4.0 * np.pi / omega
    stays_s = e.film_s * (1.0 - e.film_boils * max(1.0 - load.share, 0.0))
    if e.film_shears > 0.0:
        stays_s /= 1.0 + e.film_shears * load.share * omega * 30.0 / np.pi / e.limit_rpm
    evaporated = charges.film[0, cyl] * (1.0 - np.exp(-cycle / stays_s))
    charges.film[0, cyl] += share * (1.0 - e.film_slow) * given - evaporated
    if e.film_slow > 0.0:
        slowly = charges.film[1, cyl] * (1.0 - np.exp(-cycle / e.film_slow_s))
        charges.film[1, cyl] += share * e.film_slow * given - slowly
        evaporated += slowly
    reaches = (1.0 - share) * given + evaporated
    if e.on_valve > 0.0:
        waited = charges.waits[cyl]
        charges.waits[cyl] = e.on_valve * reaches
        reaches += waited - charges.waits[cyl]
    return reaches + e.drip * (4.0 * np.pi / omega) / int(e.cylinders)


@njit(cache=True, fastmath=True)
def close_charge(
    e: Engine,
    charges: Charges,
    event: int,
    air: float,
    fuel: float,
    load: Load,
    over: bool,
    rpm: float,
    rng: np.random.Generator,
) -> None:
    """The charge of a firing: air and fuel [kg], and whether it will burn."""
    i = event % RING
    charges.air[i] = air
    charges.fuel[i] = fuel
    charges.phi[i] = fuel * e.fuel_stoich / max(air, 1e-7) * (1.0 + 0.012 * rng.standard_normal())
    charges.burns[i] = 1.0
    if e.misfire > 0.0 and load.share > 0.6 and rng.random() < e.misfire:
        charges.burns[i] = 0.0
    if over and e.limiter == SPARK_CUT:
        charges.burns[i] = 0.0
    if e.limiter == SPARK_IN_TURNS and (event * _TURN) % 1.0 < min(max((rpm - e.limit_rpm + 120.0) / 200.0, 0.0), 0.9):
        charges.burns[i] = 0.0


@njit(cache=True, fastmath=True)
def burn(
    e: Engine,
    charges: Charges,
    event: int,
    foot: Foot,
    crank: Crank,
    control: Control,
    rpm: float,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """Speed after the work of the charge drawn half a cycle ago [rad/s], and the wander of the spark [1]."""
    wander = control.wander
    j = (event - int(e.cylinders) // 2) % RING
    phi = charges.phi[j]
    if charges.burns[j] <= 0.5 or phi <= 0.45:
        return crank.omega, wander
    wander += 0.1 * (rng.standard_normal() - wander)
    efficiency = 0.95
    if foot.plate < 0.03 and rpm < 1.6 * e.idle_rpm:
        efficiency = min(max(0.80 + 2.0 * below_idle(e, rpm) + e.rev_noise * wander, 0.4), 1.0)
    if e.limiter == RETARD or e.limiter == PLATE_CLOSES:
        efficiency *= min(max((e.limit_rpm - rpm) / 140.0, 0.0), 1.0)
    if e.limiter == TWO_STAGES:
        efficiency *= min(max((e.limit_rpm - rpm) / 400.0 + 0.3, 0.3), 1.0)
    if e.limiter == RETARD_STEPS and control.over:
        efficiency *= 0.05
    if e.limiter == HALF_CUT and control.over:
        efficiency *= 0.2
    strength = min(phi, 1.0) if phi < 1.0 else 1.0 - 0.5 * max(phi - 1.25, 0.0)
    work = charges.air[j] * WORK_PER_AIR * efficiency * strength * (1.0 + 0.03 * rng.standard_normal())
    return np.sqrt(crank.omega * crank.omega + 2.0 * max(work, 0.0) / e.inertia), wander
