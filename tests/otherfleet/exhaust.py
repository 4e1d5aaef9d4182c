"""The engine's exhaust: every firing pushes a slug of gas to its bank's lambda sensor, and the short trims follow."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from tests.otherfleet.air import Foot
from tests.otherfleet.fuel import RING, Charges
from tests.otherfleet.parameters import GAS_CONSTANT, STEP_S, Engine
from tests.otherfleet.structures import EXHAUSTS

_EXHAUST_K = 900.0
_DEPTH = 4096  # slugs a pipe can hold
VOLUMES, MERGE, POCKET, BREATHING, NEAR, CAPPED, BY_PASS = (
    float(EXHAUSTS.index(name)) for name in ("volumes", "merge", "pocket", "breathing", "near", "capped", "by_pass")
)
_BREATHES = 3.0  # volume that breathes past the sensor where hardly any gas comes, over that of the mixing
_POCKET = 3.0  # volume of a pocket, over that of the mixing beside it
_PASSES = 0.35  # share of the gas at the sensor that trades places with the pocket
_BRANCH = (0.6, 1.5)  # lengths of merging branches, or of two ways, over the mean
_LONGER = 0.35  # share of the gas that goes by the longer of two ways
_NEAREST, _OTHERS = 2.0, 0.6  # how much of the gas of one cylinder, and of the rest, passes a sensor near its port
_CAP = 1.5  # how much more a cap delays where hardly any gas passes [1]
_SWINGS_HZ = 1.5  # of the mixture about lambda 1
_SIDES = 0.03  # of a loop that jumps: error of a ratio beyond which all is asked for [1]


class Pipes(NamedTuple):
    """Gas on its way to the sensors of both banks, in slugs; to a sensor behind a merge, in both branches."""

    volume: NDArray[np.float64]  # shape (2, _DEPTH) [m^3]
    phi: NDArray[np.float64]  # shape (2, _DEPTH), fuel over stoichiometric [1]
    head: NDArray[np.int64]  # shape (2,), first slug in the pipe
    tail: NDArray[np.int64]  # shape (2,), one past the last
    held: NDArray[np.float64]  # shape (2,), volume of all [m^3]
    before: NDArray[
        np.float64
    ]  # shape (2, 2), fuel over stoichiometric in the volumes before the last, or in pockets [1]


class Loops(NamedTuple):
    """The closed loops of both banks, and the sensors they see by."""

    seen: NDArray[np.float64]  # shape (2,), fuel over stoichiometric as the sensor shows it [1]
    inner: NDArray[np.float64]  # shape (2,), behind the first of two lags [1]
    short: NDArray[np.float64]  # shape (2,), short trim [1]
    learned: NDArray[np.float64]  # shape (2,), its integral part [1]
    side: NDArray[np.float64]  # shape (2,), 1 believed lean, -1 rich
    other_s: NDArray[np.float64]  # shape (2,), since when the sensor shows the other side [s]


@njit(cache=True, fastmath=True)
def _merges(e: Engine) -> bool:
    """Whether two branches or ways lead to the one sensor; an engine with two banks has a sensor in each."""
    return (e.exhaust == MERGE or e.exhaust == BY_PASS) and int(e.banks) == 1


@njit(cache=True, fastmath=True)
def _pipe(e: Engine, b: int) -> float:
    """Volume of one bank's pipe, or of one branch. [m^3]"""
    if _merges(e):
        return 0.5 * e.pipe * _BRANCH[b]
    return e.pipe / int(e.banks)


@njit(cache=True, fastmath=True)
def full_pipes(e: Engine) -> Pipes:
    """Pipes full of stoichiometric gas."""
    volume = np.zeros((2, _DEPTH))
    volume[0, 0], volume[1, 0] = _pipe(e, 0), _pipe(e, 1)
    ends = np.zeros(2, np.int64), np.ones(2, np.int64)
    return Pipes(volume, np.ones((2, _DEPTH)), ends[0], ends[1], volume[:, 0].copy(), np.ones((2, 2)))


@njit(cache=True, fastmath=True)
def still_loops() -> Loops:
    """Loops at rest, sensors in stoichiometric gas."""
    return Loops(np.ones(2), np.ones(2), np.zeros(2), np.zeros(2), np.ones(2), np.zeros(2))


@njit(cache=True, fastmath=True)
def _through_volumes(e: Engine, pipes: Pipes, gas: NDArray[np.float64], b: int, slug: float, phi: float) -> None:
    """Gas of one firing [m^3] goes through three equal volumes in series to its bank's sensor."""
    share = 1.0 - np.exp(-3.0 * slug * int(e.banks) / (e.pipe + e.mixing))
    pipes.before[b, 0] += (phi - pipes.before[b, 0]) * share
    pipes.before[b, 1] += (pipes.before[b, 0] - pipes.before[b, 1]) * share
    gas[b] += (pipes.before[b, 1] - gas[b]) * share


