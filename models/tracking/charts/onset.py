"""How a quantity that left its baseline moves: since when, how fast, whether it has stopped, and when it will reach a limit."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel
from models.tracking.charts.forecast import GRID, Forecast, forecast_of
from models.tracking.charts.recursion import LEVEL_STEP, SLOPE_STEP

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

MOST_VISITS = 26
"""Visits a movement is looked for in, the latest."""
SLOPE_PRIOR = 3.0
"""Standard deviation of a movement's mean slope before any data. Common practice, no source (2026-11-25). [scatters per week]"""
POWERS = np.array([1.0, 0.6, 1.5, 2.0, 3.0])
"""A movement that goes on grows with such a power of the time since its onset. Common practice, no source (2026-11-26). [1]"""
POWER_SHARES = np.array([0.4, 0.15, 0.15, 0.15, 0.15])
"""Their prior shares. Common practice, no source (2026-11-26). [1]"""
STEP_SIZE = 10.0
"""Standard deviation of a step before any data. Common practice, no source (2026-11-25). [scatters]"""
STEP_SHARE = 0.3
"""Prior share of movements that are a step. Common practice, no source (2026-11-25). [1]"""
ENDS_PER_WEEK = 0.02
"""Chance that a movement ends in a week. Common practice, no source (2026-11-25). [1/week]"""
NOISE_DEGREES = 6.0
"""Degrees of freedom of the prior that visits scatter as stated. Common practice, no source (2026-11-25)."""
UNEVENNESS = 0.08
"""A movement is off the curve that is fitted to it by this share of its size, standard deviation: how far a faulty van reads out
depends on the day's load and air more than a healthy one's. Common practice, no source (2026-11-26). [1]"""
_WORTH = 6.0  # a hypothesis less likely than the best by more than e to this is left out


@dataclass(frozen=True)
class Movements:
    """One row per movement looked at.

    Attributes
    ----------
    onset, onset_low, onset_high : ndarray of shape (n,)
        Median of the week it began and its 80 % interval, the fraction of the week included.
    moving : ndarray of shape (n,)
        Probability that it goes on. [1]
    beyond : ndarray of shape (n,)
        Probability that the level is beyond a limit at the last visit. [1]
    forecast : Forecast
        Weeks to a limit, given that the movement goes on where that is likelier than not; the probabilities of crossing allow for
        its end.
    """

    onset: Array
    onset_low: Array
    onset_high: Array
    moving: Array
    beyond: Array
    forecast: Forecast


def movements(
    x: Array, variance: Array, weeks: Array, first: Codes, last: Codes, *, spread: Array, low: Array, high: Array,
    limit_variance: Array, next_visit_weeks: Array,
) -> Movements:  # fmt: skip
    """Judge movements, each of one quantity of one van.

    Parameters
    ----------
    x, variance : ndarray of shape (visits,)
        One quantity at all visits, sorted by van and time, and its in-control variance; NaN is unread. [scatters]
    weeks : ndarray of shape (visits,)
        Time of the visits. [weeks]
    first, last : ndarray of shape (n,), int
        Visits of each movement: from a van's first, or the first after a repair, to the one judged as of.
    spread : ndarray of shape (n,)
        Standard deviation of healthy vans around their family. [scatters]
    low, high : ndarray of shape (n,)
        Limits; NaN for none. [scatters]
    limit_variance : ndarray of shape (n,)
        Of the limits. [scatters²]
    next_visit_weeks : ndarray of shape (n,)
        Until the next expected visit. [weeks]

    Returns
    -------
    Movements

    Notes
    -----
    A van stands at a level of its own and from some moment moves: as a power of the time since then if it goes on (a leak that
    widens speeds up, a filter's choke comes late, a sensor's ageing slows down), in a straight line if it has stopped since; a
    step begins and ends between two visits. Every onset and end at or midway between visits is a hypothesis with a conjugate
    normal posterior of level and slope and an inverse-gamma one of the scatter; they are weighed by their marginal likelihood and
    mixed.

    References
    ----------
    Bayesian linear regression and its evidence: C. M. Bishop, Pattern Recognition and Machine Learning (2006), 3.3 to 3.5.
    """
    n = first.size
    chance, lasting = np.full((n, GRID.size), np.nan), np.full((n, GRID.size), np.nan)
    onset, moving = np.full((n, 3), np.nan), np.full(n, np.nan)
    _movements(
        np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(variance), weeks.astype(np.float64), first, last,
        spread, low, high, limit_variance, GRID, chance, lasting, onset, moving,
    )  # fmt: skip
    whole = forecast_of(chance, next_visit_weeks)
    on = forecast_of(np.where(moving[:, None] >= 0.5, lasting, chance), next_visit_weeks)
    forecast = replace(whole, low=on.low, median=on.median, high=on.high)
    return Movements(onset[:, 1], onset[:, 0], onset[:, 2], moving, chance[:, 0], forecast)


