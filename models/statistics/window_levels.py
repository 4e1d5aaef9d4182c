"""Levels from short windows: parabolas, tapered means and block means, with their standard deviations."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel, sum_kernel
from models.statistics.student import student_factor

# Fewest blocks whose second differences separate noise from a wander of the level.
FEWEST_DIFFERENCES = 6


@sum_kernel
def plain_sum(x: NDArray[np.float32]) -> float:  # pragma: no cover - compiled
    """Sum of samples.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Samples. [any unit]

    Returns
    -------
    float
        [unit of x]
    """
    total = 0.0
    for i in range(x.size):
        total += x[i]
    return total


@sum_kernel
def product_sum(a: Floats, b: Floats | NDArray[np.float32]) -> float:  # pragma: no cover - compiled
    """Sum of the products of two series.

    Parameters
    ----------
    a, b : ndarray of shape (samples,)
        The two series. [any units]

    Returns
    -------
    float
        [product of the units]
    """
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total


@kernel
def parabola(
    x: NDArray[np.float32], first: int, stop: int
) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """Least-squares parabola through x[first:stop].

    In u, centred and scaled to ±1, the polynomials 1, u and u² - mean(u²) are orthogonal on a uniform grid, so each
    coefficient is found by itself.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        Window, at least 3 samples. [samples]

    Returns
    -------
    mean, slope, curvature : float
        Coefficients of the three polynomials. [unit of x]
    squares : float
        Sum of squares of the third polynomial over the window. [1]
    """
    n = stop - first
    middle, scale = 0.5 * (first + stop - 1), 2.0 / n
    second = (n * n - 1.0) / 12.0 * scale * scale  # mean of u²
    total, tilt, bend, fourth = 0.0, 0.0, 0.0, 0.0
    for i in range(first, stop):
        u = (i - middle) * scale
        q = u * u - second
        total += x[i]
        tilt += u * x[i]
        bend += q * x[i]
        fourth += q * q
    return total / n, tilt / (n * second), bend / fourth, fourth


@kernel
def parabola_at(
    x: NDArray[np.float32], first: int, stop: int, at: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Value of the least-squares parabola through x[first:stop] at one place.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        Window, at least 3 samples. [samples]
    at : float
        Place. [samples]

    Returns
    -------
    value, gain : float
        The value, and its standard deviation for white noise of 1. [unit of x], [1]
    """
    n = stop - first
    scale = 2.0 / n
    second = (n * n - 1.0) / 12.0 * scale * scale
    mean, tilt, bend, fourth = parabola(x, first, stop)
    a = (at - 0.5 * (first + stop - 1)) * scale
    q = a * a - second
    return mean + tilt * a + bend * q, np.sqrt(1.0 / n + a * a / (n * second) + q * q / fourth)


