"""Movement of a quantity that left its baseline: its onset, its speed, whether it has ended, and when it reaches a
limit.
"""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.tracking.charts.forecast import GRID, Forecast, forecast_of
from models.tracking.charts.recursion import LEVEL_STEP, SLOPE_STEP

MOST_VISITS = 26
"""Latest visits in which a movement is looked for."""
SLOPE_PRIOR = 3.0
"""Standard deviation of a movement's mean slope before any data. Common practice, no source (2026-11-25). [scatters per
week]"""
POWERS = np.array([1.0, 0.6, 1.5, 2.0, 3.0])
"""Powers of the time since onset with which a continuing movement may grow. Common practice, no source (2026-11-26).
[1]"""
POWER_SHARES = np.array([0.4, 0.15, 0.15, 0.15, 0.15])
"""Their prior shares. Common practice, no source (2026-11-26). [1]"""
STEP_SIZE = 10.0
"""Standard deviation of a step before any data. Common practice, no source (2026-11-25). [scatters]"""
STEP_SHARE = 0.3
"""Prior share of steps among movements. Common practice, no source (2026-11-25). [1]"""
ENDS_PER_WEEK = 0.02
"""Probability that a movement ended within a week, of those that are seen. Common practice, no source (2026-11-25).
[1/week]"""
COMES_TO_REST = 0.05
"""Probability that a movement that goes on ends within a week to come: parts can get only so bad. Common practice, no source
(2026-11-29). [1/week]"""
NOISE_DEGREES = 6.0
"""Degrees of freedom of the prior on the scatter, centred on the stated one. Common practice, no source
(2026-11-25)."""
UNEVENNESS = 0.08
"""Standard deviation of a movement about its fitted curve, as a share of its size: the readings of a faulty van depend
more on the day's load and air than those of a healthy one. Common practice, no source (2026-11-26). [1]"""
GROSS_SHARE = 0.02
"""Probability that a visit is a gross error: another recorder, a foot, a day's weather. Common practice, no source
(2026-11-29). [1]"""
GROSS_SPREAD = 5.0
"""Standard deviation of a gross error. Common practice, no source (2026-11-29). [standard deviations]"""
SIGN_VISITS = 12
"""Latest visits in which a first sign of a movement is looked for."""
ONSET_QUANTILES = np.array([0.1, 0.5, 0.9])
"""Ends and median of the onset's 80 % interval. [1]"""
_NEGLIGIBLE = 6.0  # hypotheses with a log evidence this far below the best are left out
_NEGLIGIBLE_SIGN = 10.0  # the same for a first sign: many that are unlikely each are not unlikely together


@dataclass(frozen=True)
class Movements:
    """One row per movement looked at.

    Attributes
    ----------
    onset, onset_low, onset_high : ndarray of shape (n,)
        Median of the time it began and its 80 % interval. [weeks]
    moving : ndarray of shape (n,)
        Probability that it goes on. [1]
    beyond : ndarray of shape (n,)
        Probability that the level is beyond a limit at the last visit. [1]
    forecast : Forecast
        Weeks to a limit. Its quantiles assume that the movement goes on where that is likelier than not; its
        probabilities allow for an end.
    """

    onset: Floats
    onset_low: Floats
    onset_high: Floats
    moving: Floats
    beyond: Floats
    forecast: Forecast


class _Visits(NamedTuple):
    """Visits of one movement, oldest first: time, value, inverse variance. [weeks], [scatters], [1/scatters²]"""

    t: Floats
    y: Floats
    w: Floats


class _Hypotheses(NamedTuple):
    """Hypotheses of a movement: log evidence, onset, end (infinite: it goes on), power, and level and slope with their
    covariance.

    In weeks, scatters and scatters per week; the slope of a step is its size.
    """

    evidence: Floats
    begin: Floats
    end: Floats
    power: Floats
    level: Floats
    slope: Floats
    var_level: Floats
    covar: Floats
    var_slope: Floats