@kernel
def _grown(at: float, begin: float, now: float, power: float) -> float:  # pragma: no cover - compiled
    """What a movement of unit slope on average until now has grown by at a time; power 0 is a step of size one."""
    if power == 0.0:
        return 1.0 if at >= begin else 0.0
    since = max(at - begin, 0.0)
    return since if power == 1.0 else (now - begin) * (since / (now - begin)) ** power


@kernel
def _movements(
    x: Array,
    variance: Array,
    weeks: Array,
    first: Codes,
    last: Codes,
    spread: Array,
    low: Array,
    high: Array,
    limit_variance: Array,
    grid: Array,
    chance: Array,
    lasting: Array,
    onset: Array,
    moving: Array,
) -> None:  # pragma: no cover - compiled
    t, y, w = np.empty(MOST_VISITS), np.empty(MOST_VISITS), np.empty(MOST_VISITS)
    moments = np.empty(2 * MOST_VISITS)
    most = 2 * MOST_VISITS * (MOST_VISITS + 2 + POWERS.size)
    evidence, begins, ends, powers = np.empty(most), np.empty(most), np.empty(most), np.empty(most)
    fit = np.empty((most, 5))
    by_onset = np.empty(2 * MOST_VISITS)
    for m in range(first.size):
        n = 0
        for r in range(last[m], first[m] - 1, -1):  # newest first, then turned round
            if np.isfinite(x[r]) and n < MOST_VISITS:
                t[n], y[n], w[n] = weeks[r], x[r], 1.0 / variance[r]
                n += 1
        if n < 2:
            continue
        t[:n], y[:n], w[:n] = t[:n][::-1].copy(), y[:n][::-1].copy(), w[:n][::-1].copy()
        now = t[n - 1]
        places = 0
        for k in range(n - 1):
            moments[places], moments[places + 1] = t[k], 0.5 * (t[k] + t[k + 1])
            places += 2
        count = 0
        best = -np.inf
        for k in range(places):
            begin = moments[k]
            share = math.log(max(moments[k + 1] - begin if k + 1 < places else now - begin, 1e-3))
            for hypothesis in range(-1, n - 1 + POWERS.size):  # -1 is a step, from n - 1 it goes on, others have ended
                e = min(hypothesis, n - 1)
                step = e == -1
                if step and k % 2 == 0:
                    continue
                if not step and t[e] <= begin:
                    continue
                end = begin if step else (np.inf if e == n - 1 else t[e])
                power = 0.0 if step else POWERS[max(hypothesis - n + 1, 0)]
                size = STEP_SIZE if step else SLOPE_PRIOR
                s00, s01, s11 = 1.0 / max(spread[m], 0.1) ** 2, 0.0, 1.0 / size**2
                r0, r1, square = 0.0, 0.0, 0.0
                for i in range(n):
                    u = _grown(min(t[i], end), begin, now, power)
                    s00 += w[i]
                    s01 += w[i] * u
                    s11 += w[i] * u * u
                    r0 += w[i] * y[i]
                    r1 += w[i] * u * y[i]
                    square += w[i] * y[i] * y[i]
                determinant = s00 * s11 - s01 * s01
                level, slope = (s11 * r0 - s01 * r1) / determinant, (s00 * r1 - s01 * r0) / determinant
                left = NOISE_DEGREES + max(square - level * r0 - slope * r1, 0.0)
                length = (now if e == n - 1 else end) - begin
                if step:
                    prior = math.log(2.0 * STEP_SHARE)
                elif e == n - 1:
                    prior = math.log((1.0 - STEP_SHARE) * POWER_SHARES[hypothesis - n + 1]) - ENDS_PER_WEEK * length
                else:
                    prior = (
                        math.log((1.0 - STEP_SHARE) * ENDS_PER_WEEK * max(t[e + 1] - t[e], 1e-3))
                        - ENDS_PER_WEEK * length
                    )
                evidence[count] = (
                    share
                    + prior
                    - 0.5 * math.log(determinant)
                    - math.log(size)
                    - 0.5 * (NOISE_DEGREES + n) * math.log(left)
                )
                best = max(best, evidence[count])
                noise = left / (NOISE_DEGREES + n)
                begins[count], ends[count], powers[count] = begin, end, power
                fit[count, 0], fit[count, 1] = level, slope
                fit[count, 2], fit[count, 3], fit[count, 4] = (
                    noise * s11 / determinant,
                    -noise * s01 / determinant,
                    noise * s00 / determinant,
                )
                count += 1
        total, going = 0.0, 0.0
        by_onset[:places] = 0.0
        chance[m], lasting[m] = 0.0, 0.0
        for c in range(count):
            if evidence[c] < best - _WORTH:
                continue
            weight = math.exp(evidence[c] - best)
            total += weight
            by_onset[np.searchsorted(moments[:places], begins[c])] += weight
            continues = ends[c] == np.inf
            going += weight if continues else 0.0
            reached, before = 0.0, 0.0
            for g in range(grid.size):
                h = grid[g]
                u = _grown(min(now + h, ends[c]), begins[c], now, powers[c])
                moved = u * fit[c, 1]
                mean = fit[c, 0] + moved
                spread2 = fit[c, 2] + 2.0 * u * fit[c, 3] + u * u * fit[c, 4] + (UNEVENNESS * moved) ** 2
                spread2 += limit_variance[m] + LEVEL_STEP**2 * h
                if continues:
                    spread2 += SLOPE_STEP**2 * h**3 / 3.0
                root = math.sqrt(2.0 * max(spread2, 1e-12))
                outside = 0.0
                if np.isfinite(low[m]):
                    outside = max(outside, 0.5 * math.erfc((mean - low[m]) / root))
                if np.isfinite(high[m]):
                    outside = max(outside, 0.5 * math.erfc((high[m] - mean) / root))
                if outside > before:  # a movement may end before it arrives
                    reached += (outside - before) * (math.exp(-ENDS_PER_WEEK * h) if continues else 1.0)
                    before = outside
                chance[m, g] += weight * reached
                lasting[m, g] += weight * before if continues else 0.0
        chance[m] /= total
        lasting[m] /= max(going, 1e-300)
        moving[m] = going / total
        if not (np.isfinite(low[m]) or np.isfinite(high[m])):
            chance[m], lasting[m] = np.nan, np.nan
        cumulative, at = 0.0, 0
        for k in range(places):  # a moment stands for the time halfway to the next ones
            begin = 0.5 * (moments[k - 1] + moments[k]) if k > 0 else moments[0]
            end = 0.5 * (moments[k] + moments[k + 1]) if k + 1 < places else now
            share = by_onset[k] / total
            while at < 3 and cumulative + share >= (0.1, 0.5, 0.9)[at] - 1e-12:
                inside = ((0.1, 0.5, 0.9)[at] - cumulative) / share if share > 0.0 else 1.0
                onset[m, at] = begin + min(inside, 1.0) * (end - begin)
                at += 1
            cumulative += share
