"""Own baseline, EWMA, and level and slope of every quantity of every van, in one recursion over time; and the CUSUM.

All in scatters: a quantity less its family's level, over the family's visit-to-visit standard deviation.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.tracking.restarts import HELD, NO_RESTART, REPAIRED

SMOOTHING = 0.2
"""Weight of the newest visit in the EWMA. [1]"""
ALLOWANCE = 2.0
"""Allowance of the CUSUM: half the shift it detects fastest; small shifts are left to the EWMA. [standard
deviations]"""
LEARNING_VISITS = 10
"""Visits from which a van's own baseline is learned; then it is fixed. Common practice, no source (2026-11-25)."""
CLIP = 3.5
"""Innovations are clipped here in the average, so that a single outlier raises no alarm. [standard deviations]"""
CUSUM_CLIP = 6.0
"""Innovations are clipped here in the CUSUM, so that two visits far outside in a row raise one. [standard
deviations]"""
BASELINE_STEP = 0.05
"""Random walk of a healthy van's baseline in a week, standard deviation. Common practice, no source (2026-11-25).
[scatters]"""
LEVEL_STEP = 0.1
"""Random walk of a level in a week, standard deviation. Common practice, no source (2026-11-25). [scatters]"""
SLOPE_STEP = 0.06
"""Random walk of a slope in a week, standard deviation. Common practice, no source (2026-11-25). [scatters per week]"""
SLOPE_SPREAD = 0.1
"""Prior standard deviation of a van's slope. Common practice, no source (2026-11-25). [scatters per week]"""

STRAYED = 2.5
"""A level farther from its family's is not taken for a sound van's. Common practice, no source (2026-11-25). [standard
deviations of healthy vans]"""
STEP_APART = 6.0
"""Two stretches of the visits that a baseline is learned from lie apart from here. Common practice, no source
(2026-11-29). [standard deviations of their difference]"""
CHANGE_SPREAD = 1.5
"""Uncertainty that a software update adds to a baseline, standard deviation. Common practice, no source (2026-11-25).
[scatters]"""


class Followed(NamedTuple):
    """State of the recursion at each visit; NaN where the quantity was not read.

    Attributes
    ----------
    z : ndarray of shape (visits, quantities)
        Innovation against the van's own baseline before the visit. [standard deviations]
    ewma, ewma_spread : ndarray
        Moving average of the innovations, and its in-control standard deviation, the baseline's own uncertainty
        included. [standard deviations]
    baseline, baseline_variance : ndarray
        The van's own baseline before the visit, and its variance. [scatters], [scatters²]
    level, slope : ndarray
        Of the local linear trend, after the visit. [scatters], [scatters per week]
    var_level, covar, var_slope : ndarray
        Their covariance. [scatters²], [scatters² per week], [scatters² per week²]
    """

    z: Floats
    ewma: Floats
    ewma_spread: Floats
    baseline: Floats
    baseline_variance: Floats
    level: Floats
    slope: Floats
    var_level: Floats
    covar: Floats
    var_slope: Floats


class LocalTrend(NamedTuple):
    """Level and slope of a quantity and their covariance. [scatters], [scatters per week]"""

    level: float
    slope: float
    var_level: float
    covar: float
    var_slope: float


def follow_vans(
    x: Floats,
    variance: Floats,
    *,
    weeks: Codes,
    starts: Codes,
    restart: NDArray[np.int8],
    vans_spread: Floats,
    sound: Floats | None = None,
    smoothing: float = SMOOTHING,
) -> Followed:
    """Run the recursion over every quantity of every van.

    Parameters
    ----------
    x : ndarray of shape (visits, quantities)
        Visits sorted by van, then time; 0 is the family's level. NaN is unread. [scatters]
    variance : ndarray of shape (visits, quantities)
        In-control variance of each value; about 1. [scatters²]
    weeks : ndarray of shape (visits,), int
        Number of the week.
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.
    restart : ndarray of shape (visits, quantities), int8
        `NO_RESTART` or `HELD`, `CHANGED` (the baseline is doubted from this visit on) or `REPAIRED` (it starts again, from
        the family's level).
    vans_spread : ndarray of shape (vans, quantities)
        Standard deviation of healthy vans around the level of the van's family. [scatters]
    sound : ndarray of shape (vans, quantities), optional
        Level about which healthy vans scatter; the family's where left out.
        [scatters]
    smoothing : float
        Weight of the newest visit in the EWMA, in (0, 1]. [unitless]

    Returns
    -------
    Followed

    Notes
    -----
    The baseline is the empirical-Bayes mean of the first ten visits, each clipped near their median. Where they lie at two
    levels, first one that a healthy van of the family may have, then one that none has, only the first counts: a fault that
    steps in while the baseline is learned is not learned as normal. Innovations are
    nearly independent while it is learned and share its uncertainty afterwards; the limits allow for both. A visit far
    outside does not change the baseline.

    References
    ----------
    Moving average: S. W. Roberts, Technometrics 1(3), 1959, 239-250, DOI 10.1080/00401706.1959.10489860 from memory
    (reference test: NIST/SEMATECH e-Handbook 6.3.2.4).
    """
    out = Followed(*(np.full(x.shape, np.nan) for _ in Followed._fields))
    _follow(
        np.ascontiguousarray(x),
        np.ascontiguousarray(variance),
        weeks.astype(np.int64),
        starts.astype(np.int64),
        np.ascontiguousarray(restart),
        np.ascontiguousarray(vans_spread),
        np.zeros(vans_spread.shape) if sound is None else np.ascontiguousarray(sound),
        smoothing,
        out,
    )
    return out


