"""Levels of the lambda trace: mean and slope over a window, tip-in blip, switching; with coloured-noise uncertainty."""

import numpy as np
from numpy.typing import NDArray

from models.reading.lambda_trace.step_fit import coloured, student
from models.reading.lambda_trace.step_responses import smooth
from models.statistics.compiled import kernel

# Columns of a level: mean, slope, their standard uncertainties, scatter about the line, blocks used.
MEAN, SLOPE, MEAN_U, SLOPE_U, SCATTER, USED = range(6)
LEVEL_COLUMNS = 6
# Columns of a blip: depth (as a fall of richness), its length at half depth, their standard uncertainties.
DEPTH, LENGTH, DEPTH_U, LENGTH_U = range(4)
BLIP_COLUMNS = 4


@kernel
def mean_variance(white: float, colour: float, r: float, n: float) -> float:
    """Variance of the mean of n samples of white noise plus first-order coloured noise.

    Parameters
    ----------
    white, colour : float
        Variances. [unit²]
    r : float
        Lag-one correlation of the coloured part.
    n : float
        Samples.

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


@kernel
def _level_rows(
    x: NDArray[np.float64],
    h: float,
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    drifts: bool,
    tail: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Mean and slope of each row between first and stop, less the tail of a response that is still settling."""
    rest, y = np.empty(x.shape[1]), np.empty(x.shape[1])
    for row in range(x.shape[0]):
        a, b = max(first[row], 0), min(stop[row], x.shape[1])
        for i in range(a, b):
            y[i] = x[row, i]
            if tail[row, 0] != 0.0:
                y[i] += tail[row, 0] * np.exp((tail[row, 1] - i * h) / tail[row, 2])
        n, total, moment = 0, 0.0, 0.0
        for i in range(a, b):
            if not np.isnan(y[i]):
                n += 1
                total += y[i]
                moment += i
        out[row, USED] = n
        if n < 1:
            continue
        mean, middle = total / n, moment / n
        up, down = 0.0, 0.0
        for i in range(a, b):
            if not np.isnan(y[i]):
                up += (i - middle) * (y[i] - mean)
                down += (i - middle) ** 2
        slope = up / down if down > 0.0 else 0.0
        power = 0.0
        for i in range(a, b):
            if np.isnan(y[i]):
                rest[i - a] = 0.0
            else:
                rest[i - a] = y[i] - mean - (slope * (i - middle) if drifts else 0.0)
            power += rest[i - a] ** 2
        lost = 2.0 if drifts else 1.0
        out[row, MEAN], out[row, SLOPE] = mean, slope / h
        out[row, SCATTER] = np.sqrt(power / max(n - lost, 1.0))
        if n < 4:
            continue
        white, colour, r = coloured(rest, b - a, n, 2 if drifts else 1, h)
        variance = mean_variance(white, colour, r, float(n))
        independent = max((white + colour) / max(variance, 1e-300), 1.0)
        variance *= student(independent - lost) ** 2
        out[row, MEAN_U] = np.sqrt(variance)
        out[row, SLOPE_U] = np.sqrt(variance * n / max(down, 1e-300)) / h


def levels(
    x: NDArray[np.float64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    interval_s: float,
    drifts: bool = False,
    tail: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Mean and slope of every row over its own window.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Trace; NaN where nothing was recorded. [unit]
    first, stop : ndarray of shape (captures,), int
        Window, stop excluded; an empty one gives NaN.
    interval_s : float
        Interval of the blocks. [s]
    drifts : bool
        Judge the noise about a straight line instead of about the mean.
    tail : ndarray of shape (captures, 3), optional
        What the trace still lacks of its level: size at a time, that time, and the time constant with which it dies
        away. It is added. [unit, s, s]

    Returns
    -------
    ndarray of shape (captures, LEVEL_COLUMNS)
        [unit, unit/s, unit, unit/s, unit, blocks]

    Notes
    -----
    The noise is split into white and first-order coloured noise by its own autocovariance, and the uncertainty of
    the mean follows.
    """
    out = np.full((x.shape[0], LEVEL_COLUMNS), np.nan)
    tails = np.zeros((x.shape[0], 3)) if tail is None else tail
    _level_rows(x, interval_s, first, stop, drifts, tails, out)
    return out


@kernel
def _blip_rows(
    x: NDArray[np.float64],
    h: float,
    half: int,
    opening: NDArray[np.int64],
    until: NDArray[np.int64],
    base: NDArray[np.float64],
    noise: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Depth and length of the leanest excursion between opening and until, from `base`."""
    s = np.empty(x.shape[1])
    for row in range(x.shape[0]):
        a, b = opening[row], until[row]
        if a < 0 or b - a < 4 or np.isnan(base[row]):
            continue
        smooth(x[row], a, b, half, s)
        p = a
        for i in range(a, b):
            if s[i] < s[p] or np.isnan(s[p]):
                p = i
        depth = base[row] - s[p]
        sigma = noise[row] / np.sqrt(2.0 * half + 1.0)
        out[row, DEPTH], out[row, DEPTH_U] = depth, sigma
        if not depth > 4.0 * sigma:
            continue
        level = base[row] - 0.5 * depth
        i = p
        while i > a and s[i - 1] < level:
            i -= 1
        j = p
        while j < b - 1 and s[j + 1] < level:
            j += 1
        if i == a or j == b - 1:
            continue
        fall, rise = s[i - 1] - s[i], s[j + 1] - s[j]
        start = i - (level - s[i]) / fall
        end = j + (level - s[j]) / rise
        out[row, LENGTH] = (end - start) * h
        # slopes over the width of the smoothing, so that noise does not make them
        back, on = max(i - half - 1, a), min(j + half + 1, b - 1)
        fall = max((s[back] - s[min(i + half, p)]) / (min(i + half, p) - back), 1e-12)
        rise = max((s[on] - s[max(j - half, p)]) / (on - max(j - half, p)), 1e-12)
        # both crossings are told between two blocks by a straight line: an interval over the root of twelve each
        out[row, LENGTH_U] = h * np.sqrt(sigma**2 * (1.0 / fall**2 + 1.0 / rise**2) + 1.0 / 6.0)


def tip_in_blip(
    x: NDArray[np.float64],
    opening: NDArray[np.int64],
    until: NDArray[np.int64],
    base: NDArray[np.float64],
    noise: NDArray[np.float64],
    *,
    interval_s: float,
    smooth_s: float = 0.0125,
) -> NDArray[np.float64]:
    """Leanest excursion between the opening and the response to rich.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    opening, until : ndarray of shape (captures,), int
        Window; opening -1 gives NaN.
    base : ndarray of shape (captures,)
        Level it is measured from. [unit of richness]
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    interval_s, smooth_s : float
        Interval of the blocks; length of the moving mean the depth is defined on. [s]

    Returns
    -------
    ndarray of shape (captures, BLIP_COLUMNS)
        [unit of richness, s, unit of richness, s]
    """
    out = np.full((x.shape[0], BLIP_COLUMNS), np.nan)
    _blip_rows(x, interval_s, max(0, int(0.5 * smooth_s / interval_s)), opening, until, base, noise, out)
    return out
