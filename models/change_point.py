"""When did it change: levels of a long series, and the onset of a step or a ramp with its interval."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import NotEnoughDataError
from models.statistics.compiled import kernel

Array = NDArray[np.float64]

OUTLIER = 4.0
"""A point this far from its neighbours' median is put to it: a lone outlier is no change. [scatters]"""


def difference_scatter(x: Array) -> float:
    """Scatter from the median absolute difference of neighbours, so that changes of level do not widen it.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Finite values, oldest first. [any unit]

    Returns
    -------
    float
        [unit of x]; 0 where most neighbours are equal.
    """
    return float(1.4826 * np.median(np.abs(np.diff(x))) / np.sqrt(2.0))


def persistence(x: Array) -> tuple[float, float]:
    """Scatter of one point and how much longer neighbours pull one way than independent ones would.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Finite values, oldest first. [any unit]

    Returns
    -------
    scatter : float
        From differences up to eight points apart. [unit of x]
    inflation : float
        Long-run variance over variance of a first-order autoregression, at least 1. [1]
    """
    near = difference_scatter(x)
    lags = [lag for lag in (1, 2, 4, 8) if x.size > 4 * lag]
    scatter = max((float(1.4826 * np.median(np.abs(x[lag:] - x[:-lag])) / np.sqrt(2.0)) for lag in lags), default=near)
    if scatter <= 0:
        return 0.0, 1.0
    memory = min(max(1.0 - (near / scatter) ** 2, 0.0), 0.95)
    return scatter, (1.0 + memory) / (1.0 - memory)


def without_outliers(x: Array, sigma: float, *, half_window: int = 3) -> Array:
    """Lone outliers put to the median of their neighbours (a Hampel filter).

    Parameters
    ----------
    x : ndarray of shape (n,)
        Finite values, oldest first. [any unit]
    sigma : float
        Scatter of one point. [unit of x]
    half_window : int
        Neighbours on each side.

    Returns
    -------
    ndarray of shape (n,)
    """
    padded = np.pad(x, half_window, mode="reflect") if x.size > half_window else np.pad(x, half_window, mode="edge")
    local = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half_window + 1), axis=1)
    return np.where(np.abs(x - local) > OUTLIER * sigma, local, x)


@kernel
def _partition(x: Array, penalty: float, shortest: int) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Optimal partitioning with the squared-error cost; last change before each point."""
    n = x.size
    first, second = np.zeros(n + 1), np.zeros(n + 1)
    for i in range(n):
        first[i + 1] = first[i] + x[i]
        second[i + 1] = second[i] + x[i] * x[i]
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    before = np.zeros(n + 1, np.int64)
    for end in range(shortest, n + 1):
        for start in range(end - shortest + 1):
            if not np.isfinite(best[start]):
                continue
            total = first[end] - first[start]
            cost = best[start] + second[end] - second[start] - total * total / (end - start) + penalty
            if cost < best[end]:
                best[end], before[end] = cost, start
    return before


def change_points(
    x: Array, *, sigma: float | None = None, penalty: float | None = None, shortest: int = 8
) -> tuple[int, ...]:
    """Changes of level in a series, lone outliers left alone.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Finite values, oldest first. [any unit]
    sigma : float, optional
        Scatter of one point; default from differences. [unit of x]
    penalty : float, optional
        Cost of a change; default 4 log n, times the series' own persistence. [scatters²]
    shortest : int
        Fewest points between changes.

    Returns
    -------
    tuple of int
        First point of each new level.

    Raises
    ------
    NotEnoughDataError
        With fewer than two shortest stretches.

    References
    ----------
    Optimal partitioning: B. Jackson et al., IEEE Signal Process. Lett. 12 (2005) 105-108.
    """
    values = np.asarray(x, dtype=np.float64)
    if values.size < 2 * shortest:
        raise NotEnoughDataError(f"{values.size} values: changes of level need at least {2 * shortest}")
    own, inflation = persistence(values)
    scatter = sigma if sigma is not None else own
    if scatter <= 0:
        scatter = max(float(np.std(np.diff(values))) / np.sqrt(2.0), 1e-12)
    clean = without_outliers(values, scatter) / scatter
    cost = 4.0 * np.log(values.size) * inflation if penalty is None else penalty
    before = _partition(clean - clean.mean(), float(cost), shortest)
    changes: list[int] = []
    end = int(before[-1])
    while end > 0:
        changes.append(end)
        end = int(before[end])
    return tuple(reversed(changes))


@dataclass(frozen=True)
class Onset:
    """When a van's quantity began to move.

    Attributes
    ----------
    kind : {"step", "ramp"}
        The likelier shape.
    time, low, high : float
        Likeliest onset and its 80 % interval. [unit of t]
    ramp_probability : float
        Of a ramp against a step. [1]
    """

    kind: Literal["step", "ramp"]
    time: float
    low: float
    high: float
    ramp_probability: float


def date_onset(t: Array, x: Array, *, sigma: float) -> Onset:
    """Date one onset in a series known to have moved.

    Parameters
    ----------
    t : ndarray of shape (n,)
        Times, rising. [any unit]
    x : ndarray of shape (n,)
        Values; NaN left out. [any unit]
    sigma : float
        Scatter of one point. [unit of x]

    Returns
    -------
    Onset

    Raises
    ------
    NotEnoughDataError
        With fewer than five values.

    Notes
    -----
    Every point but the first is tried as the onset of a step and of a ramp, level and size by least squares on values
    without lone outliers; posterior weights exp(-rss / 2 sigma²) with equal priors.
    """
    keep = np.isfinite(x)
    times, values = np.asarray(t, np.float64)[keep], np.asarray(x, np.float64)[keep]
    n = values.size
    if n < 5:
        raise NotEnoughDataError(f"{n} values: dating an onset needs at least 5")
    y = without_outliers(values, sigma) / sigma
    candidates = np.arange(1, n)
    shapes = np.stack(
        [
            np.arange(n)[None, :] >= candidates[:, None],
            np.maximum(times[None, :] - times[candidates - 1, None], 0.0),
        ]
    ).astype(np.float64)
    centred = shapes - shapes.mean(axis=2, keepdims=True)
    deviation = y - y.mean()
    size2 = np.sum(centred**2, axis=2)
    explained = (centred @ deviation) ** 2 / np.maximum(size2, 1e-12)
    weight = np.exp((explained - explained.max()) / 2.0)
    weight /= weight.sum()
    kind = int(np.argmax(weight.sum(axis=1)))
    chance = weight[kind] / weight[kind].sum()
    dates = times[candidates] if kind == 0 else times[candidates - 1]
    cumulative = np.cumsum(chance)
    low, high = (float(dates[int(np.searchsorted(cumulative, q))]) for q in (0.1, 0.9))
    return Onset("ramp" if kind else "step", float(dates[int(np.argmax(chance))]), low, high, float(weight[1].sum()))
