"""Change of a quantity that left its baseline: its onset, its speed, whether it has ended, and when it reaches a
limit.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.tracking.charts.change_hypotheses import (
    ENDS_PER_WEEK,
    GROSS_SHARE,
    GROSS_SPREAD,
    MOST_VISITS,
    POWERS,
    RESTS_PER_WEEK,
    Hypotheses,
    Visits,
    gather,
    grown,
    propose,
    stay,
)
from models.tracking.charts.forecast import GRID, Forecast, forecast_of
from models.tracking.charts.recursion import LEVEL_STEP, SLOPE_STEP

UNEVENNESS = 0.08
"""Standard deviation of a movement about its fitted curve, as a share of its size: the readings of a faulty van depend
more on the day's load and air than those of a healthy one. Common practice, no source (2026-11-26). [1]"""
SIGN_VISITS = 12
"""Latest visits in which a first sign of a movement is looked for."""
ONSET_QUANTILES = np.array([0.1, 0.5, 0.9])
"""Ends and median of the onset's 80 % interval. [1]"""
_NEGLIGIBLE = 6.0  # hypotheses with a log evidence this far below the best are left out
_NOT_ENDED, _NOT_RESTED = np.exp(-ENDS_PER_WEEK * GRID), np.exp(-RESTS_PER_WEEK * GRID)
_CERTAIN = 6.0  # so many √2 standard deviations off a limit, a level is beyond or within it but for 1e-17
_NEGLIGIBLE_SIGN = 10.0  # the same for a first sign: many that are unlikely each are not unlikely together


@dataclass(frozen=True)
class Changes:
    """One row per movement looked at.

    Attributes
    ----------
    onset, onset_low, onset_high : ndarray of shape (n,)
        Median of the time it began and its 80 % interval. [weeks]
    moving, stepped : ndarray of shape (n,)
        Probability that it goes on, and that it was a step between two visits. [1]
    level, level_u : ndarray of shape (n,)
        Its level at the last visit, and the standard uncertainty: of one mind with onset, slope and limit. [scatters]
    slope, slope_u : ndarray of shape (n,)
        Its slope at the last visit, 0 where it has ended, and the standard uncertainty: what any level wanders in a week
        counts with it. [scatters per week]
    beyond : ndarray of shape (n,)
        Probability that the level is beyond a limit at the last visit. [1]
    forecast : Forecast
        Weeks to a limit, and never: quantiles and probabilities are of the same odds, which allow for a movement that comes to rest.
    """

    onset: Floats
    onset_low: Floats
    onset_high: Floats
    moving: Floats
    stepped: Floats
    level: Floats
    level_u: Floats
    slope: Floats
    slope_u: Floats
    beyond: Floats
    forecast: Forecast


class Present(NamedTuple):
    """How movements stand at the last visit; fields as in `Changes`."""

    moving: Floats
    stepped: Floats
    level: Floats
    level_u: Floats
    slope: Floats
    slope_u: Floats