def movements(
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
) -> Movements:
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

    Returns
    -------
    Movements

    Notes
    -----
    A van has a level of its own, and moves away from it from an onset on. A movement that goes on grows with a power of
    the time since then: a widening leak speeds up, a filter clogs late, the ageing of a sensor slows down. One that has
    ended was a straight line, and a step lies between two visits. Every onset and end, at a visit or midway between
    two, is a hypothesis with a conjugate normal posterior of level and slope and an inverse-gamma posterior of the
    scatter. The hypotheses are weighted by their marginal likelihood and mixed.

    References
    ----------
    Bayesian linear regression and its evidence: C. M. Bishop, Pattern Recognition and Machine Learning (2006), 3.3 to
    3.5.
    """
    n = first.size
    chance, lasting = np.full((n, GRID.size), np.nan), np.full((n, GRID.size), np.nan)
    onset, moving = np.full((n, ONSET_QUANTILES.size), np.nan), np.full(n, np.nan)
    visits = _Visits(*(np.empty(MOST_VISITS) for _ in _Visits._fields))
    most = 2 * MOST_VISITS * (MOST_VISITS + 2 + POWERS.size)
    found = _Hypotheses(*(np.empty(most) for _ in _Hypotheses._fields))
    _movements(
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
        lasting,
        onset,
        moving,
        np.ones(n) if onset_rate is None else onset_rate,
        MOST_VISITS if onset_rate is None else SIGN_VISITS,
    )
    whole = forecast_of(chance, next_visit_weeks)
    on = forecast_of(np.where(moving[:, None] >= 0.5, lasting, chance), next_visit_weeks)
    forecast = replace(whole, low=on.low, median=on.median, high=on.high)
    return Movements(onset[:, 1], onset[:, 0], onset[:, 2], moving, chance[:, 0], forecast)


@kernel
def _grown(at: float, begin: float, now: float, power: float) -> float:  # pragma: no cover - compiled
    """Growth of a movement until a time, as a part of its growth until now at unit mean slope; power 0 is a step of
    size one.
    """
    if power == 0.0:
        return 1.0 if at >= begin else 0.0
    since = max(at - begin, 0.0)
    return since if power == 1.0 else (now - begin) * (since / (now - begin)) ** power


@kernel
def _gather(
    x: Floats, variance: Floats, weeks: Floats, first: int, last: int, most: int, held: _Visits
) -> int:  # pragma: no cover - compiled
    """Fill in the latest visits that were read, oldest first; returns how many."""
    n = 0
    for r in range(last, first - 1, -1):  # newest first, then reversed
        if np.isfinite(x[r]) and n < most:
            held.t[n], held.y[n], held.w[n] = weeks[r], x[r], 1.0 / variance[r]
            n += 1
    for column in held:
        column[:n] = column[:n][::-1].copy()
    return n


@kernel
def _weigh(
    at: _Visits,
    n: int,
    begin: float,
    end: float,
    power: float,
    spread: float,
    log_prior: float,
    out: _Hypotheses,
    c: int,
) -> None:  # pragma: no cover - compiled
    """Conjugate posterior of level and slope under one hypothesis, and its evidence."""
    size = STEP_SIZE if power == 0.0 else SLOPE_PRIOR
    now = at.t[n - 1]
    s00, s01, s11 = 1.0 / max(spread, 0.1) ** 2, 0.0, 1.0 / size**2
    r0, r1, square = 0.0, 0.0, 0.0
    for i in range(n):
        u = _grown(min(at.t[i], end), begin, now, power)
        w, y = at.w[i], at.y[i]
        s00 += w
        s01 += w * u
        s11 += w * u * u
        r0 += w * y
        r1 += w * u * y
        square += w * y * y
    determinant = s00 * s11 - s01 * s01
    level, slope = (s11 * r0 - s01 * r1) / determinant, (s00 * r1 - s01 * r0) / determinant
    left = NOISE_DEGREES + max(square - level * r0 - slope * r1, 0.0)
    noise = left / (NOISE_DEGREES + n)
    out.evidence[c] = (
        log_prior - 0.5 * math.log(determinant) - math.log(size) - 0.5 * (NOISE_DEGREES + n) * math.log(left)
    )
    out.begin[c], out.end[c], out.power[c] = begin, end, power
    out.level[c], out.slope[c] = level, slope
    out.var_level[c] = noise * s11 / determinant
    out.covar[c] = -noise * s01 / determinant
    out.var_slope[c] = noise * s00 / determinant


@kernel
def _stay(
    at: _Visits, n: int, spread: float, trust: float, log_prior: float, out: _Hypotheses, c: int
) -> None:  # pragma: no cover - compiled
    """Posterior of the level where nothing moves, and its evidence; the last visit counts for a share of its weight."""
    now = at.t[n - 1]
    s00, r0, square = 1.0 / max(spread, 0.1) ** 2, 0.0, 0.0
    for i in range(n):
        w = at.w[i] * (trust if i == n - 1 else 1.0)
        s00 += w
        r0 += w * at.y[i]
        square += w * at.y[i] ** 2
    level = r0 / s00
    left = NOISE_DEGREES + max(square - level * r0, 0.0)
    out.evidence[c] = (
        log_prior + 0.5 * math.log(trust) - 0.5 * math.log(s00) - 0.5 * (NOISE_DEGREES + n) * math.log(left)
    )
    out.begin[c], out.end[c], out.power[c] = now, now, 0.0
    out.level[c], out.slope[c] = level, 0.0
    out.var_level[c], out.covar[c], out.var_slope[c] = left / (NOISE_DEGREES + n) / s00, 0.0, 0.0


@kernel
def _propose(
    at: _Visits, n: int, spread: float, moments: Floats, out: _Hypotheses
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Evaluate every onset, at a visit or midway between two, with every end; return the counts of onsets and
    hypotheses.
    """
    now = at.t[n - 1]
    places = 0
    for k in range(n - 1):
        moments[places], moments[places + 1] = at.t[k], 0.5 * (at.t[k] + at.t[k + 1])
        places += 2
    count = 0
    for k in range(places):
        begin = moments[k]
        share = math.log(max(moments[k + 1] - begin if k + 1 < places else now - begin, 1e-3))
        if k % 2 == 1:  # a step lies between two visits
            _weigh(at, n, begin, begin, 0.0, spread, share + math.log(2.0 * STEP_SHARE), out, count)
            count += 1
        for e in range(n - 1):
            if at.t[e] > begin:
                ended = math.log((1.0 - STEP_SHARE) * ENDS_PER_WEEK * max(at.t[e + 1] - at.t[e], 1e-3))
                prior = ended - ENDS_PER_WEEK * (at.t[e] - begin)
                _weigh(at, n, begin, at.t[e], POWERS[0], spread, share + prior, out, count)
                count += 1
        if now > begin:
            for k_power in range(POWERS.size):
                prior = math.log((1.0 - STEP_SHARE) * POWER_SHARES[k_power]) - ENDS_PER_WEEK * (now - begin)
                _weigh(at, n, begin, np.inf, POWERS[k_power], spread, share + prior, out, count)
                count += 1
    return places, count


