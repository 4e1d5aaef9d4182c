"""Needles on the lambda trace while the throttle is open: lean ones, and those only electricity can make."""

import math

import numpy as np
from numpy.typing import NDArray

from models.reading.lambda_trace.step_responses import smooth
from models.statistics.compiled import kernel
from models.statistics.order_statistics import NORMAL_QUARTILE, normal_scatter, ranked

# Columns of a count: lean needles, their median size (fall of richness), needles too quick for the sensor,
# standard uncertainties of the first two, where the middle needle is from the row's first block, how irregular the gaps
# are, standard uncertainties of these two.
COUNT, SIZE, QUICK, COUNT_U, SIZE_U, MIDDLE, IRREGULARITY, MIDDLE_U, IRREGULARITY_U = range(9)
NEEDLE_COLUMNS = 9
# Standard deviation of a median of normal values over that of their mean.
MEDIAN_U = 1.2533
# Gaps of fewer needles tell no beat.
LEAST_FOR_A_BEAT = 4

# The level a needle is measured from: the upper quartile of the richness around it.
AROUND_S = 0.25
# Standard deviations of the noise a needle exceeds.
SIGMAS = 6.0
# The impulse response of a first-order sensor is 0.69 time constants wide at half height; the fastest sensor has
# 20 ms (abstract of a fast wide-range device, design references section 7), so nothing narrower is exhaust gas.
NARROWEST_S = 0.01


