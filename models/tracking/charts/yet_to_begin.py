"""Odds of a movement that has not begun: a quantity that shows nothing may begin to move tomorrow, and cross its limit in time."""

from dataclasses import replace
from functools import cache

import numpy as np
from scipy.special import ndtr

from models.statistics.arrays import Flags, Floats
from models.tracking.charts.change_hypotheses import ENDS_PER_WEEK, SLOPE_PRIOR, STEP_SHARE, STEP_SIZE
from models.tracking.charts.first_signs import ONSET_RATE
from models.tracking.charts.forecast import GRID, Forecast

_HORIZONS = {"within_4": 4.0, "within_8": 8.0, "within_13": 13.0}
_MARGINS = np.concatenate([[0.0], np.geomspace(0.5, 200.0, 60)])
_STEP = 0.25  # onsets tried, weeks apart


@cache
def _table() -> Floats:
    """Probability of crossing by each week of `GRID` at each margin, shape (margins, weeks)."""
    lasts = -np.log(1.0 - (np.arange(40) + 0.5) / 40.0) / ENDS_PER_WEEK
    left = np.arange(_STEP / 2.0, GRID[-1], _STEP)  # weeks from an onset to the horizon
    margin = _MARGINS[:, None]
    grown = ndtr(-margin[:, :, None] / (SLOPE_PRIOR * np.minimum(lasts, left[:, None]))).mean(axis=2)
    after = STEP_SHARE * ndtr(-margin / STEP_SIZE) + (1.0 - STEP_SHARE) * grown
    begun = np.searchsorted(left, GRID)  # onsets that lie before each horizon
    summed = np.concatenate([np.zeros((_MARGINS.size, 1)), np.cumsum(after, axis=1)], axis=1)
    return np.asarray(1.0 - np.exp(-ONSET_RATE * _STEP * summed[:, begun]))


def yet_to_begin(margin: Floats, weeks: Floats | float) -> Floats:
    """Probability that a quantity that is still begins to move and crosses a limit.

    Parameters
    ----------
    margin : ndarray of shape (n,)
        From its level to the limit; NaN for no limit. [scatters]
    weeks : ndarray of shape (n,) or float
        Within which; the next week of `GRID` counts. [weeks]

    Returns
    -------
    ndarray of shape (n,)
        0 without a limit. [1]

    Notes
    -----
    Onsets come at `ONSET_RATE`; what follows is what `models.tracking.charts.change_hypotheses` supposes of movements before any
    data: steps, and straight growth that ends at a rate.
    """
    known = np.isfinite(margin)
    at = np.minimum(np.searchsorted(GRID, np.broadcast_to(weeks, margin.shape)), GRID.size - 1)
    near = np.clip(np.where(known, margin, 0.0), 0.0, _MARGINS[-1])
    place = np.clip(np.searchsorted(_MARGINS, near, side="right") - 1, 0, _MARGINS.size - 2)
    part = (near - _MARGINS[place]) / (_MARGINS[place + 1] - _MARGINS[place])
    table = _table()
    found = (1.0 - part) * table[place, at] + part * table[place + 1, at]
    return np.where(known, found, 0.0)


def with_what_may_begin(
    forecast: Forecast, still: Flags, *, below: Floats, above: Floats, next_visit_weeks: Floats
) -> Forecast:
    """A forecast whose probabilities allow for movements that have not begun; its quantiles are of what has.

    Parameters
    ----------
    forecast : Forecast
        Of n visits.
    still : ndarray of shape (n,), bool
        Where no alarm stands.
    below, above : ndarray of shape (n,)
        From the level to the low and to the high limit; NaN for none. [scatters]
    next_visit_weeks : ndarray of shape (n,)
        Until the next expected visit. [weeks]

    Returns
    -------
    Forecast
    """
    rows = np.flatnonzero(still)
    within = {}
    until: dict[str, Floats | float] = {"within_next": next_visit_weeks[rows], **_HORIZONS}
    for name, weeks in until.items():
        begun = getattr(forecast, name).copy()
        stays = (1.0 - yet_to_begin(below[rows], weeks)) * (1.0 - yet_to_begin(above[rows], weeks))
        begun[rows] = 1.0 - (1.0 - begun[rows]) * stays
        within[name] = begun
    return replace(forecast, **within)
