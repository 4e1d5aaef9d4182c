"""Smoothing: running means of traces, and what they leave of noise."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel


@kernel
def smoothing_gain(half: int) -> float:
    """Standard deviation that `smooth` leaves of white noise of 1.

    Parameters
    ----------
    half : int
        Half width of one running mean. [samples]

    Returns
    -------
    float
        [1]
    """
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


@kernel
def moving_mean(w: Floats, first: int, stop: int, half: int, out: Floats) -> None:
    """Centred moving mean over 2 half + 1 blocks within first..stop-1; gaps are skipped.

    Parameters
    ----------
    w : ndarray of shape (blocks,)
        Trace; NaN where nothing was recorded. [any unit]
    first, stop, half : int
        Window and half width. [blocks]
    out : ndarray of shape (blocks,)
        Filled between first and stop. [unit of w]
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
