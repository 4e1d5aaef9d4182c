"""Random numbers inside compiled loops: one small state per capture, so that batching and threads change nothing."""

import math

import numpy as np
from numba import njit

from sample_fleet.record import SeedArray

_A, _B, _C = np.uint64(12), np.uint64(25), np.uint64(27)
_MULTIPLIER, _TOP = np.uint64(2685821657736338717), np.uint64(11)


@njit(cache=True, nogil=True, inline="always")
def uniform(state: SeedArray) -> float:
    """Uniform in [0, 1): xorshift64* (Vigna, ACM Transactions on Mathematical Software 42(4), 2016)."""
    x = state[0]
    x ^= x >> _A
    x ^= x << _B
    x ^= x >> _C
    state[0] = x
    return float((x * _MULTIPLIER) >> _TOP) * (1.0 / 9007199254740992.0)


@njit(cache=True, nogil=True)
def normal(state: SeedArray) -> float:
    """Standard normal by the polar method."""
    while True:
        u = 2.0 * uniform(state) - 1.0
        v = 2.0 * uniform(state) - 1.0
        s = u * u + v * v
        if 0.0 < s < 1.0:
            return u * math.sqrt(-2.0 * math.log(s) / s)