def changes(
    x: Floats,
    variance: Floats,
    weeks: Floats,
    first: Codes,
    last: Codes,
    *,
    spread: Floats,
    low: Floats,
    high: Floats,
    limit_variance: Floats,
    next_visit_weeks: Floats,
    onset_rate: Floats | None = None,
    gross_share: float = GROSS_SHARE,
) -> Changes:
    """Judge movements, each of one quantity of one van.

    Parameters
    ----------
    x, variance : ndarray of shape (visits,)
        One quantity at all visits, sorted by van and time, and its in-control variance; NaN is unread. [scatters]
    weeks : ndarray of shape (visits,)
        Time of the visits. [weeks]
    first, last : ndarray of shape (n,), int
        First visit to look at (a van's first, or the first after a repair), and the visit as of which to judge.
    spread : ndarray of shape (n,)
        Standard deviation of healthy vans around their family. [scatters]
    low, high : ndarray of shape (n,)
        Limits; NaN for none. [scatters]
    limit_variance : ndarray of shape (n,)
        Of the limits. [scatters²]
    next_visit_weeks : ndarray of shape (n,)
        Until the next expected visit. [weeks]
    onset_rate : ndarray of shape (n,), optional
        Probability that it begins to move within a week: that nothing moves, and that the last visit is a gross error, are
        then hypotheses beside the others, and the latest `SIGN_VISITS` visits are looked at. Without it an alarm says that
        the quantity moved. [1/week]
    gross_share : float
        Probability that the last visit is a gross error. [1]

    Returns
    -------
    Changes

    Notes
    -----
    The hypotheses of `models.tracking.charts.change_hypotheses` are weighted by their marginal likelihood and mixed.
    """
    n = first.size
    chance = np.full((n, GRID.size), np.nan)
    onset, present = np.full((n, ONSET_QUANTILES.size), np.nan), Present(*(np.full(n, np.nan) for _ in Present._fields))
    visits = Visits(*(np.empty(MOST_VISITS) for _ in Visits._fields))
    most = 2 * MOST_VISITS * (MOST_VISITS + 2 + POWERS.size)
    found = Hypotheses(*(np.empty(most) for _ in Hypotheses._fields))
    _changes(
        np.ascontiguousarray(x, dtype=np.float64),
        np.ascontiguousarray(variance),
        weeks.astype(np.float64),
        first,
        last,
        spread,
        low,
        high,
        limit_variance,
        GRID,
        visits,
        found,
        chance,
        onset,
        present,
        np.full(n, np.nan) if onset_rate is None else onset_rate,
        gross_share,
    )
    forecast = forecast_of(chance, next_visit_weeks)
    return Changes(onset[:, 1], onset[:, 0], onset[:, 2], *present, chance[:, 0], forecast)


@kernel
def _outside(mean: float, root: float, low: float, high: float) -> float:  # pragma: no cover - compiled
    """Probability of being beyond the nearer limit; `root` is √2 standard deviations, NaN no limit."""
    nearest = -np.inf
    if np.isfinite(low):
        nearest = max(nearest, low - mean)
    if np.isfinite(high):
        nearest = max(nearest, mean - high)
    if nearest > _CERTAIN * root:
        return 1.0
    return 0.5 * math.erfc(-nearest / root) if nearest > -_CERTAIN * root else 0.0


@kernel
def _crossing(
    of: Hypotheses,
    c: int,
    now: float,
    low: float,
    high: float,
    limit_variance: float,
    weight: float,
    grid: Floats,
    lasts: Floats,
    chance: Floats,
) -> None:  # pragma: no cover - compiled
    """Add one hypothesis' probability of having crossed by each week ahead; `lasts` is that a movement goes on until then."""
    continues = of.end[c] == np.inf
    reached, before = 0.0, 0.0
    level, covar, var_level, var_slope = of.level[c], of.covar[c], of.var_level[c], of.var_slope[c]
    u = grown(min(now, of.end[c]), of.begin[c], now, of.power[c])
    for g in range(grid.size):
        h = grid[g]
        if now < of.end[c] and h > 0.0:
            u = grown(min(now + h, of.end[c]), of.begin[c], now, of.power[c])
        moved = u * of.slope[c]
        spread2 = var_level + 2.0 * u * covar + u * u * var_slope + (UNEVENNESS * moved) ** 2
        spread2 += limit_variance + LEVEL_STEP**2 * h
        if continues:
            spread2 += SLOPE_STEP**2 * h * h * h / 3.0
        outside = _outside(level + moved, math.sqrt(2.0 * max(spread2, 1e-12)), low, high)
        if outside > before:  # a movement may end before it arrives
            reached += (outside - before) * (lasts[g] if continues else 1.0)
            before = outside
        if before == 1.0 or (outside >= 0.5 and not continues):  # from here on nothing can be added
            chance[g:] += weight * reached
            return
        chance[g] += weight * reached


