"""Every quantity of every van, once through time: own baseline, EWMA, level and slope in one recursion; and the CUSUM.

All in scatters: a quantity less its family's level, over the family's visit-to-visit standard deviation.
"""

import csv
import functools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel

Array = NDArray[np.float64]

SMOOTHING = 0.2
"""Weight of the newest visit in the EWMA. [1]"""
ALLOWANCE = 2.0
"""Allowance of the CUSUM: half the shift it answers to fastest; small shifts are the EWMA's. [standard deviations]"""
LEARNING_VISITS = 10
"""Visits a van's own baseline is learned from; then it stands. Common practice, no source (2026-11-25)."""
CLIP = 3.5
"""One visit counts for at most this much in the average, so that a lone outlier is no alarm. [standard deviations]"""
CUSUM_CLIP = 6.0
"""And at most this much in the CUSUM: two visits far outside in a row are no accident. [standard deviations]"""
VISIT_DEGREES = 5.0
"""Degrees of freedom of one visit's noise: heavier than normal. Common practice, no source (2026-11-25)."""
BASELINE_STEP = 0.05
"""How far a healthy van's baseline wanders in a week, standard deviation. Common practice, no source (2026-11-25). [scatters]"""
LEVEL_STEP = 0.1
"""How far a level wanders in a week, standard deviation. Common practice, no source (2026-11-25). [scatters]"""
SLOPE_STEP = 0.06
"""How far a slope wanders in a week, standard deviation. Common practice, no source (2026-11-25). [scatters per week]"""
SLOPE_SPREAD = 0.1
"""Slope of a van before any data, standard deviation. Common practice, no source (2026-11-25). [scatters per week]"""

NO_RESTART, CHANGED, REPAIRED = 0, 1, 2
CHANGE_SPREAD = 1.5
"""Doubt a software update or the like adds to a baseline, standard deviation. Common practice (2026-11-25). [scatters]"""

Z, EWMA, EWMA_SPREAD, BASELINE, BASELINE_VARIANCE, LEVEL, SLOPE, VAR_LEVEL, COVAR, VAR_SLOPE = range(10)


@dataclass(frozen=True)
class Followed:
    """What the recursion knows at each visit; NaN where the quantity was not read.

    Attributes
    ----------
    z : ndarray of shape (visits, quantities)
        Innovation against the van's own baseline as it stood before the visit. [standard deviations]
    ewma, ewma_spread : ndarray
        Its moving average, and that average's in-control standard deviation, the baseline's own uncertainty included.
    baseline, baseline_variance : ndarray
        The van's own expectation before the visit. [scatters]
    level, slope : ndarray
        Of the local linear trend, after the visit. [scatters], [scatters per week]
    var_level, covar, var_slope : ndarray
        Their covariance.
    """

    z: Array
    ewma: Array
    ewma_spread: Array
    baseline: Array
    baseline_variance: Array
    level: Array
    slope: Array
    var_level: Array
    covar: Array
    var_slope: Array


def follow_vans(
    x: Array,
    variance: Array,
    *,
    weeks: NDArray[np.int64],
    starts: NDArray[np.int64],
    restart: NDArray[np.int8],
    vans_spread: Array,
) -> Followed:
    """Follow every quantity of every van.

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
        `NO_RESTART`, `CHANGED` (the baseline is doubted from this visit on) or `REPAIRED` (it starts again).
    vans_spread : ndarray of shape (vans, quantities)
        Standard deviation of healthy vans around the level of the van's family. [scatters]

    Returns
    -------
    Followed

    Notes
    -----
    The baseline is the empirical-Bayes mean of the first ten visits, each held near their median: innovations while it is
    learned are nearly independent, later ones share its uncertainty, and the limits allow for both. A van that stands far
    outside learns nothing.
    """
    out = np.full((10, *x.shape), np.nan)
    _follow(
        np.ascontiguousarray(x), np.ascontiguousarray(variance), weeks.astype(np.int64), starts.astype(np.int64),
        np.ascontiguousarray(restart), np.ascontiguousarray(vans_spread), out,
    )  # fmt: skip
    return Followed(*out)


