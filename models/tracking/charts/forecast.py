"""Weeks until a limit is crossed, as a distribution; and whether a value with its uncertainty is beyond a limit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from models.tracking.charts.recursion import LEVEL_STEP, SLOPE_STEP

Array = NDArray[np.float64]

HORIZON_WEEKS = 52
"""A crossing later than this is not in sight. Common practice, no source (2026-11-25)."""
GRID = np.concatenate([np.arange(0.0, 27.0), np.arange(28.0, HORIZON_WEEKS + 1, 2.0)])
"""Weeks ahead at which a crossing is looked for. [weeks]"""
_BATCH = 50_000


@dataclass(frozen=True)
class Forecast:
    """When a limit will be crossed; every array of shape (n,).

    Attributes
    ----------
    low, median, high : ndarray
        10 %, 50 % and 90 % quantile of the weeks; 0 crossed, infinity not in sight, NaN no limit known. [weeks]
    within_next, within_4, within_8, within_13 : ndarray
        Probability of having crossed by the next expected visit, and within so many weeks. [1]
    """

    low: Array
    median: Array
    high: Array
    within_next: Array
    within_4: Array
    within_8: Array
    within_13: Array


def weeks_to_limit(
    margin: Array,
    closing: Array,
    var_margin: Array,
    covar: Array,
    var_closing: Array,
    *,
    next_visit_weeks: Array | float = 1.0,
    level_step: float = LEVEL_STEP,
    slope_step: float = SLOPE_STEP,
) -> Forecast:
    """First crossing of a limit by a level with a slope that may both wander.

    Parameters
    ----------
    margin : ndarray of shape (n,)
        How far the level is inside its limit; negative is beyond. NaN: no limit. [scatters]
    closing : ndarray of shape (n,)
        How fast the margin shrinks. [scatters per week]
    var_margin, covar, var_closing : ndarray of shape (n,)
        Variance of the margin, covariance of level beyond and closing, variance of the closing.
    next_visit_weeks : ndarray of shape (n,) or float
        Until the next expected visit. [weeks]
    level_step, slope_step : float
        Standard deviation of what level and slope wander in a week. [scatters], [scatters per week]

    Returns
    -------
    Forecast
        A week's probability is the largest of the Gaussian probabilities of being beyond the limit up to it.
    """
    chance = np.full((margin.size, GRID.size), np.nan)
    for start in range(0, margin.size, _BATCH):
        part = np.flatnonzero(np.isfinite(margin[start : start + _BATCH])) + start
        h = GRID[None, :]
        mean = -margin[part, None] + h * closing[part, None]
        variance = var_margin[part, None] + 2.0 * h * covar[part, None] + h**2 * var_closing[part, None]
        variance = variance + level_step**2 * h + slope_step**2 * h**3 / 3.0
        chance[part] = np.maximum.accumulate(ndtr(mean / np.sqrt(np.maximum(variance, 1e-12))), axis=1)
    return forecast_of(chance, next_visit_weeks)


def forecast_of(chance: Array, next_visit_weeks: Array | float) -> Forecast:
    """Quantiles and probabilities of a crossing from its cumulative probability.

    Parameters
    ----------
    chance : ndarray of shape (n, weeks)
        Probability of having crossed by each week of `GRID`, rising; NaN rows have no limit. [1]
    next_visit_weeks : ndarray of shape (n,) or float
        Until the next expected visit. [weeks]

    Returns
    -------
    Forecast
    """
    known = np.isfinite(chance[:, 0])
    until = np.broadcast_to(np.asarray(next_visit_weeks, np.float64), (len(chance),))
    place = np.minimum(np.searchsorted(GRID, until), GRID.size - 1)
    low, median, high = (np.where(known, _first(chance, q), np.nan) for q in (0.1, 0.5, 0.9))
    within_4, within_8, within_13 = (chance[:, int(np.searchsorted(GRID, week))].copy() for week in (4.0, 8.0, 13.0))
    return Forecast(low, median, high, chance[np.arange(len(chance)), place], within_4, within_8, within_13)


def _first(chance: Array, quantile: float) -> Array:
    """Week at which rows of rising probabilities reach a quantile, between grid points in proportion."""
    beyond = chance >= quantile
    place = np.argmax(beyond, axis=1)
    rows = np.arange(len(chance))
    before = np.maximum(place - 1, 0)
    low, high = chance[rows, before], chance[rows, place]
    share = np.where(high > low, (quantile - low) / np.where(high > low, high - low, 1.0), 1.0)
    week = GRID[before] + share * (GRID[place] - GRID[before])
    return np.where(~beyond.any(axis=1), np.inf, np.where(place == 0, 0.0, week))


def beyond_probability(value: Array, u: Array, *, low: Array, high: Array) -> Array:
    """Probability that the true value is outside its limits.

    Parameters
    ----------
    value, u : ndarray of shape (n,)
        Measured value and its standard uncertainty. [any unit]
    low, high : ndarray of shape (n,)
        Limits; NaN for none. [same unit]

    Returns
    -------
    ndarray of shape (n,)
        NaN without any limit.

    References
    ----------
    JCGM 106:2012, 7.3 (Gaussian conformance probability).
    """
    below = np.where(np.isfinite(low), ndtr((low - value) / u), 0.0)
    above = np.where(np.isfinite(high), ndtr((value - high) / u), 0.0)
    return np.where(np.isfinite(low) | np.isfinite(high), below + above, np.nan)


def decision(
    value: float, u: float, *, low: float | None = None, high: float | None = None, coverage: float = 2.0
) -> str:
    """Guard-banded decision on one value.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty. [any unit]
    low, high : float or None
        Limits. [same unit]
    coverage : float
        Coverage factor of the guard band. [1]

    Returns
    -------
    {"inside", "outside", "undecided"}
        Inside only by more than the expanded uncertainty, outside only by more than it.

    References
    ----------
    ISO 14253-1 (its decision rule, as summarised publicly): uncertainty counts against whoever gives proof.
    """
    guard = coverage * u
    inside_by = min(value - low if low is not None else np.inf, high - value if high is not None else np.inf)
    if inside_by >= guard:
        return "inside"
    return "outside" if inside_by < -guard else "undecided"