@kernel
def _date(
    by_onset: Floats, total: float, moments: Floats, places: int, now: float, onset: Floats
) -> None:  # pragma: no cover - compiled
    """Quantiles of the onset; each onset tried stands for the time halfway to its neighbours."""
    cumulative, at = 0.0, 0
    for k in range(places):
        begin = 0.5 * (moments[k - 1] + moments[k]) if k > 0 else moments[0]
        end = 0.5 * (moments[k] + moments[k + 1]) if k + 1 < places else now
        share = by_onset[k] / total
        while at < ONSET_QUANTILES.size and cumulative + share >= ONSET_QUANTILES[at] - 1e-12:
            inside = (ONSET_QUANTILES[at] - cumulative) / share if share > 0.0 else 1.0
            onset[at] = begin + min(inside, 1.0) * (end - begin)
            at += 1
        cumulative += share


@kernel
def _changes(
    x: Floats,
    variance: Floats,
    weeks: Floats,
    first: Codes,
    last: Codes,
    spread: Floats,
    low: Floats,
    high: Floats,
    limit_variance: Floats,
    grid: Floats,
    visits: Visits,
    found: Hypotheses,
    chance: Floats,
    onset: Floats,
    present: Present,
    onset_rate: Floats,
    gross_share: float,
) -> None:  # pragma: no cover - compiled
    moments, by_onset = np.empty(2 * MOST_VISITS), np.empty(2 * MOST_VISITS)
    for m in range(first.size):
        certain = np.isnan(onset_rate[m])
        most, negligible = (MOST_VISITS, _NEGLIGIBLE) if certain else (SIGN_VISITS, _NEGLIGIBLE_SIGN)
        lasts = _NOT_RESTED if certain else _NOT_ENDED
        n = gather(x, variance, weeks, first[m], last[m], most, visits)
        if n < 2:
            continue
        now, limited = visits.t[n - 1], np.isfinite(low[m]) or np.isfinite(high[m])
        places, count = propose(visits, n, spread[m], moments, found)
        moves = count
        if not certain:  # nothing moves, or nothing moves and the last visit is a gross error
            found.evidence[:count] += math.log(onset_rate[m])
            stay(visits, n, spread[m], 1.0, math.log(1.0 - gross_share), found, count)
            stay(visits, n, spread[m], GROSS_SPREAD**-2, math.log(gross_share), found, count + 1)
            count += 2
        best = np.max(found.evidence[:count])
        total, going, begun, jumped, rate, rate2, middle, middle2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        by_onset[:places] = 0.0
        chance[m] = 0.0
        for c in range(count):
            if found.evidence[c] < best - negligible:
                continue
            weight = math.exp(found.evidence[c] - best)
            total += weight
            u = grown(min(now, found.end[c]), found.begin[c], now, found.power[c])
            level = found.level[c] + u * found.slope[c]
            middle += weight * level
            middle2 += weight * (level**2 + found.var_level[c] + 2.0 * u * found.covar[c] + u * u * found.var_slope[c])
            if c < moves:
                by_onset[np.searchsorted(moments[:places], found.begin[c])] += weight
                begun += weight
                jumped += weight if found.power[c] == 0.0 else 0.0
            if found.end[c] == np.inf:
                going += weight
                rate += weight * found.power[c] * found.slope[c]
                rate2 += weight * found.power[c] ** 2 * (found.slope[c] ** 2 + found.var_slope[c])
            if limited:
                _crossing(found, c, now, low[m], high[m], limit_variance[m], weight, grid, lasts, chance[m])
        chance[m] /= total
        present.moving[m], present.stepped[m] = going / total, jumped / total
        present.level[m] = middle / total
        present.level_u[m] = math.sqrt(max(middle2 / total - present.level[m] ** 2, 0.0))
        present.slope[m] = rate / total
        present.slope_u[m] = math.sqrt(max(rate2 / total - present.slope[m] ** 2, 0.0) + LEVEL_STEP**2)
        if not limited:
            chance[m] = np.nan
        if begun > 0.0:
            _date(by_onset, begun, moments, places, now, onset[m])
