"""The engine's exhaust: every firing pushes a slug of gas to its bank's lambda sensor, and the short trims follow."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.otherfleet.air import Foot
from tests.otherfleet.fuel import RING, Charges
from tests.otherfleet.parameters import GAS_CONSTANT, STEP_S, Engine

_EXHAUST_K = 900.0
_DEPTH = 4096  # slugs a pipe can hold


class Pipes(NamedTuple):
    """Gas on its way to the sensors of both banks, in slugs."""

    volume: NDArray[np.float64]  # shape (2, _DEPTH) [m^3]
    phi: NDArray[np.float64]  # shape (2, _DEPTH), fuel over stoichiometric [1]
    head: NDArray[np.int64]  # shape (2,), first slug in the pipe
    tail: NDArray[np.int64]  # shape (2,), one past the last
    held: NDArray[np.float64]  # shape (2,), volume of all [m^3]


@njit(cache=True, fastmath=True)
def _pipe(e: Engine) -> float:
    """Volume of one bank's pipe. [m^3]"""
    return e.pipe / int(e.banks)


@njit(cache=True, fastmath=True)
def full_pipes(e: Engine) -> Pipes:
    """Pipes full of stoichiometric gas."""
    volume = np.zeros((2, _DEPTH))
    volume[:, 0] = _pipe(e)
    return Pipes(volume, np.ones((2, _DEPTH)), np.zeros(2, np.int64), np.ones(2, np.int64), volume[:, 0].copy())


@njit(cache=True, fastmath=True)
def push_out(e: Engine, pipes: Pipes, gas: NDArray[np.float64], charges: Charges, event: int) -> None:
    """Push the gas of an earlier firing into its bank's pipe, and as much out of it past the sensor."""
    n, banks = int(e.cylinders), int(e.banks)
    left = event - (3 * n) // 4
    j = left % RING
    b = left % n % banks
    slug = (charges.air[j] + charges.fuel[j]) * GAS_CONSTANT * _EXHAUST_K / e.ambient_pa
    volume, phi, head, tail, held = pipes
    volume[b, tail[b] % _DEPTH] = slug
    phi[b, tail[b] % _DEPTH] = charges.phi[j] if charges.burns[j] > 0.5 else 0.4 * charges.phi[j]
    tail[b] += 1
    held[b] += slug
    arrived, total = 0.0, 0.0
    while held[b] > _pipe(e) and head[b] < tail[b] - 1:
        h = head[b] % _DEPTH
        take = min(volume[b, h], held[b] - _pipe(e))
        arrived += take * phi[b, h]
        total += take
        volume[b, h] -= take
        held[b] -= take
        if volume[b, h] <= 1e-12:
            head[b] += 1
    if total > 0.0:
        gas[b] += (arrived / total - gas[b]) * (1.0 - np.exp(-total / (e.mixing / banks)))


@njit(cache=True, fastmath=True)
def sense(e: Engine, gas: NDArray[np.float64], seen: NDArray[np.float64], b: int, drawn: float) -> None:
    """What a bank's sensor sees of its gas a step on; a leaking exhaust draws in air at low flow [kg/s]."""
    outside = gas[b]
    if e.false_air > 0.0 and b == 0:
        outside = outside / (1.0 + e.false_air * min(e.idle_flow / max(drawn, 1e-6), 1.5))
    rich, lean = (e.tau_rich_1, e.tau_lean_1) if b == 0 else (e.tau_rich_2, e.tau_lean_2)
    lag = rich if outside > seen[b] else lean
    seen[b] += (outside - seen[b]) * STEP_S / lag


@njit(cache=True, fastmath=True)
def close_loop(e: Engine, seen: NDArray[np.float64], short: NDArray[np.float64], b: int) -> None:
    """A bank's short trim follows what its sensor sees, a step on."""
    told = 1.0 / max(seen[b], 0.15)
    if b == int(e.shift_bank):
        told += e.lambda_shift
    if e.narrowband > 0.5:
        short[b] += (0.055 if told > 1.0 else -0.055) * STEP_S
    else:
        short[b] += e.loop_gain * min(max(told - 1.0, -0.2), 0.2) * STEP_S
    short[b] = min(max(short[b], -0.06), 0.06)


@njit(cache=True, fastmath=True)
def loop_closed(e: Engine, foot: Foot, full: bool, cutting: bool, t: float) -> bool:
    """Whether the loop is closed: the trims settle before the recording, then near idle or part load only."""
    return not full and not cutting and (t < e.opening_s or foot.released_s > 0.4)