@njit(cache=True, fastmath=True)
def push_out(e: Engine, pipes: Pipes, gas: NDArray[np.float64], charges: Charges, event: int) -> None:
    """Push the gas of an earlier firing into its bank's pipe, and as much out of it past the sensor."""
    n, banks = int(e.cylinders), int(e.banks)
    left = event - (3 * n) // 4
    j = left % RING
    b = left % n % (2 if _merges(e) else banks)
    slug = (charges.air[j] + charges.fuel[j]) * GAS_CONSTANT * _EXHAUST_K / e.ambient_pa
    left_phi = charges.phi[j] if charges.burns[j] > 0.5 else 0.4 * charges.phi[j]
    if e.exhaust == VOLUMES:
        _through_volumes(e, pipes, gas, b, slug, left_phi)
    elif e.exhaust == BY_PASS and _merges(e):
        _through_pipe(e, pipes, gas, 0, (1.0 - _LONGER) * slug, left_phi, 1.0)
        _through_pipe(e, pipes, gas, 1, _LONGER * slug, left_phi, 1.0)
    elif e.exhaust == NEAR:
        _through_pipe(e, pipes, gas, b, slug, left_phi, _NEAREST if left % n < banks else _OTHERS)
    else:
        _through_pipe(e, pipes, gas, b, slug, left_phi, 1.0)


@njit(cache=True, fastmath=True)
def _through_pipe(
    e: Engine, pipes: Pipes, gas: NDArray[np.float64], b: int, slug: float, left_phi: float, near: float
) -> None:
    """Gas of one firing [m^3] goes into a pipe, as much out of it past the sensor, which meets so much of it (`near`)."""
    n, banks = int(e.cylinders), int(e.banks)
    volume, phi, head, tail, held, _ = pipes
    volume[b, tail[b] % _DEPTH] = slug
    phi[b, tail[b] % _DEPTH] = left_phi
    tail[b] += 1
    held[b] += slug
    arrived, total = 0.0, 0.0
    while held[b] > _pipe(e, b) and head[b] < tail[b] - 1:
        h = head[b] % _DEPTH
        take = min(volume[b, h], held[b] - _pipe(e, b))
        arrived += take * phi[b, h]
        total += take
        volume[b, h] -= take
        held[b] -= take
        if volume[b, h] <= 1e-12:
            head[b] += 1
    if total > 0.0:
        at = 0 if _merges(e) else b
        mixes = e.mixing / banks
        if e.exhaust == BREATHING:
            full = e.displacement / n * _EXHAUST_K / e.charge_k  # gas of one firing at full load
            mixes *= 1.0 + _BREATHES * max(1.0 - slug / full, 0.0)
        gas[at] += (arrived / total - gas[at]) * (1.0 - np.exp(-near * total / mixes))
        if e.exhaust == POCKET:
            traded = (gas[at] - pipes.before[at, 0]) * (1.0 - np.exp(-_PASSES * total / (e.mixing / banks)))
            gas[at] -= traded
            pipes.before[at, 0] += traded / _POCKET


@njit(cache=True, fastmath=True)
def sense(e: Engine, gas: NDArray[np.float64], loops: Loops, b: int, drawn: float) -> None:
    """What a bank's sensor sees of its gas a step on; a leaking exhaust draws in air at low flow [kg/s]."""
    outside = gas[b]
    if e.false_air > 0.0 and b == 0:
        outside = outside / (1.0 + e.false_air * min(e.idle_flow / max(drawn, 1e-6), 1.5))
    rich, lean = (e.tau_rich_1, e.tau_lean_1) if b == 0 else (e.tau_rich_2, e.tau_lean_2)
    lag = rich if outside > loops.seen[b] else lean
    if e.exhaust == CAPPED:
        lag *= 1.0 + _CAP * max(1.0 - drawn / e.full_flow, 0.0)
    if e.second_lag > 0.0:
        loops.inner[b] += (outside - loops.inner[b]) * STEP_S / (lag * (1.0 - e.second_lag))
        outside = loops.inner[b]
        lag *= e.second_lag
    loops.seen[b] += (outside - loops.seen[b]) * STEP_S / lag


@njit(cache=True, fastmath=True)
def close_loop(e: Engine, loops: Loops, b: int, t: float, full: bool) -> None:
    """A bank's short trim follows what its sensor sees, a step on."""
    told = 1.0 / max(loops.seen[b], 0.15) + e.loop_holds
    if full and e.loop_holds_rich > 0.5:
        told += 1.0 - e.rich_target
    if b == int(e.shift_bank):
        told += e.lambda_shift
    side = 1.0 if told > 1.0 else -1.0
    if e.loop_late_s > 0.0:
        loops.other_s[b] = loops.other_s[b] + STEP_S if side != loops.side[b] else 0.0
        if loops.other_s[b] > e.loop_late_s:
            loops.side[b] = side
            loops.other_s[b] = 0.0
        side = loops.side[b]
    if e.narrowband > 0.5:
        loops.learned[b] += 0.055 * side * STEP_S
        jump = e.loop_jump * side
    else:
        loops.learned[b] += e.loop_gain * min(max(told - 1.0, -0.2), 0.2) * STEP_S
        jump = e.loop_jump * min(max((told - 1.0) / _SIDES, -1.0), 1.0)
    loops.learned[b] = min(max(loops.learned[b], -0.06), 0.06)
    swing = e.loop_swing * np.sin(2.0 * np.pi * _SWINGS_HZ * t)
    loops.short[b] = loops.learned[b] + jump + swing


@njit(cache=True, fastmath=True)
def loop_closed(e: Engine, foot: Foot, full: bool, cutting: bool, t: float) -> bool:
    """Whether the loop is closed: the trims settle before the recording, then near idle or part load, or at full load."""
    if e.loop_at_idle < 0.5 and (t < e.opening_s or foot.plate < 0.02):
        return False
    calm = t < e.opening_s or foot.released_s > e.loop_waits_s or (e.loop_at_full > 0.5 and foot.released_s <= 0.0)
    return (e.loop_at_full > 0.5 or not full) and not cutting and calm