@kernel
def _crossing(
    of: _Hypotheses,
    c: int,
    now: float,
    low: float,
    high: float,
    limit_variance: float,
    weight: float,
    grid: Floats,
    chance: Floats,
    lasting: Floats,
) -> None:  # pragma: no cover - compiled
    """Add one hypothesis' probability of having crossed by each week ahead, with and without an end before that."""
    continues = of.end[c] == np.inf
    reached, before = 0.0, 0.0
    for g in range(grid.size):
        h = grid[g]
        u = _grown(min(now + h, of.end[c]), of.begin[c], now, of.power[c])
        moved = u * of.slope[c]
        mean = of.level[c] + moved
        spread2 = of.var_level[c] + 2.0 * u * of.covar[c] + u * u * of.var_slope[c] + (UNEVENNESS * moved) ** 2
        spread2 += limit_variance + LEVEL_STEP**2 * h
        if continues:
            spread2 += SLOPE_STEP**2 * h**3 / 3.0
        root = math.sqrt(2.0 * max(spread2, 1e-12))
        outside = 0.0
        if np.isfinite(low):
            outside = max(outside, 0.5 * math.erfc((mean - low) / root))
        if np.isfinite(high):
            outside = max(outside, 0.5 * math.erfc((high - mean) / root))
        if outside > before:  # a movement may end before it arrives
            reached += (outside - before) * (math.exp(-COMES_TO_REST * h) if continues else 1.0)
            before = outside
        chance[g] += weight * reached
        lasting[g] += weight * before if continues else 0.0


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
def _movements(
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
    visits: _Visits,
    found: _Hypotheses,
    chance: Floats,
    lasting: Floats,
    onset: Floats,
    moving: Floats,
    onset_rate: Floats,
    most: int,
) -> None:  # pragma: no cover - compiled
    moments, by_onset = np.empty(2 * MOST_VISITS), np.empty(2 * MOST_VISITS)
    for m in range(first.size):
        n = _gather(x, variance, weeks, first[m], last[m], most, visits)
        if n < 2:
            continue
        now, limited = visits.t[n - 1], np.isfinite(low[m]) or np.isfinite(high[m])
        places, count = _propose(visits, n, spread[m], moments, found)
        moves, negligible = count, _NEGLIGIBLE
        if most < MOST_VISITS:  # nothing moves, or nothing moves and the last visit is a gross error
            found.evidence[:count] += math.log(onset_rate[m])
            _stay(visits, n, spread[m], 1.0, math.log(1.0 - GROSS_SHARE), found, count)
            _stay(visits, n, spread[m], GROSS_SPREAD**-2, math.log(GROSS_SHARE), found, count + 1)
            count, negligible = count + 2, _NEGLIGIBLE_SIGN
        best = np.max(found.evidence[:count])
        total, going, begun = 0.0, 0.0, 0.0
        by_onset[:places] = 0.0
        chance[m], lasting[m] = 0.0, 0.0
        for c in range(count):
            if found.evidence[c] < best - negligible:
                continue
            weight = math.exp(found.evidence[c] - best)
            total += weight
            if c < moves:
                by_onset[np.searchsorted(moments[:places], found.begin[c])] += weight
                begun += weight
            going += weight if found.end[c] == np.inf else 0.0
            if limited:
                _crossing(found, c, now, low[m], high[m], limit_variance[m], weight, grid, chance[m], lasting[m])
        chance[m] /= total
        lasting[m] /= max(going, 1e-300)
        moving[m] = going / total
        if not limited:
            chance[m], lasting[m] = np.nan, np.nan
        if begun > 0.0:
            _date(by_onset, begun, moments, places, now, onset[m])
