"""Levels among samples: a recorder of a few bits gives few, each many times over."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_MOST_COUNTS = 65_000
"""Steps that are counted one by one; more are sorted. Of our choosing."""


@dataclass(frozen=True)
class Levels:
    """Every level that samples have, the lowest first.

    Attributes
    ----------
    values : ndarray of shape (levels,)
        [unit of the signal]
    upto : ndarray of shape (levels,), int
        Samples at a level or below it.
    step : float
        Step on which all of them lie, 0 where they were not counted. [unit of the signal]
    counts : ndarray of shape (samples,), int32, or None
        Each sample in steps, where they were counted.
    """

    values: NDArray[np.float32]
    upto: NDArray[np.int64]
    step: float = 0.0
    counts: NDArray[np.int32] | None = None

    @property
    def samples(self) -> int:
        """How many there are."""
        return int(self.upto[-1]) if self.upto.size else 0

    def quantile(self, share: float) -> float:
        """Between neighbours, as `numpy.quantile` gives it.

        Parameters
        ----------
        share : float
            0 to 1.

        Returns
        -------
        float
            [unit of the signal]
        """
        place = share * (self.samples - 1)
        below = int(place)
        low, high = self._at(below), self._at(min(below + 1, self.samples - 1))
        return low + (place - below) * (high - low)

    def _at(self, rank: int) -> float:
        return float(self.values[self.upto.searchsorted(rank, "right")])


def levels_of(samples: NDArray[np.float32], guess: float = 0.0) -> Levels:
    """The levels among samples, whatever the guess; a right one saves sorting them.

    Parameters
    ----------
    samples : ndarray of shape (samples,)
        None missing. [unit of the signal]
    guess : float
        Step on which they may lie; 0 is none. [unit of the signal]

    Returns
    -------
    Levels
    """
    found = _counted(samples, guess) if guess > 0.0 and samples.size else None
    if found is not None:
        return found
    ranked = np.sort(samples)
    last = np.ones(ranked.size, dtype=np.bool_)
    np.not_equal(ranked[1:], ranked[:-1], out=last[:-1])
    at = np.flatnonzero(last)
    return Levels(ranked[at], at + 1)


def _counted(samples: NDArray[np.float32], step: float) -> Levels | None:
    """The levels of samples that lie on a step, bit for bit; None where they do not."""
    low, high = float(samples.min()), float(samples.max())
    if not max(abs(low), abs(high)) < _MOST_COUNTS * step:
        return None
    scaled = samples * np.float32(1.0 / step)
    counts = np.rint(scaled, out=scaled).astype(np.int32)
    if not np.array_equal((counts * step).astype(np.float32), samples):
        return None
    lowest = int(counts.min())
    times = np.bincount(counts - lowest)
    at = np.flatnonzero(times)
    return Levels(((at + lowest) * step).astype(np.float32), np.cumsum(times[at]), step, counts)