@kernel
def ewma_step(average: float, z: float, smoothing: float) -> float:
    """The moving average after one more value.

    Parameters
    ----------
    average, z : float
        The average before, and the new value. [standard deviations]
    smoothing : float
        Weight of the new value, in (0, 1]. [1]

    Returns
    -------
    float
        [standard deviations]
    """
    return (1.0 - smoothing) * average + smoothing * z


@kernel
def _trend_step(
    before: LocalTrend, x: float, noise: float, gap: float, outside: float
) -> tuple[LocalTrend, float]:  # pragma: no cover - compiled
    """The trend after one more visit, `gap` weeks later, and the side on which the visit lies outside (0: inside)."""
    level, slope, p11, p12, p22 = before
    level += gap * slope
    p11 += gap * (2.0 * p12 + gap * p22 + LEVEL_STEP**2 + gap * gap * SLOPE_STEP**2 / 3.0)
    p12 += gap * (p22 + gap * SLOPE_STEP**2 / 2.0)
    p22 += gap * SLOPE_STEP**2
    bound = CLIP * np.sqrt(p11 + noise)
    step = x - level
    side = 0.0 if abs(step) <= bound else np.sign(step)
    if side != 0.0 and side == outside:  # twice on the same side is not an outlier: free level and slope
        p11 += step * step
        p22 += (step / max(gap, 1.0)) ** 2
    else:
        step = min(max(step, -bound), bound)
    s = p11 + noise
    gain1, gain2 = p11 / s, p12 / s
    level += gain1 * step
    slope += gain2 * step
    p22 -= gain2 * p12
    p12 -= gain2 * p11
    p11 -= gain1 * p11
    return LocalTrend(level, slope, p11, p12, p22), side


@kernel
def _sound_visits(first: Floats, n: int, sound: float, spread: float) -> int:  # pragma: no cover - compiled
    """How many of the first visits a baseline is learned from: all, but where they step from a level that a healthy van
    of the family may have to one that none has, only those before the step. Two visits are a level."""
    best, at, total, before = STEP_APART, n, np.sum(first[:n]), 0.0
    for k in range(1, n - 1):
        before += first[k - 1]
        early, late = before / k, (total - before) / (n - k)
        apart = abs(early - late) / np.sqrt(1.0 / k + 1.0 / (n - k))
        if k >= 2 and apart > best and abs(early - sound) <= STRAYED * spread < abs(late - sound):
            best, at = apart, k
    return at


