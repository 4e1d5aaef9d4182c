"""Forecast of the weeks until a limit is crossed, as a distribution; and the probability that a value is beyond a
limit.
"""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtr

from data_contracts.facts.of_record import HORIZON_WEEKS
from models.statistics.arrays import Codes, Floats
from models.tracking.charts.recursion import LEVEL_STEP

GRID = np.concatenate([np.arange(0.0, 27.0), np.arange(28.0, HORIZON_WEEKS + 1, 2.0)])
"""Weeks ahead at which a crossing is looked for. [weeks]"""
_BATCH = 50_000


@dataclass(frozen=True)
class Forecast:
    """When a limit will be crossed; every array of shape (n,).

    Attributes
    ----------
    low, median, high : ndarray
        10 %, 50 % and 90 % quantile of the weeks, never among what may come; 0 crossed, infinity not within the horizon or never, NaN
        no limit known. [weeks]
    within_next, within_4, within_8, within_13 : ndarray
        Probability of having crossed by the next expected visit, and within so many weeks. [1]
    """

    low: Floats
    median: Floats
    high: Floats
    within_next: Floats
    within_4: Floats
    within_8: Floats
    within_13: Floats

    def spread(self, rows: Codes, size: int) -> "Forecast":
        """The same at some rows of more, NaN at the others.

        Parameters
        ----------
        rows : ndarray of shape (n,), int
            Where each goes.
        size : int
            Number of rows.

        Returns
        -------
        Forecast
            Of `size` rows.
        """
        if rows.size == size:
            return self
        wide = nothing_known(size)
        for each in fields(self):
            getattr(wide, each.name)[rows] = getattr(self, each.name)
        return wide


def nothing_known(size: int) -> Forecast:
    """A forecast of which nothing is known at any row.

    Parameters
    ----------
    size : int
        Number of rows.

    Returns
    -------
    Forecast
        NaN throughout.
    """
    return Forecast(**{each.name: np.full(size, np.nan) for each in fields(Forecast)})


def weeks_to_limit(margin: Floats, variance: Floats, *, next_visit_weeks: Floats | float = 1.0) -> Forecast:
    """First crossing of a limit by a level without a trend, which only wanders.

    Parameters
    ----------
    margin : ndarray of shape (n,)
        Distance of the level from its limit, negative beyond it. NaN: no limit. [scatters]
    variance : ndarray of shape (n,)
        Variance of the margin. [scatters²]
    next_visit_weeks : ndarray of shape (n,) or float
        Time to the next expected visit. [weeks]

    Returns
    -------
    Forecast
        The probability of a week is the largest Gaussian probability, up to that week, of being beyond the limit.
    """
    chance = np.full((margin.size, GRID.size), np.nan)
    for start in range(0, margin.size, _BATCH):
        part = np.flatnonzero(np.isfinite(margin[start : start + _BATCH])) + start
        spread = np.sqrt(np.maximum(variance[part, None] + LEVEL_STEP**2 * GRID, 1e-12))
        chance[part] = np.maximum.accumulate(ndtr(-margin[part, None] / spread), axis=1)
    return forecast_of(chance, next_visit_weeks)


def forecast_of(chance: Floats, next_visit_weeks: Floats | float) -> Forecast:
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


def _first(chance: Floats, quantile: float) -> Floats:
    """Week at which rows of rising probabilities reach a quantile, interpolated between grid points."""
    beyond = chance >= quantile
    place = np.argmax(beyond, axis=1)
    rows = np.arange(len(chance))
    before = np.maximum(place - 1, 0)
    low, high = chance[rows, before], chance[rows, place]
    share = np.where(high > low, (quantile - low) / np.where(high > low, high - low, 1.0), 1.0)
    week = GRID[before] + share * (GRID[place] - GRID[before])
    return np.where(~beyond.any(axis=1), np.inf, np.where(place == 0, 0.0, week))


def beyond_probability(value: Floats, u: Floats, *, low: Floats, high: Floats) -> Floats:
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