@kernel
def _upper_quartile(
    w: NDArray[np.float64], first: int, stop: int, stride: int, window: NDArray[np.float64]
) -> float:  # pragma: no cover - compiled
    """Upper quartile of every `stride`-th sample between first and stop."""
    size = 0
    for k in range(first, stop, stride):
        window[size] = w[k]
        size += 1
    return ranked(window[:size], min((3 * size) // 4, size - 1))


@kernel
def _departures(
    w: NDArray[np.float64], first: int, stop: int, reach: int, out: NDArray[np.float64]
) -> None:  # pragma: no cover - compiled
    """Fall of each sample below the upper quartile of the samples within `reach` of it.

    The quartile is taken at eight places per `reach` and from as many samples, with straight lines between.
    """
    stride = max(1, reach // 8)
    window = np.empty(2 * reach // stride + 2)
    after = _upper_quartile(w, first, min(first + reach + 1, stop), stride, window)
    before = after
    for i in range(first, stop):
        step = (i - first) % stride
        if step == 0:
            middle = min(i + stride, stop - 1)
            before = after
            after = _upper_quartile(w, max(middle - reach, first), min(middle + reach + 1, stop), stride, window)
        out[i - first] = before + (after - before) * step / stride - w[i]


@kernel
def _bridge(x: NDArray[np.float64], first: int, stop: int, out: NDArray[np.float64]) -> None:  # pragma: no cover
    last = np.nan
    for i in range(first, stop):
        if not np.isnan(x[i]):
            if np.isnan(last):
                for j in range(first, i):
                    out[j] = x[i]
            last = x[i]
        out[i] = last


@kernel
def _needle_rows(
    x: NDArray[np.float64],
    h: float,
    half: int,
    idle_stop: NDArray[np.int64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    noise: NDArray[np.float64],
    least: float,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Count needles of every row between first and stop."""
    blocks = x.shape[1]
    reach = max(2, int(0.5 * AROUND_S / h))
    w, s, d, heights = np.empty(blocks), np.empty(blocks), np.empty(blocks), np.empty(blocks)
    sizes, times = np.empty(256), np.empty(256)
    for row in range(x.shape[0]):
        a, b = first[row], stop[row]
        if a < 0 or b - a < 2 * reach or np.isnan(x[row, a:b]).all():
            continue
        sigma = noise[row] / np.sqrt(2.0 * half + 1.0)
        until = idle_stop[row]
        begin = max(0, until - 4 * reach)
        if until - begin >= 2 * reach and not np.isnan(x[row, begin:until]).any():
            smooth(x[row], begin, until, half, s)
            _departures(s, begin, until, reach, d)
            m = until - begin
            heights[:m] = d[:m]
            sigma = max(sigma, normal_scatter(heights[:m]))
        _bridge(x[row], a, b, w)
        smooth(w, a, b, half, s)
        _departures(s, a, b, reach, d)
        threshold = max(SIGMAS * sigma, least)
        lean, quick, doubt = 0, 0, 0.0
        i, n = 0, b - a
        while i < n:
            if d[i] - NORMAL_QUARTILE * sigma <= threshold:
                i += 1
                continue
            start, top = i, i
            while i < n and d[i] - NORMAL_QUARTILE * sigma > 0.5 * threshold:
                if d[i] > d[top]:
                    top = i
                i += 1
            if start == 0 or i == n:
                continue
            height = d[top] - NORMAL_QUARTILE * sigma
            left, right = top, top
            while left > 0 and d[left - 1] > 0.5 * d[top]:
                left -= 1
            while right < n - 1 and d[right + 1] > 0.5 * d[top]:
                right += 1
            if (right - left + 1) * h < NARROWEST_S and h * (2 * half + 1) < NARROWEST_S:
                quick += 1
            elif lean < sizes.size:
                sizes[lean], times[lean] = height, (a + top) * h
                chance = 0.5 * math.erfc((threshold - height) / (1.4142135623730951 * max(sigma, 1e-12)))
                doubt += chance * (1.0 - chance)
                lean += 1
        out[row, COUNT], out[row, QUICK] = lean, quick
        out[row, COUNT_U] = np.sqrt(doubt + 1.0 / 12.0)
        if lean > 0:
            out[row, SIZE] = np.median(sizes[:lean])
            scatter = np.std(sizes[:lean]) if lean > 2 else 0.0
            out[row, SIZE_U] = MEDIAN_U * np.sqrt((sigma * sigma + scatter * scatter) / lean)
            middle = np.median(times[:lean])
            out[row, MIDDLE] = middle
            # a needle is as long as what made it and the sensor's lag together: its top is known to the smoothing at best
            out[row, MIDDLE_U] = np.hypot((2 * half + 1) * h, MEDIAN_U * np.std(times[:lean]) / np.sqrt(lean))
        if lean >= LEAST_FOR_A_BEAT:
            gaps = np.diff(times[:lean])
            spread = np.std(gaps) * np.sqrt(gaps.size / (gaps.size - 1.0)) / np.mean(gaps)
            out[row, IRREGULARITY] = spread
            timing = 2.0 * (2 * half + 1) * h / np.mean(gaps)
            out[row, IRREGULARITY_U] = np.hypot(spread * np.sqrt((0.5 + spread * spread) / gaps.size), timing)


def count_needles(
    x: NDArray[np.float64],
    *,
    interval_s: float,
    idle_stop: NDArray[np.int64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    noise: NDArray[np.float64],
    least: float,
) -> NDArray[np.float64]:
    """Lean needles between first and stop of every row.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness, electrical needles of single samples already out. [unit of richness]
    interval_s : float
        Interval of the blocks. [s]
    idle_stop : ndarray of shape (captures,), int
        End of the steady idle, whose noise is the reference; 0 none.
    first, stop : ndarray of shape (captures,), int
        Settled part of the hold.
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    least : float
        Smallest needle that counts. [unit of richness]

    Returns
    -------
    ndarray of shape (captures, NEEDLE_COLUMNS)
        NaN where the window is shorter than a quarter of a second, for the middle where there is no needle and for
        the irregularity where there are fewer than four. [1, unit, 1, 1, unit, s, 1, s, 1]

    Notes
    -----
    A needle begins where richness falls below the upper quartile of the quarter second around it by six standard
    deviations of the noise, and ends at half that. The noise is that of the idle just before, seen the same way.
    Irregularity is the standard deviation of the gaps over their mean: 0 of a beat, about 1 where each needle comes by
    chance (exponential gaps); its uncertainty is that of a coefficient of variation, c sqrt((1/2 + c²) / n).

    References
    ----------
    A. T. McKay, J. R. Statist. Soc. 95, 1932, 695-698, for the variance of a coefficient of variation, to first order
    (from memory).
    """
    half = max(0, int(0.0025 / interval_s + 1e-6))
    out = np.full((x.shape[0], NEEDLE_COLUMNS), np.nan)
    _needle_rows(x, interval_s, half, idle_stop, first, stop, noise, least, out)
    return out
