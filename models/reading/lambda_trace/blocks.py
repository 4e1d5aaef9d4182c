"""Lambda traces as short block means of richness, with electrical spikes counted and removed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.physics.lambda_scale import LambdaScale
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel, vector_kernel
from models.statistics.order_statistics import NORMAL_QUARTILE, median

# Block length that keeps all a lambda sensor can follow: the fastest has a time constant of about 20 ms (source at
# lean_dips.NARROWEST_S), and a mean over an eighth of that attenuates it by 0.1 %. [s]
BLOCK_S = 0.0025
# An electrical spike rises and returns within this half width; a sensor of 20 ms loses at most 14 % of a peak in it.
# [s]
SPIKE_HALF_S = 0.003
# A spike stands this many standard deviations of noise above both neighbours, and returns by this part of its height.
# [1]
SPIKE_SIGMAS = 7.0
SPIKE_RETURN = 0.6
SPIKE_RATE_HZ = 500.0
# Samples that the noise is estimated from.
NOISE_SAMPLES = 512
_AT_ONCE = 64
# Sample flags.
USED, LOST, ELECTRICAL = range(3)


@dataclass(frozen=True)
class LambdaBlocks:
    """Block means of richness.

    Attributes
    ----------
    x : ndarray of shape (captures, blocks)
        Richness; NaN where nothing was recorded. [unit of richness]
    interval_s : float
        Length of a block. [s]
    start_s : float
        Middle of the first block from the row's first sample. [s]
    count : ndarray of shape (captures,), int
        Blocks of each row that are part of the recording.
    noise : ndarray of shape (captures,)
        Standard deviation of the white noise of one block. [unit of richness]
    step : ndarray of shape (captures,)
        Quantisation step of the samples; 0 where none shows. [unit of richness]
    electrical : ndarray of shape (captures, blocks), bool
        An electrical spike begins in this block.
    """

    x: Floats
    interval_s: float
    start_s: float
    count: Codes
    noise: Floats
    step: Floats
    electrical: Flags


@vector_kernel
def _any_peak(
    before: NDArray[np.float32], here: NDArray[np.float32], after: NDArray[np.float32], floor: float
) -> bool:  # pragma: no cover - compiled
    """Whether any sample stands more than `floor` above, or below, both others."""
    least, found = np.float32(floor), np.int32(0)
    for i in range(here.size):
        left, right = here[i] - before[i], here[i] - after[i]
        found += np.int32(((left > least) & (right > least)) | ((left < -least) & (right < -least)))
    return bool(found > 0)


@kernel
def _mark_spikes(
    y: NDArray[np.float32], count: int, half: int, sigma: float, flag: NDArray[np.uint8]
) -> int:  # pragma: no cover - compiled
    """Mark the samples of spikes that rise and return within 2 half samples; return the number of spikes."""
    floor = SPIKE_SIGMAS * sigma
    far, marked = 4 * half, 0
    for begin in range(half, count - half, _AT_ONCE):
        stop = min(begin + _AT_ONCE, count - half)
        if not _any_peak(
            y[begin - half : stop - half], y[begin:stop], y[begin + half : stop + half], (1.0 - 1e-6) * floor
        ):
            continue
        for i in range(begin, stop):
            left, right = y[i] - y[i - half], y[i] - y[i + half]
            height = min(abs(left), abs(right))
            if height <= floor or left * right <= 0.0:
                continue
            around = 0.5 * (y[max(i - far, 0)] + y[min(i + far, count - 1)])
            if height < SPIKE_RETURN * abs(y[i] - around):
                continue
            sign = 1.0 if left > 0.0 else -1.0
            for j in range(i - half, i + half + 1):
                part = (j - i + half) / (2.0 * half)
                line = y[i - half] * (1.0 - part) + y[i + half] * part
                if sign * (y[j] - line) > 0.3 * height and flag[j] == USED:
                    flag[j] = ELECTRICAL
                    marked += 1
    return marked


@kernel
def _turn(
    signal: NDArray[np.float32],
    keep: Flags,
    sign: float,
    inverse: bool,
    y: NDArray[np.float32],
    flag: NDArray[np.uint8],
) -> tuple[int, bool]:  # pragma: no cover - compiled
    """Richness of one row, with the last value held where nothing was recorded; its length, and whether it is
    complete."""
    turned, one, nothing = np.float32(sign), np.float32(1.0), np.float32(0.0)
    used = np.int32(0)
    for i in range(signal.size):
        value = signal[i]
        use = keep[i] & (abs(value) < np.float32(np.inf)) & ((not inverse) | (value > nothing))
        used += np.int32(use)
        flag[i] = USED if use else LOST
        y[i] = (one / value if inverse else turned * value) if use else nothing
    end = signal.size
    while end > 0 and flag[end - 1] != USED:
        end -= 1
    whole = used == end
    if not whole:
        last = np.float32(0.0)
        for i in range(end):
            if flag[i] == USED:
                last = y[i]
            y[i] = last
    for i in range(end, signal.size):
        y[i] = y[end - 1] if end > 0 else nothing
    return end, whole


@vector_kernel
def _smallest_move(before: NDArray[np.float32], after: NDArray[np.float32]) -> float:  # pragma: no cover - compiled
    smallest = np.float32(np.inf)
    for i in range(after.size):
        apart = abs(after[i] - before[i])
        smallest = min(smallest, apart if apart > np.float32(0.0) else np.float32(np.inf))
    return float(smallest)


@vector_kernel
def _means(y: NDArray[np.float32], per: int, out: Floats) -> None:  # pragma: no cover - compiled
    for j in range(out.size):
        total = 0.0
        for i in range(per):
            total += y[j * per + i]
        out[j] = total / per


@kernel
def _block_rows(
    signal: NDArray[np.float32],
    keep: Flags,
    per: int,
    half: int,
    sign: float,
    inverse: bool,
    x: Floats,
    count: Codes,
    noise: Floats,
    step: Floats,
    electrical: Flags,
) -> None:  # pragma: no cover - compiled
    """Fill the block means, the noise and the spikes of every row."""
    rows, samples = signal.shape
    y = np.empty(samples, dtype=np.float32)
    flag = np.empty(samples, dtype=np.uint8)
    rough = np.empty(samples, dtype=np.float32)
    middle = np.float32(0.5)
    for row in range(rows):
        end, whole = _turn(signal[row], keep[row], sign, inverse, y, flag)
        begin = 0  # the first sample that was recorded
        while begin < end and flag[begin] != USED:
            begin += 1
        smallest = _smallest_move(y[begin : end - 1], y[begin + 1 : end]) if end - begin > 1 else np.inf
        step[row] = smallest if np.isfinite(smallest) else 0.0
        stride = max(1, end // NOISE_SAMPLES)
        picked = 0
        # a ratio that stands at its lean stop has no noise there
        leanest = np.min(y[begin:end]) if inverse and end > begin else np.float32(-np.inf)
        for i in range(1, end - 1, stride):
            at_stop = y[i - 1] == leanest and y[i] == leanest and y[i + 1] == leanest
            if not at_stop and (whole or (keep[row, i - 1] and keep[row, i] and keep[row, i + 1])):
                rough[picked] = abs(y[i] - middle * (y[i - 1] + y[i + 1]))
                picked += 1
        # second differences of white noise have sqrt(3/2) of its standard deviation
        sigma = median(rough[:picked]) / (NORMAL_QUARTILE * np.sqrt(1.5)) if picked > 4 else 0.0
        sigma = np.sqrt(sigma * sigma + step[row] * step[row] / 12.0) if step[row] < 10.0 * sigma + 1e-3 else sigma
        noise[row] = sigma / np.sqrt(per)
        quick = 0
        if half > 0:
            # the noise over the width of a spike: coloured noise is larger there
            picked = 0
            for i in range(half, end - half, stride):
                if y[i - half] == leanest and y[i] == leanest and y[i + half] == leanest:
                    continue
                rough[picked] = abs(y[i] - middle * (y[i - half] + y[i + half]))
                picked += 1
            wide = median(rough[:picked]) / (NORMAL_QUARTILE * np.sqrt(1.5)) if picked > 4 else 0.0
            quick = _mark_spikes(y, end, half, max(max(sigma, wide), 0.3 * step[row]), flag)
        blocks = end // per
        count[row] = blocks
        electrical[row] = False
        x[row, blocks:] = np.nan
        if whole and quick == 0:
            _means(y, per, x[row, :blocks])
            continue
        for j in range(blocks):
            total, used = 0.0, 0
            for i in range(j * per, (j + 1) * per):
                if flag[i] == USED:
                    total += y[i]
                    used += 1
                elif flag[i] == ELECTRICAL and (i == 0 or flag[i - 1] != ELECTRICAL):
                    electrical[row, j] = True
            x[row, j] = total / used if used > 0 else np.nan


def block_lambda(signal: NDArray[np.float32], keep: Flags, scale: LambdaScale, *, interval_s: float) -> LambdaBlocks:
    """Reduce lambda traces to block means of richness.

    Parameters
    ----------
    signal : ndarray of shape (captures, samples), float32
        Recorded volts or ratio. [V or 1]
    keep : ndarray of shape (captures, samples), bool
        True = use. Spikes need not be marked: they are found and counted here.
    scale : LambdaScale
        Conversion of the signal to richness.
    interval_s : float
        Sampling interval. [s]

    Returns
    -------
    LambdaBlocks
    """
    rows, samples = signal.shape
    per = max(1, int(BLOCK_S / interval_s + 1e-6))
    half = max(1, int(SPIKE_HALF_S / interval_s + 0.5)) if interval_s * SPIKE_RATE_HZ <= 1.0 + 1e-6 else 0
    blocks = max(samples // per, 1)
    x = np.empty((rows, blocks))
    electrical = np.empty((rows, blocks), dtype=np.bool_)
    count = np.zeros(rows, dtype=np.int64)
    noise, step = np.zeros(rows), np.zeros(rows)
    _block_rows(signal, keep, per, half, scale.sign, scale.form == "inverse", x, count, noise, step, electrical)
    return LambdaBlocks(x, per * interval_s, 0.5 * (per - 1) * interval_s, count, noise, step, electrical)
