"""White noise plus first-order coloured noise: its two parts, and the variance of means and sums."""

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel
from models.statistics.window_levels import product_sum

# Correlation time of the noise of a lambda trace: about the lag of a usual sensor. A short window does not determine
# it, and a fixed value keeps the uncertainty stable: for true values of 5 to 30 ms, intervals of a level cover 92 to 98
# %. [s]
MEMORY_S = 0.03


@kernel
def coloured(residual: Floats, n: int, used: int, fitted: int, h: float) -> tuple[float, float, float]:
    """Split the noise of a residual into white variance, coloured variance and its lag-one correlation.

    Parameters
    ----------
    residual : ndarray of shape (samples,)
        Residual; 0 where nothing was recorded. [unit]
    n, used, fitted : int
        Samples in the window, samples recorded, and parameters fitted to them.
    h : float
        Sampling interval. [s]

    Returns
    -------
    tuple of float
        White variance, coloured variance, lag-one correlation of the coloured part. [unit², unit², 1]

    Notes
    -----
    White plus first-order coloured noise has autocovariance s² r^k at lag k > 0. Short windows do not determine both s²
    and r, so r is that of `MEMORY_S`, and s² the projection of the autocovariances on r^k. The fit lowers each of them
    by about `fitted` times the long-run variance over n, which is added back by iteration.
    """
    if used < 8:
        return 0.0, 0.0, 0.0
    lags = max(1, min(40, n // 3, int(0.1 / h)))
    cov = np.empty(lags + 1)
    for k in range(lags + 1):
        cov[k] = product_sum(residual[: n - k], residual[k:n]) / used
    r = np.exp(-h / MEMORY_S)
    taken, colour = 0.0, 0.0
    for _ in range(4):
        top, bottom, part = 0.0, 0.0, 1.0
        for k in range(1, lags + 1):
            part *= r
            top += (cov[k] + taken) * part
            bottom += part * part
        colour = min(max(top / bottom, 0.0), cov[0] + taken)
        long_run = cov[0] + taken - colour + colour * (1.0 + r) / (1.0 - r)
        taken = min(fitted * long_run / used, cov[0])
    return cov[0] + taken - colour, colour, r


@kernel
def variance_of_weighted_sum(
    weights: Floats, white: float, colour: float, r: float
) -> float:  # pragma: no cover - compiled
    """Variance of a weighted sum of noise whose covariance is white I + colour r^|i-j|.

    Parameters
    ----------
    weights : ndarray of shape (samples,)
        Weight of each sample. [1]
    white, colour : float
        Variances of the white and of the coloured part. [unit²]
    r : float
        Lag-one correlation of the coloured part. [1]

    Returns
    -------
    float
        [unit²]
    """
    square, product, earlier = 0.0, 0.0, 0.0
    for i in range(weights.size):
        square += weights[i] * weights[i]
        product += weights[i] * earlier
        earlier = r * (earlier + weights[i])
    variance: float = (white + colour) * square + 2.0 * colour * product
    return variance


@kernel
def mean_variance(white: float, colour: float, r: float, n: float) -> float:
    """Variance of the mean of n samples of white noise plus first-order coloured noise.

    Parameters
    ----------
    white, colour : float
        Variances of the white and of the coloured part. [unit²]
    r : float
        Lag-one correlation of the coloured part. [1]
    n : float
        Number of samples. [1]

    Returns
    -------
    float
        [unit²]

    References
    ----------
    Sum of the autocovariances of a first-order autoregression; any text on time series.
    """
    long_run = (1.0 + r) / (1.0 - r) - 2.0 * r * (1.0 - r**n) / (n * (1.0 - r) ** 2)
    variance: float = (white + colour * long_run) / n
    return variance