@kernel
def parabola_top(
    x: NDArray[np.float32], first: int, stop: int, at: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Highest point of the least-squares parabola through x[first:stop], within a quarter of its width of one place.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        Window, at least 3 samples. [samples]
    at : float
        Place to look around. [samples]

    Returns
    -------
    place, value : float
        [samples], [unit of x]
    """
    scale = 2.0 / (stop - first)
    second = ((stop - first) ** 2 - 1.0) / 12.0 * scale * scale
    mean, tilt, bend, _ = parabola(x, first, stop)
    a = (at - 0.5 * (first + stop - 1)) * scale
    if bend < 0.0:
        a = min(max(-0.5 * tilt / bend, a - 0.5), a + 0.5)
    return 0.5 * (first + stop - 1) + a / scale, mean + tilt * a + bend * (a * a - second)


@kernel
def cosine_window(n: int) -> Floats:  # pragma: no cover - compiled
    """Weights 0.5 - 0.5 cos(2 pi (k + 0.5) / n), computed by recurrence.

    Parameters
    ----------
    n : int
        Number of weights.

    Returns
    -------
    ndarray of shape (n,)
        [1]
    """
    out = np.empty(n)
    turn = 2.0 * np.pi / n
    now, before, twice = np.cos(0.5 * turn), np.cos(-0.5 * turn), 2.0 * np.cos(turn)
    for k in range(n):
        out[k] = 0.5 - 0.5 * now
        now, before = twice * now - before, now
    return out


@kernel
def tapered_parabola_at(
    x: NDArray[np.float32], first: int, stop: int, at: float
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Value of the least-squares parabola through x[first:stop] under cosine weights, which suppress ripple.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        Window, at least 3 samples. [samples]
    at : float
        Place. [samples]

    Returns
    -------
    value, gain : float
        The value, and its standard deviation for white noise of 1. [unit of x], [1]
    """
    n = stop - first
    middle, scale = 0.5 * (first + stop - 1), 2.0 / n
    weights = cosine_window(n)
    whole, square = 0.0, 0.0
    for k in range(n):
        u = (first + k - middle) * scale
        whole += weights[k]
        square += weights[k] * u * u
    second = square / whole
    total, tilt, bend, fourth = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        u = (first + k - middle) * scale
        q = u * u - second
        weighted = weights[k] * x[first + k]
        total += weighted
        tilt += u * weighted
        bend += q * weighted
        fourth += weights[k] * q * q
    a = (at - middle) * scale
    along, across = a / square, (a * a - second) / fourth
    variance = 0.0
    for k in range(n):
        u = (first + k - middle) * scale
        variance += (weights[k] * (1.0 / whole + along * u + across * (u * u - second))) ** 2
    return total / whole + along * tilt + across * bend, np.sqrt(variance)


@kernel
def tapered_mean(
    x: NDArray[np.float32], first: int, stop: int, taper: int
) -> tuple[float, float]:  # pragma: no cover - compiled
    """Mean over x[first:stop] with cosine ends.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        Window. [samples]
    taper : int
        Length of each end. [samples]

    Returns
    -------
    value, gain : float
        The mean, and its standard deviation for white noise of 1. [unit of x], [1]
    """
    taper = min(taper, (stop - first) // 2)
    total, flat = plain_sum(x[first + taper : stop - taper]), float(stop - first - 2 * taper)
    weight_sum, squares = flat, flat
    weights = cosine_window(2 * taper)
    for k in range(taper):
        total += weights[k] * (float(x[first + k]) + float(x[stop - 1 - k]))
        weight_sum += 2.0 * weights[k]
        squares += 2.0 * weights[k] * weights[k]
    return total / weight_sum, np.sqrt(squares) / weight_sum


@kernel
def block_mean(
    x: NDArray[np.float32], first: int, stop: int, blocks: int
) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """Level of a stretch from the means of half-overlapping blocks under cosine windows, which suppress firing ripple.

    Parameters
    ----------
    x : ndarray of shape (samples,), float32
        Trace. [any unit]
    first, stop : int
        The stretch. [samples]
    blocks : int
        Number of blocks wanted; fewer where the stretch is short.

    Returns
    -------
    level, level_u : float
        Mean, and its standard uncertainty from noise; NaN with fewer than three blocks. [unit of x]
    drift : float
        Change of the fitted line from end to end. [unit of x]
    wander : float
        Standard deviation of the level itself, beyond the noise. [unit of x]

    Notes
    -----
    Neighbouring blocks share a sixth of their variance. The noise is that of the second differences of the block means,
    whose variance is 6 - 8/6 times that of one mean and in which a slow movement of the level cancels. Scatter of the
    means beyond it is wander: real, and part of the level.
    """
    n = stop - first
    blocks = max(1, min(blocks, (n - 1) // 4))
    length = int(2.0 * n / (blocks + 1))
    means = np.empty(blocks)
    weights = cosine_window(length)
    weight_sum = weights.sum()
    for b in range(blocks):
        start = first + int(b * (n - length) / max(blocks - 1, 1))
        means[b] = product_sum(weights, x[start : start + length]) / weight_sum
    level = means.mean()
    if blocks < 3:
        return level, np.nan, 0.0, 0.0
    centre = 0.5 * (blocks - 1)
    top, bottom, spread, rough = 0.0, 0.0, 0.0, 0.0
    for b in range(blocks):
        top += (b - centre) * (means[b] - level)
        bottom += (b - centre) ** 2
        spread += (means[b] - level) ** 2
        if 0 < b < blocks - 1:
            rough += (means[b - 1] - 2.0 * means[b] + means[b + 1]) ** 2
    drift = top / bottom * (blocks - 1)
    noise = rough / (blocks - 2) / (6.0 - 8.0 / 6.0)
    free = 0.5 * (blocks - 2)  # independent differences behind it
    if blocks < FEWEST_DIFFERENCES:  # too few to separate noise from wander
        noise, free = spread / (blocks - 1), 0.75 * (blocks - 1)
    u = np.sqrt(noise * (1.0 + 1.0 / 3.0) / blocks) * student_factor(free)
    return level, u, drift, np.sqrt(max(spread / (blocks - 1) - noise, 0.0))
