"""The noise of a trace from sample to sample."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel, vector_kernel
from models.statistics.order_statistics import median

_SEGMENTS = 16


@vector_kernel
def _quiet_squares(
    before: NDArray[np.float32],
    here: NDArray[np.float32],
    after: NDArray[np.float32],
    low: float,
    high: float,
    most: float,
) -> tuple[float, int]:  # pragma: no cover - compiled
    """Sum of squared second differences of at most `most`, between `low` and `high`, and how many."""
    lower, upper, limit, half = np.float32(low), np.float32(high), np.float32(most), np.float32(0.5)
    total, used = np.float32(0.0), np.int32(0)
    for i in range(here.size):
        departure = here[i] - half * (before[i] + after[i])
        counts = (here[i] > lower) & (here[i] < upper) & (abs(departure) <= limit)
        total += departure * departure if counts else np.float32(0.0)
        used += np.int32(counts)
    return float(total), int(used)


@kernel
def sample_noise(
    signal: NDArray[np.float32], first: int, stop: int, lag: int, low: float, high: float
) -> float:  # pragma: no cover - compiled
    """Noise of a trace from its second differences, over its quieter parts and without outliers.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Bridged samples of one row. [any unit]
    first, stop : int
        Stretch to look at. [samples]
    lag : int
        1 for a live trace; for a held one the samples for which values are repeated.
    low, high : float
        Samples at these values, which may be clipped, are left out. [unit of signal]

    Returns
    -------
    float
        Standard deviation from sample to sample; 0 for fewer than eight samples. [unit of signal]

    Notes
    -----
    For white noise of standard deviation s, x[i] - (x[i-lag] + x[i+lag]) / 2 has a standard deviation of s sqrt(3/2);
    slow movement and firing ripple nearly cancel in it.
    """
    first, stop = first + lag - 1, stop - lag + 1
    n = stop - first
    if n < 8:
        return 0.0
    segments = _SEGMENTS if n >= 256 else max(1, n // 48)
    length = n // segments
    stride = max(1, length // 64)
    rough = np.empty(segments)
    pick = np.empty(length // stride + 1, dtype=np.float32)
    for s in range(segments):
        k = 0
        for i in range(first + s * length + 1, min(first + (s + 1) * length, stop - 1), stride):
            if signal[i] <= low or signal[i] >= high:
                continue
            pick[k] = abs(signal[i] - np.float32(0.5) * (signal[i - lag] + signal[i + lag]))
            k += 1
        rough[s] = median(pick[:k]) if k > 4 else np.inf
    usable = np.sum(np.isfinite(rough))
    if usable == 0:
        return 0.0
    level = np.sort(rough)[usable // 3] * 1.4826
    total, used = 0.0, 0
    for s in range(segments):
        if rough[s] * 1.4826 > 1.5 * level + 1e-12:
            continue
        a = first + max(s * length, 1)
        b = min(first + (s + 1) * length if s < segments - 1 else stop, stop - 1)
        if b > a:
            squares, counted = _quiet_squares(
                signal[a - lag : b - lag], signal[a:b], signal[a + lag : b + lag], low, high, 3.0 * level
            )
            total += squares
            used += counted
    # 3 standard deviations keep 97.3 % of the variance of normal noise
    return np.sqrt(total / used / 1.5 / 0.9733) if used > 0 else 0.0