@kernel
def _follow(
    x: Array,
    variance: Array,
    weeks: NDArray[np.int64],
    starts: NDArray[np.int64],
    restart: NDArray[np.int8],
    vans_spread: Array,
    out: Array,
) -> None:  # pragma: no cover - compiled
    first = np.empty(LEARNING_VISITS)
    for v in range(starts.size - 1):
        for q in range(x.shape[1]):
            spread2 = vans_spread[v, q] ** 2
            base, base_p, learned = 0.0, spread2, 0
            prior, prior_p, precision = 0.0, spread2, 0.0
            average, own_w, shared_w, spread = 0.0, 0.0, 0.0, 0.0
            level, slope, p11, p12, p22 = 0.0, 0.0, spread2, 0.0, SLOPE_SPREAD**2
            week, outside = weeks[starts[v]], 0.0
            for r in range(starts[v], starts[v + 1]):
                if restart[r, q] != NO_RESTART:
                    base_p = spread2 if restart[r, q] == REPAIRED else min(base_p + CHANGE_SPREAD**2, spread2)
                    prior, prior_p, precision, learned = base, base_p, 0.0, 0
                    average, own_w, shared_w, spread = 0.0, 0.0, 0.0, 0.0
                    level, slope, p11, p12, p22 = base, 0.0, base_p, 0.0, SLOPE_SPREAD**2
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
                average = (1.0 - SMOOTHING) * average + SMOOTHING * held
                own_w = (1.0 - SMOOTHING) ** 2 * own_w + SMOOTHING**2 * (1.0 - shared)
                shared_w = (1.0 - SMOOTHING) * shared_w + SMOOTHING * np.sqrt(shared)
                spread = np.sqrt(own_w + shared_w**2)

                level += gap * slope
                p11 += gap * (2.0 * p12 + gap * p22 + LEVEL_STEP**2 + gap * gap * SLOPE_STEP**2 / 3.0)
                p12 += gap * (p22 + gap * SLOPE_STEP**2 / 2.0)
                p22 += gap * SLOPE_STEP**2
                bound = CLIP * np.sqrt(p11 + noise)
                step = x[r, q] - level
                side = 0.0 if abs(step) <= bound else np.sign(step)
                if side != 0.0 and side == outside:  # twice on one side is no outlier: level and slope are free again
                    p11 += step * step
                    p22 += (step / max(gap, 1.0)) ** 2
                else:
                    step = min(max(step, -bound), bound)
                outside = side
                s = p11 + noise
                gain1, gain2 = p11 / s, p12 / s
                level += gain1 * step
                slope += gain2 * step
                p22 -= gain2 * p12
                p12 -= gain2 * p11
                p11 -= gain1 * p11

                out[Z, r, q], out[EWMA, r, q], out[EWMA_SPREAD, r, q] = z, average, spread
                out[BASELINE, r, q], out[BASELINE_VARIANCE, r, q] = base, base_p
                out[LEVEL, r, q], out[SLOPE, r, q] = level, slope
                out[VAR_LEVEL, r, q], out[COVAR, r, q], out[VAR_SLOPE, r, q] = p11, p12, p22

                if learns:  # mean of the visits so far, each held near their median, shrunk to the prior
                    first[learned] = x[r, q]
                    learned += 1
                    precision += 1.0 / noise
                    middle = np.median(first[:learned])
                    mean = np.mean(np.minimum(np.maximum(first[:learned], middle - 2.0), middle + 2.0))
                    base_p = 1.0 / (1.0 / prior_p + precision)
                    base = base_p * (prior / prior_p + precision * mean)


