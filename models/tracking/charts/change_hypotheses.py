"""Hypotheses of how a quantity moved: its onset, growth and end, or that nothing moved, each with its evidence.

A van has a level of its own, and moves away from it from an onset on. A movement that goes on grows with a power of the time
since then: a widening leak speeds up, a filter clogs late, the ageing of a sensor slows down. One that has ended was a
straight line, and a step lies between two visits. Every onset and end, at a visit or midway between two, is a hypothesis with
a conjugate normal posterior of level and slope and an inverse-gamma posterior of the scatter, weighed by its marginal
likelihood.

References
----------
Bayesian linear regression and its evidence: C. M. Bishop, Pattern Recognition and Machine Learning (2006), 3.3 to 3.5.
"""

import math
from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel

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
ENDS_PER_WEEK = 0.03
"""Probability that a movement ends within a week, past or to come: parts can get only so bad. Common practice, no source (2026-11-30);
above it the onsets of movements that speed up are dated late. [1/week]"""
RESTS_PER_WEEK = 0.1
"""The same, to come, of a movement that has raised an alarm: it has gone most of its way. Rather than 0.03, with or without an end that
comes the sooner the younger the movement, by the log score on fleets that served nothing else (seeds 210 and 211 of
`tests.studies.tracking`, 31 of `tests.studies.tracking_other`; 2026-11-30). [1/week]"""
NOISE_DEGREES = 6.0
"""Degrees of freedom of the prior on the scatter, centred on the stated one. Common practice, no source
(2026-11-25)."""
GROSS_SHARE = 0.02
"""Probability that a visit is a gross error: another recorder, a foot, a day's weather. Common practice, no source
(2026-11-29). [1]"""
GROSS_SPREAD = 5.0
"""Standard deviation of a gross error. Common practice, no source (2026-11-29). [standard deviations]"""


class Visits(NamedTuple):
    """Visits of one movement, oldest first: time, value, inverse variance. [weeks], [scatters], [1/scatters²]"""

    t: Floats
    y: Floats
    w: Floats


class Hypotheses(NamedTuple):
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


@kernel
def _raised(share: float, power: float) -> float:  # pragma: no cover - compiled
    """A share between 0 and 1 to a power; a root is faster than a power."""
    if power == 2.0:
        return share * share
    if power == 3.0:
        return share * share * share
    return share * math.sqrt(share) if power == 1.5 else share**power


@kernel
def grown(at: float, begin: float, now: float, power: float) -> float:  # pragma: no cover - compiled
    """Growth of a movement until a time, as a part of its growth until now at unit mean slope; power 0 is a step of
    size one.
    """
    if power == 0.0:
        return 1.0 if at >= begin else 0.0
    since = max(at - begin, 0.0)
    return since if power == 1.0 else (now - begin) * _raised(since / (now - begin), power)


@kernel
def gather(
    x: Floats, variance: Floats, weeks: Floats, first: int, last: int, most: int, held: Visits
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
def _sums(at: Visits, n: int) -> tuple[Floats, Floats, float]:  # pragma: no cover - compiled
    """Weights of the visits from each on, and weighted values, of shape (n + 1,); and the weighted sum of squares."""
    weight, value, square = np.zeros(n + 1), np.zeros(n + 1), 0.0
    for i in range(n - 1, -1, -1):
        weight[i] = weight[i + 1] + at.w[i]
        value[i] = value[i + 1] + at.w[i] * at.y[i]
    for i in range(n):
        square += at.w[i] * at.y[i] * at.y[i]
    return weight, value, square


@kernel
def weigh(
    s00: float,
    r0: float,
    square: float,
    moved: tuple[float, float, float],
    n: int,
    begin: float,
    end: float,
    power: float,
    log_prior: float,
    out: Hypotheses,
    c: int,
) -> None:  # pragma: no cover - compiled
    """Conjugate posterior of level and slope under one hypothesis, and its evidence.

    `s00` is the precision of the level, `r0` and `square` are the weighted sums of values and squares, and `moved` those of the
    growth, of its square, and of its product with the values.
    """
    size = STEP_SIZE if power == 0.0 else SLOPE_PRIOR
    s01, s11, r1 = moved[0], moved[1] + 1.0 / size**2, moved[2]
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
def stay(
    at: Visits, n: int, spread: float, trust: float, log_prior: float, out: Hypotheses, c: int
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
def _going_on(
    at: Visits, n: int, first: int, begin: float, power: float
) -> tuple[float, float, float]:  # pragma: no cover - compiled
    """Sums of the growth of a movement that goes on, as `weigh` takes them; `first` is the first visit after its onset."""
    now = at.t[n - 1]
    s01, s11, r1 = 0.0, 0.0, 0.0
    for i in range(first, n):
        u = grown(at.t[i], begin, now, power)
        s01 += at.w[i] * u
        s11 += at.w[i] * u * u
        r1 += at.w[i] * u * at.y[i]
    return s01, s11, r1


@kernel
def propose(
    at: Visits, n: int, spread: float, moments: Floats, out: Hypotheses
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Evaluate every onset, at a visit or midway between two, with every end; return the counts of onsets and
    hypotheses.

    The sums of a straight line that ends at a visit are those of the one that ends a visit earlier, and one visit more.
    """
    now = at.t[n - 1]
    places = 0
    for k in range(n - 1):
        moments[places], moments[places + 1] = at.t[k], 0.5 * (at.t[k] + at.t[k + 1])
        places += 2
    weight, value, square = _sums(at, n)
    s00, r0 = weight[0] + 1.0 / max(spread, 0.1) ** 2, value[0]
    ended = np.zeros(n)
    for e in range(n - 1):
        ended[e] = math.log((1.0 - STEP_SHARE) * ENDS_PER_WEEK * max(at.t[e + 1] - at.t[e], 1e-3))
    count, first = 0, 0
    for k in range(places):
        begin = moments[k]
        share = math.log(max(moments[k + 1] - begin if k + 1 < places else now - begin, 1e-3))
        if k % 2 == 1:  # a step lies between two visits
            i = np.searchsorted(at.t[:n], begin)
            sums = (weight[i], weight[i], value[i])
            prior = share + math.log(2.0 * STEP_SHARE)
            weigh(s00, r0, square, sums, n, begin, begin, 0.0, prior, out, count)
            count += 1
        while first < n and at.t[first] <= begin:
            first += 1
        s01, s11, r1 = 0.0, 0.0, 0.0
        for e in range(first, n):
            u = at.t[e] - begin
            s01 += at.w[e] * u
            s11 += at.w[e] * u * u
            r1 += at.w[e] * u * at.y[e]
            if e < n - 1:
                prior = share + ended[e] - ENDS_PER_WEEK * u
                sums = (s01 + u * weight[e + 1], s11 + u * u * weight[e + 1], r1 + u * value[e + 1])
                weigh(s00, r0, square, sums, n, begin, at.t[e], POWERS[0], prior, out, count)
                count += 1
        if now > begin:
            for k_power in range(POWERS.size):
                power = POWERS[k_power]
                prior = math.log((1.0 - STEP_SHARE) * POWER_SHARES[k_power]) - ENDS_PER_WEEK * (now - begin)
                sums = (s01, s11, r1) if power == 1.0 else _going_on(at, n, first, begin, power)
                weigh(s00, r0, square, sums, n, begin, np.inf, power, share + prior, out, count)
                count += 1
    return places, count
