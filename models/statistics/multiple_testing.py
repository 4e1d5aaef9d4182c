"""Many tests at once: false-discovery control, and rank-based p-values of scores."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import NotEnoughDataError

Array = NDArray[np.float64]


def adjusted_p(p: Array) -> Array:
    """Benjamini–Hochberg adjusted p-values: a test is rejected at false-discovery rate q when its value is at most q.

    Parameters
    ----------
    p : ndarray of shape (tests,)
        p-values; NaN is no test and stays NaN.

    Returns
    -------
    ndarray of shape (tests,)

    References
    ----------
    Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300 (reference test: their 15 p-values).
    """
    values = np.asarray(p, dtype=np.float64)
    adjusted = np.full(values.shape, np.nan)
    tests = np.flatnonzero(np.isfinite(values))
    order = tests[np.argsort(values[tests], kind="stable")]
    scaled = values[order] * tests.size / np.arange(1, tests.size + 1)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


def conformal_p(scores: Array, calibration: Array) -> Array:
    """Share of calibration scores at least as large, counting the score itself.

    Parameters
    ----------
    scores : ndarray of shape (n,)
        Scores to judge; higher is more abnormal. NaN stays NaN.
    calibration : ndarray of shape (m,)
        Scores of healthy vans that the scoring model has not seen; NaN left out.

    Returns
    -------
    ndarray of shape (n,)
        (1 + number at least as large) / (m + 1); never below 1 / (m + 1).

    Raises
    ------
    NotEnoughDataError
        With no finite calibration score.

    References
    ----------
    S. Bates et al., Testing for outliers with conformal p-values, arXiv 2104.08279.
    """
    known = np.sort(calibration[np.isfinite(calibration)])
    if not known.size:
        raise NotEnoughDataError("no calibration score: score healthy vans first")
    at_least = known.size - np.searchsorted(known, scores, side="left")
    return np.where(np.isfinite(scores), (1.0 + at_least) / (known.size + 1.0), np.nan)