def cusums(z: Array, starts: NDArray[np.int64], restart: NDArray[np.int8]) -> tuple[Array, Array]:
    """Two-sided cumulative sums of every quantity of every van.

    Parameters
    ----------
    z : ndarray of shape (visits, quantities)
        Innovations; NaN is unread. [standard deviations]
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.
    restart : ndarray of shape (visits, quantities), int8
        `NO_RESTART`, or another: the sums begin again at this visit.

    Returns
    -------
    high, low : ndarray of shape (visits, quantities)
        Page's sums with `ALLOWANCE`, each visit held to `CUSUM_CLIP`; NaN where z is. [standard deviations]
    """
    high, low = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    _sum_up(np.ascontiguousarray(z), starts.astype(np.int64), np.ascontiguousarray(restart), high, low)
    return high, low


@kernel
def _sum_up(
    z: Array, starts: NDArray[np.int64], restart: NDArray[np.int8], high: Array, low: Array
) -> None:  # pragma: no cover - compiled
    for v in range(starts.size - 1):
        for q in range(z.shape[1]):
            above, below = 0.0, 0.0
            for r in range(starts[v], starts[v + 1]):
                if restart[r, q] != NO_RESTART:
                    above, below = 0.0, 0.0
                if not np.isfinite(z[r, q]):
                    continue
                held = min(max(z[r, q], -CUSUM_CLIP), CUSUM_CLIP)
                above, below = max(0.0, above + held - ALLOWANCE), max(0.0, below - held - ALLOWANCE)
                high[r, q], low[r, q] = above, below


def heavier(spread: Array) -> Array:
    """How much wider than in the normal case a limit must be on an average of few heavy-tailed visits.

    Parameters
    ----------
    spread : ndarray
        In-control standard deviation of the average. [standard deviations]

    Returns
    -------
    ndarray
        At least 1: the ratio of Student's to the normal quantile at one in ten thousand.
    """
    return np.asarray(np.interp(spread, *_heavier_table()))


@functools.cache
def _heavier_table() -> tuple[Array, Array]:
    """`heavier` at spreads from 0.02 to 1, which holds every average of the recursion; good to 1e-6 between."""
    from scipy.special import ndtri, stdtrit

    spread = np.linspace(0.02, 1.0, 2000)
    return spread, stdtrit(VISIT_DEGREES / spread**2, 1.0 - 1e-4) / ndtri(1.0 - 1e-4)


@dataclass(frozen=True)
class Limits:
    """Limits of the fleet's two charts.

    Attributes
    ----------
    ewma_width : float
        Half-width in standard deviations of the average, times `heavier`. [1]
    cusum : float
        Decision interval. [standard deviations]
    """

    ewma_width: float
    cusum: float


@functools.cache
def _tabled() -> dict[str, tuple[Array, Array]]:
    with (Path(__file__).parent / "run_length.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return {
        chart: (
            np.array([math.log(float(r["share_outside"])) for r in rows if r["chart"] == chart]),
            np.array([float(r["limit"]) for r in rows if r["chart"] == chart]),
        )
        for chart in ("ewma", "cusum")
    }


def limits_for(share_outside: float) -> Limits:
    """Limits that leave each chart of a healthy van outside in a given share of its visits.

    Parameters
    ----------
    share_outside : float
        For each of the two charts of one quantity. [1]

    Returns
    -------
    Limits
        From models/tracking/charts/run_length.csv: simulated with this recursion, learned baselines included; beyond the table straight on
        in the logarithm.
    """
    wanted = math.log(share_outside)
    found = []
    for chart in ("ewma", "cusum"):
        shares, limits = _tabled()[chart]
        rising = np.argsort(shares)
        s, lim = shares[rising], limits[rising]
        value = float(np.interp(wanted, s, lim))
        if wanted < s[0]:
            value = float(lim[0] + (wanted - s[0]) * (lim[1] - lim[0]) / (s[1] - s[0]))
        found.append(value)
    return Limits(*found)
