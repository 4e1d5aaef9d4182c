"""Conformal p-values of scores."""

import numpy as np

from data_contracts.errors import NotEnoughDataError
from models.statistics.arrays import Floats


def conformal_p(scores: Floats, calibration: Floats) -> Floats:
    """Conformal p-value: share of calibration scores at least as large, counting the score itself.

    Parameters
    ----------
    scores : ndarray of shape (n,)
        Scores to judge; higher is more abnormal. NaN stays NaN. [any unit]
    calibration : ndarray of shape (m,)
        Scores of healthy vans that the scoring model has not seen; NaN left out. [unit of scores]

    Returns
    -------
    ndarray of shape (n,)
        (1 + number at least as large) / (m + 1); never below 1 / (m + 1). [1]

    Raises
    ------
    NotEnoughDataError
        With no finite calibration score.

    References
    ----------
    S. Bates et al., Testing for outliers with conformal p-values, DOI 10.48550/arXiv.2104.08279.
    """
    known = np.sort(calibration[np.isfinite(calibration)])
    if not known.size:
        raise NotEnoughDataError("no calibration score: score healthy vans first")
    at_least = known.size - np.searchsorted(known, scores, side="left")
    return np.where(np.isfinite(scores), (1.0 + at_least) / (known.size + 1.0), np.nan)
