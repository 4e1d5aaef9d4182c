"""A second, independent engine: every firing is an event, gas travels by displaced volume.

Used only to judge Vansnap on captures whose structure it was not built on. All laws here and in the parts beside it
(air, crank, fuel, exhaust) are textbook gas and engine mechanics; every number is invented.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.otherfleet.air import (
    Foot,
    Metered,
    exchange_gas,
    hold_idle,
    idle_need,
    idling,
    meter,
    move_foot,
    open_area,
    orifice,
)
from tests.otherfleet.crank import Crank, Load, turn, weigh
from tests.otherfleet.exhaust import Loops, Pipes, close_loop, full_pipes, loop_closed, push_out, sense, still_loops
from tests.otherfleet.fuel import (
    RING,
    Charges,
    Control,
    asked_fuel,
    burn,
    close_charge,
    film_undone,
    given_fuel,
    idling_charges,
    scheduled,
    switch_fuel,
    through_film,
)
from tests.otherfleet.parameters import STEP_S, Engine

KEEP_EVERY = 2  # every second step is kept: 0.5 ms
CHANNELS = ("metered", "indicated", "rpm", "phi_1", "phi_2", "phase", "plate", "gas_1")


@njit(cache=True, fastmath=True)
def _fire(
    e: Engine,
    event: int,
    t: float,
    rpm: float,
    drawn: float,
    foot: Foot,
    load: Load,
    crank: Crank,
    control: Control,
    charges: Charges,
    pipes: Pipes,
    gas: NDArray[np.float64],
    loops: Loops,
    rng: np.random.Generator,
) -> tuple[Crank, Control]:
    """One firing: fuel for the charge just drawn, work of an earlier one, exhaust of one before that.

    `t` [s] and `rpm` [1/min] are of the start of the step; `drawn` is the flow the control unit reckons with [kg/s].
    """
    cyl = event % int(e.cylinders)
    control = switch_fuel(e, control, foot, rpm)
    reckoned = scheduled(e, charges, event, drawn)
    asked = asked_fuel(e, control, load, foot, event, reckoned, loops.short[cyl % int(e.banks)], rpm)
    asked = film_undone(e, charges, asked, cyl, crank.omega)
    given, bubble_until = given_fuel(e, asked, load, t, control.bubble_until, cyl, crank.omega, rng)
    fuel = through_film(e, charges, given, cyl, crank.omega, load)
    close_charge(e, charges, event, crank.drawn, fuel, load, control.over, rpm, rng)
    omega, wander = burn(e, charges, event, foot, crank, control, rpm, rng)
    push_out(e, pipes, gas, charges, event)
    return Crank(omega, crank.angle, 0.0), Control(control.over, control.cutting, bubble_until, wander)


@njit(cache=True, fastmath=True)
def _row(
    metered: Metered, crank: Crank, foot: Foot, seen_1: float, seen_2: float, gas_1: float, stage: float
) -> tuple[float, float, float, float, float, float, float, float]:
    """`CHANNELS` at the end of a step; `stage` is the angle between firings [rad].

    It takes what the sensors see as numbers: handing arrays over at every step costs more than the step itself.
    """
    rpm = crank.omega * 30.0 / np.pi
    return metered.flow, metered.indicated, rpm, seen_1, seen_2, crank.angle / stage, foot.plate, gas_1


@njit(cache=True, fastmath=True)
def run(e: Engine, start_s: float, steps: int, rng: np.random.Generator, out: NDArray[np.float32]) -> None:
    """Run one capture.

    Parameters
    ----------
    e : Engine
        Everything about it.
    start_s : float
        Time of the first step; a second or more of idle before the recording lets the loops settle. [s]
    steps : int
        Count of steps of `STEP_S`.
    rng : numpy.random.Generator
        Cycle-to-cycle scatter, misfires, bubbles.
    out : ndarray of shape (steps // KEEP_EVERY, len(CHANNELS))
        Filled: metered and indicated flow [kg/s], speed [1/min], fuel over stoichiometric at both
        sensors, firing phase [1], plate [1], gas at sensor 1 before its lag.
    """
    stage = 4.0 * np.pi / int(e.cylinders)
    idle, air, metered = idling(e)
    foot, load = Foot(0.0, 0.0, 0.0, 1.0, 0.0), Load(0.0, False, 0.0)
    crank = Crank(e.idle_rpm * np.pi / 30.0, 0.0, 0.0)
    charges, control = idling_charges(e, idle_need(e)[0]), Control(False, False, -1e9, 0.0)
    pipes = full_pipes(e)
    gas, loops = np.ones(2), still_loops()  # gas at each bank's sensor
    event = RING
    for k in range(steps):
        t = start_s + k * STEP_S
        rpm = crank.omega * 30.0 / np.pi
        foot = move_foot(e, foot, t, rpm)
        idle = hold_idle(e, idle, foot, rpm)
        area, mass = open_area(e, idle, foot, rpm), air.mass
        air = exchange_gas(e, air, area, rpm)
        metered = meter(e, air, air.mass - mass, area, foot, metered, rpm)
        crank = turn(e, crank, air, rpm)
        load = weigh(e, load, air, foot)
        if crank.angle >= stage:
            event += 1
            crank = Crank(crank.omega, crank.angle - stage, crank.drawn)
            crank, control = _fire(
                e, event, t, rpm, metered.drawn, foot, load, crank, control, charges, pipes, gas, loops, rng
            )
        closed = loop_closed(e, foot, load.full, control.cutting, t)
        for b in range(int(e.banks)):
            sense(e, gas, loops, b, air.drawn)
            if closed:
                close_loop(e, loops, b, t, load.full)
        if k % KEEP_EVERY == 0 and k // KEEP_EVERY < out.shape[0]:
            row = _row(metered, crank, foot, loops.seen[0], loops.seen[1], gas[0], stage)
            for channel in range(len(row)):
                out[k // KEEP_EVERY, channel] = row[channel]


def idle_flow_of(engine: Engine) -> float:
    """Air the engine needs at idle. [kg/s]"""
    return float(idle_need(engine)[0])


def idle_pressure_of(engine: Engine) -> float:
    """Plenum pressure at idle. [Pa]"""
    return float(idle_need(engine)[1])


def leak_area_for(engine: Engine, flow: float) -> float:
    """Area of a leak that passes `flow` [kg/s] into the plenum at idle. [m^2]"""
    pressure = idle_pressure_of(engine)
    return flow / float(orifice(1.0, engine.ambient_pa, pressure, engine.intake_k))
