"""Robust slope of one series with its interval, and a test for any trend at all."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from data_contracts.errors import NotEnoughDataError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Slope:
    """A slope with its interval.

    Attributes
    ----------
    slope, low, high : float
        Median of pairwise slopes and its confidence interval. [unit of y per unit of x]
    intercept : float
        Median of y - slope x. [unit of y]
    n, left_out : int
        Points used, and left out because they are missing.
    """

    slope: float
    low: float
    high: float
    intercept: float
    n: int
    left_out: int


def theil_sen(x: Array, y: Array, *, confidence: float = 0.95) -> Slope:
    """Theil–Sen slope with Sen's interval, ties allowed.

    Parameters
    ----------
    x, y : ndarray of shape (n,)
        Times and values; a pair with a NaN is left out. [any units]
    confidence : float
        Of the interval. [1]

    Returns
    -------
    Slope

    Raises
    ------
    NotEnoughDataError
        With fewer than three points at different x: too little is an error, never a weak number.

    References
    ----------
    P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389 (reference test: his example).
    """
    keep = np.isfinite(x) & np.isfinite(y)
    t, v = np.asarray(x, np.float64)[keep], np.asarray(y, np.float64)[keep]
    if np.unique(t).size < 3:
        raise NotEnoughDataError(f"{np.unique(t).size} distinct times: a slope needs at least 3")
    first, second = np.triu_indices(t.size, 1)
    apart = t[second] != t[first]
    slopes = np.sort((v[second] - v[first])[apart] / (t[second] - t[first])[apart])
    n = t.size

    def ties(values: Array) -> float:
        counts = np.unique(values, return_counts=True)[1].astype(np.float64)
        return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))

    variance = (n * (n - 1) * (2 * n + 5) - ties(t) - ties(v)) / 18.0
    half = -ndtri((1.0 - confidence) / 2.0) * np.sqrt(max(variance, 0.0))
    upper = min(round((slopes.size + half) / 2.0), slopes.size - 1)
    lower = max(round((slopes.size - half) / 2.0) - 1, 0)
    middle = float(np.median(slopes))
    return Slope(
        middle,
        float(slopes[lower]),
        float(slopes[upper]),
        float(np.median(v) - middle * np.median(t)),
        n,
        int((~keep).sum()),
    )


@dataclass(frozen=True)
class TrendTest:
    """Mann–Kendall test.

    Attributes
    ----------
    s, variance, z : float
        Score, its variance with ties, and the continuity-corrected standard score.
    p : float
        Two-sided p-value.
    """

    s: float
    variance: float
    z: float
    p: float


def mann_kendall(y: Array) -> TrendTest:
    """Test for a monotonic trend, oldest value first; NaN left out.

    Parameters
    ----------
    y : ndarray of shape (n,)
        [any unit]

    Returns
    -------
    TrendTest

    Raises
    ------
    NotEnoughDataError
        With fewer than four values.

    References
    ----------
    H. B. Mann, Econometrica 13 (1945) 245-259; M. G. Kendall, Rank Correlation Methods (reference test: worked by hand).
    """
    values = np.asarray(y, np.float64)[np.isfinite(y)]
    n = values.size
    if n < 4:
        raise NotEnoughDataError(f"{n} values: a trend test needs at least 4")
    first, second = np.triu_indices(n, 1)
    s = float(np.sum(np.sign(values[second] - values[first])))
    counts = np.unique(values, return_counts=True)[1].astype(np.float64)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(counts * (counts - 1) * (2 * counts + 5)))) / 18.0
    z = (s - np.sign(s)) / np.sqrt(variance) if variance > 0 else 0.0
    return TrendTest(s, variance, float(z), float(2.0 * ndtr(-abs(z))))
