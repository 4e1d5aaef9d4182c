"""Running means and small least-squares fits."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel, sum_kernel
from models.statistics.student import student_factor

# Blocks whose second differences can tell noise from a wander of the level.
FEWEST_DIFFERENCES = 6


@kernel
def smoothing_gain(half: int) -> float:
    """Standard deviation that `smooth` with this half width leaves of white noise of 1."""
    width = 2 * half + 1
    return float(np.sqrt((2.0 * width * width + 1.0) / (3.0 * width**3)))


@kernel
def _running_mean(
    x: NDArray[np.float32], count: int, half: int, out: NDArray[np.float32]
) -> None:  # pragma: no cover - compiled
    """Mean over 2 half + 1 samples; the window shrinks symmetrically at both ends."""
    if half == 0:
        for i in range(count):
            out[i] = x[i]
        return
    total = 0.0
    width = 2 * half + 1
    for i in range(min(half + 1, count)):
        at_end = min(i, count - 1 - i)
        if at_end < half:
            total = 0.0
            for j in range(i - at_end, i + at_end + 1):
                total += x[j]
            out[i] = total / (2 * at_end + 1)
    inner = max(count - 2 * half, 0)
    quarter, per = inner // 4, 1.0 / width
    totals = np.zeros(4)
    for part in range(4):  # four stretches side by side, since each total waits for the one before it
        for j in range(width if inner > 0 else 0):
            totals[part] += x[part * quarter + j]
    p, q, r, s = totals
    leaving, entering, middle = x, x[width:], out[half:]
    for k in range(quarter):
        i, j, m = k + quarter, k + 2 * quarter, k + 3 * quarter
        middle[k], middle[i], middle[j], middle[m] = p * per, q * per, r * per, s * per
        p += entering[k] - leaving[k]
        q += entering[i] - leaving[i]
        r += entering[j] - leaving[j]
        s += np.float32(0.0) if m + 1 == inner else entering[m] - leaving[m]
    for k in range(4 * quarter, inner):
        middle[k] = s * per
        s += np.float32(0.0) if k + 1 == inner else entering[k] - leaving[k]
    for i in range(max(half + 1, count - half), count):
        at_end = min(i, count - 1 - i)
        total = 0.0
        for j in range(i - at_end, i + at_end + 1):
            total += x[j]
        out[i] = total / (2 * at_end + 1)


@kernel
def _smooth_rows(
    x: NDArray[np.float32],
    count: Codes,
    half: int,
    between: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:  # pragma: no cover - compiled
    for row in range(x.shape[0]):
        _running_mean(x[row], count[row], half, between)
        _running_mean(between, count[row], half, out[row])
        for i in range(count[row], x.shape[1]):
            out[row, i] = out[row, count[row] - 1] if count[row] > 0 else np.float32(0.0)


def smooth(x: NDArray[np.float32], count: Codes, half: int) -> NDArray[np.float32]:
    """Smooth each row with a triangle: a running mean of 2 half + 1 samples, twice.

    Parameters
    ----------
    x : ndarray of shape (captures, samples), float32
        No NaN. [any unit]
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    half : int
        Half width of one mean; 0 leaves the trace as it is. [samples]

    Returns
    -------
    ndarray of shape (captures, samples), float32
        Symmetric, so nothing moves in time; the window shrinks at both ends. [unit of `x`]
    """
    out = np.empty_like(x)
    _smooth_rows(x, count, half, np.empty(x.shape[1], dtype=np.float32), out)
    return out


@sum_kernel
def plain_sum(x: NDArray[np.float32]) -> float:  # pragma: no cover - compiled
    """Sum of samples."""
    total = 0.0
    for i in range(x.size):
        total += x[i]
    return total


@sum_kernel
def product_sum(a: Floats, b: Floats | NDArray[np.float32]) -> float:  # pragma: no cover - compiled
    """Sum of the products of two series."""
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total


@kernel
def parabola(
    x: NDArray[np.float32], first: int, stop: int
) -> tuple[float, float, float, float]:  # pragma: no cover - compiled
    """Mean, tilt and bend of the least-squares parabola through x[first:stop], and the sum of squares under the bend.

    In u, centred and scaled, the polynomials 1, u and u² - mean(u²) are orthogonal on a uniform grid, so each
    coefficient stands alone."""
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
    """Least-squares parabola through x[first:stop] (at least 3 samples), read at `at`.

    Returns the value and its standard deviation for white noise of 1.
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
    """Where the least-squares parabola through x[first:stop] is highest within a quarter of its width of `at`, and how
    high."""
    scale = 2.0 / (stop - first)
    second = ((stop - first) ** 2 - 1.0) / 12.0 * scale * scale
    mean, tilt, bend, _ = parabola(x, first, stop)
    a = (at - 0.5 * (first + stop - 1)) * scale
    if bend < 0.0:
        a = min(max(-0.5 * tilt / bend, a - 0.5), a + 0.5)
    return 0.5 * (first + stop - 1) + a / scale, mean + tilt * a + bend * (a * a - second)


@kernel
def cosine_window(n: int) -> Floats:  # pragma: no cover - compiled
    """Weights 0.5 - 0.5 cos(2 pi (k + 0.5) / n), by recurrence."""
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
    """Least-squares parabola through x[first:stop] under cosine weights, read at `at`.

    Returns the value and its standard deviation for white noise of 1. The weights keep ripple out.
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
    """Mean with cosine ends of `taper` samples, and its standard deviation for white noise of 1."""
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
    """Level of a stretch, its standard uncertainty from noise, its drift end to end, and the wander of the level
    itself.

    Means over half-overlapping cosine windows leave firing ripple out; neighbours share a sixth of their variance.
    Noise is what their second differences hold, 6 - 8/6 times its variance, in which a slow movement of the level
    cancels; what they scatter beyond it is wander: real, and part of the mean."""
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
    if blocks < FEWEST_DIFFERENCES:  # too few to tell noise from wander
        noise, free = spread / (blocks - 1), 0.75 * (blocks - 1)
    u = np.sqrt(noise * (1.0 + 1.0 / 3.0) / blocks) * student_factor(free)
    return level, u, drift, np.sqrt(max(spread / (blocks - 1) - noise, 0.0))


@kernel
def moving_mean(w: Floats, first: int, stop: int, half: int, out: Floats) -> None:
    """Centred moving mean over 2 half + 1 blocks within first..stop-1; gaps are passed over.

    Parameters
    ----------
    w : ndarray of shape (blocks,)
        Trace; NaN where nothing was recorded.
    first, stop, half : int
        Window and half-width.
    out : ndarray of shape (blocks,)
        Filled between first and stop.
    """
    total, used = 0.0, 0
    for i in range(first, min(first + half, stop)):
        if not np.isnan(w[i]):
            total += w[i]
            used += 1
    for i in range(first, stop):
        if i + half < stop and not np.isnan(w[i + half]):
            total += w[i + half]
            used += 1
        if i - half - 1 >= first and not np.isnan(w[i - half - 1]):
            total -= w[i - half - 1]
            used -= 1
        out[i] = total / used if used > 0 else np.nan
