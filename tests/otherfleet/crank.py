"""The engine's crank: friction and pumping slow it, each firing drives it."""

from typing import NamedTuple

import numpy as np
from numba import njit

from tests.otherfleet.air import Air, Foot, friction
from tests.otherfleet.parameters import STEP_S, Engine


class Crank(NamedTuple):
    """The crank, and the air drawn since the last firing."""

    omega: float  # [rad/s]
    angle: float  # since the last firing [rad]
    drawn: float  # [kg]


class Load(NamedTuple):
    """How hard the engine works."""

    share: float  # plenum pressure over ambient [1]
    full: bool
    full_s: float  # at full load; runs back twice as fast


@njit(cache=True, fastmath=True)
def turn(e: Engine, crank: Crank, air: Air, rpm: float) -> Crank:
    """The crank a step on, against friction and pumping."""
    pumping = max(e.ambient_pa - air.pressure, 0.0) * e.displacement / (4.0 * np.pi)
    pumping += e.exhaust_drop * air.share * air.share * e.ambient_pa * 0.8 * e.displacement / (4.0 * np.pi)
    omega = crank.omega - (friction(e, rpm) + pumping) / e.inertia * STEP_S
    omega = max(omega, 20.0)
    return Crank(omega, crank.angle + omega * STEP_S, crank.drawn + air.drawn * STEP_S)


@njit(cache=True, fastmath=True)
def weigh(e: Engine, load: Load, air: Air, foot: Foot) -> Load:
    """The load a step on."""
    share = air.pressure / e.ambient_pa
    full = share > 0.8 and foot.plate > 0.2
    full_s = load.full_s + STEP_S if full else max(load.full_s - 2.0 * STEP_S, 0.0)
    return Load(share, full, full_s)