@kernel
def _follow(
    x: Floats,
    variance: Floats,
    weeks: Codes,
    starts: Codes,
    restart: NDArray[np.int8],
    vans_spread: Floats,
    sound: Floats,
    smoothing: float,
    out: Followed,
) -> None:  # pragma: no cover - compiled
    first = np.empty(LEARNING_VISITS)
    for v in range(starts.size - 1):
        for q in range(x.shape[1]):
            spread2 = vans_spread[v, q] ** 2
            base, base_p, learned = 0.0, spread2, 0
            prior, prior_p, precision = 0.0, spread2, 0.0
            average, own_w, shared_w, spread = 0.0, 0.0, 0.0, 0.0
            trend = LocalTrend(0.0, 0.0, spread2, 0.0, SLOPE_SPREAD**2)
            week, outside = weeks[starts[v]], 0.0
            for r in range(starts[v], starts[v + 1]):
                if restart[r, q] != NO_RESTART and restart[r, q] != HELD:
                    if restart[r, q] == REPAIRED:
                        base = 0.0  # as of a new van: the old baseline may have learned the fault
                    base_p = spread2 if restart[r, q] == REPAIRED else min(base_p + CHANGE_SPREAD**2, spread2)
                    prior, prior_p, precision, learned = base, base_p, 0.0, 0
                    average, own_w, shared_w, spread = 0.0, 0.0, 0.0, 0.0
                    trend = LocalTrend(base, 0.0, base_p, 0.0, SLOPE_SPREAD**2)
                if not np.isfinite(x[r, q]):
                    continue
                gap = float(weeks[r] - week)
                week = weeks[r]
                base_p = min(base_p + gap * BASELINE_STEP**2, spread2)
                noise = variance[r, q]
                total = noise + base_p
                z = (x[r, q] - base) / np.sqrt(total)
                held = min(max(z, -CLIP), CLIP)
                learns = learned < LEARNING_VISITS and (learned < 5 or abs(average) < 4.5 * spread)
                shared = 0.0 if learns else base_p / total
                average = ewma_step(average, held, smoothing)
                own_w = (1.0 - smoothing) ** 2 * own_w + smoothing**2 * (1.0 - shared)
                shared_w = ewma_step(shared_w, np.sqrt(shared), smoothing)
                spread = np.sqrt(own_w + shared_w**2)
                trend, outside = _trend_step(trend, x[r, q], noise, gap, outside)

                out.z[r, q], out.ewma[r, q], out.ewma_spread[r, q] = z, average, spread
                out.baseline[r, q], out.baseline_variance[r, q] = base, base_p
                out.level[r, q], out.slope[r, q] = trend.level, trend.slope
                out.var_level[r, q], out.covar[r, q], out.var_slope[r, q] = (
                    trend.var_level,
                    trend.covar,
                    trend.var_slope,
                )

                if learns:  # mean of the visits so far, each clipped near their median, shrunk to the prior
                    first[learned] = x[r, q]
                    learned += 1
                    precision += 1.0 / noise
                    used = _sound_visits(first, learned, sound[v, q], vans_spread[v, q])
                    middle = np.median(first[:used])
                    mean = np.mean(np.minimum(np.maximum(first[:used], middle - 2.0), middle + 2.0))
                    weight = precision if used == learned else precision * used / learned
                    base_p = 1.0 / (1.0 / prior_p + weight)
                    base = base_p * (prior / prior_p + weight * mean)


def cusums(
    z: Floats, starts: Codes, restart: NDArray[np.int8], *, allowance: float = ALLOWANCE, clip: float = CUSUM_CLIP
) -> tuple[Floats, Floats]:
    """Two-sided cumulative sums of every quantity of every van.

    Parameters
    ----------
    z : ndarray of shape (visits, quantities)
        Innovations; NaN is unread. [standard deviations]
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.
    restart : ndarray of shape (visits, quantities), int8
        With `CHANGED` or `REPAIRED` the sums start again at this visit.
    allowance : float
        Taken off at every visit: half the shift that is detected fastest. [standard deviations]
    clip : float
        Innovations are clipped here. [standard deviations]

    Returns
    -------
    high, low : ndarray of shape (visits, quantities)
        NaN where z is. [standard deviations]

    References
    ----------
    E. S. Page, Biometrika 41 (1954) 100-115, DOI 10.1093/biomet/41.1-2.100 from memory (reference test: NIST/SEMATECH
    e-Handbook 6.3.2.3).
    """
    high, low = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    _sum_up(np.ascontiguousarray(z), starts.astype(np.int64), np.ascontiguousarray(restart), allowance, clip, high, low)
    return high, low


@kernel
def cusum_step(above: float, below: float, z: float, allowance: float) -> tuple[float, float]:
    """The two cumulative sums after one more value.

    Parameters
    ----------
    above, below, z : float
        The upper and the lower sum before, and the new value. [standard deviations]
    allowance : float
        Taken off at every visit. [standard deviations]

    Returns
    -------
    tuple of float
        Upper and lower sum, at least 0. [standard deviations]
    """
    return max(0.0, above + z - allowance), max(0.0, below - z - allowance)


@kernel
def _sum_up(
    z: Floats, starts: Codes, restart: NDArray[np.int8], allowance: float, clip: float, high: Floats, low: Floats
) -> None:  # pragma: no cover - compiled
    for v in range(starts.size - 1):
        for q in range(z.shape[1]):
            above, below = 0.0, 0.0
            for r in range(starts[v], starts[v + 1]):
                if restart[r, q] != NO_RESTART and restart[r, q] != HELD:
                    above, below = 0.0, 0.0
                if not np.isfinite(z[r, q]):
                    continue
                above, below = cusum_step(above, below, min(max(z[r, q], -clip), clip), allowance)
                high[r, q], low[r, q] = above, below
