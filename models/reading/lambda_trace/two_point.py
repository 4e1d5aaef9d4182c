"""Two-point method for a first-order response with dead time: the first guess of a step fit."""

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel

# Two-point method of Sundaresan and Krishnaswamy (35.3 % and 85.3 % of the step) with exact coefficients:
# 1 - exp(-s) passes them at s = -ln(0.647) and -ln(0.147). The published coefficients are 0.67, 1.3 and -0.29.
LOW_PART, HIGH_PART = 0.353, 0.853
_LOW_TIME, _HIGH_TIME = -np.log(1.0 - LOW_PART), -np.log(1.0 - HIGH_PART)
TWO_POINT_CONSTANT = 1.0 / (_HIGH_TIME - _LOW_TIME)
TWO_POINT_LOW = _HIGH_TIME / (_HIGH_TIME - _LOW_TIME)
TWO_POINT_HIGH = -_LOW_TIME / (_HIGH_TIME - _LOW_TIME)


@kernel
def two_point(low_s: float, high_s: float) -> tuple[float, float]:
    """Dead time and time constant from the times of 35.3 % and 85.3 % of a step.

    Parameters
    ----------
    low_s, high_s : float
        Times from the step at which the response passes 35.3 % and 85.3 %. [s]

    Returns
    -------
    tuple of float
        Dead time and time constant. [s]

    References
    ----------
    K. R. Sundaresan, P. R. Krishnaswamy, Can. J. Chem. Eng. 56, 1978, 257-262, with exact coefficients;
    DOI 10.1002/cjce.5450560215.
    """
    return TWO_POINT_LOW * low_s + TWO_POINT_HIGH * high_s, TWO_POINT_CONSTANT * (high_s - low_s)


@kernel
def two_point_guess(
    s: Floats, p: int, q: int, low: float, h: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Dead time and time constant of a rise in a trace.

    Parameters
    ----------
    s : ndarray of shape (blocks,)
        Smoothed trace; NaN where nothing was recorded. [unit of richness]
    p, q : int
        Where the rise begins and ends. [blocks]
    low : float
        Level it begins at. [unit of s]
    h : float
        Interval of the blocks. [s]

    Returns
    -------
    dead, constant : float
        [s]
    """
    lowest, highest = -1, -1
    for i in range(p, q + 1):
        part = (s[i] - low) / (s[q] - low)
        if part < LOW_PART:
            lowest = i
        elif lowest >= 0 and highest < 0 and part >= HIGH_PART:
            highest = i
    if lowest < 0 or highest <= lowest:
        highest = q
        lowest = max(lowest, p)
    dead, tau = two_point((lowest + 0.5) * h, (highest - 0.5) * h)
    return dead, max(tau, h)
