"""Lean dips of the lambda trace while the throttle is open, separated from electrical spikes.

The published quantities call them lean needles.
"""

import math
from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.statistics.order_statistics import NORMAL_QUARTILE, normal_scatter, ranked
from models.statistics.records import Record, columns_of, empty_table
from models.statistics.smoothing import moving_mean

# Standard deviation of a median of normal values over that of their mean.
MEDIAN_U = 1.2533
# Fewest dips whose gaps give an irregularity.
FEWEST_FOR_IRREGULARITY = 4
# Most dips in one hold; later ones are ignored.
MOST_DIPS = 256

# A dip is measured from the upper quartile of the richness within this time of it. [s]
AROUND_S = 0.25
# Smallest depth of a dip, in standard deviations of the noise. [1]
SIGMAS = 6.0
# The impulse response of a first-order sensor is 0.69 time constants wide at half height; the fastest sensor has 20 ms
# ("Fast response air-to-fuel ratio measurements using a novel device based on a wide band lambda sensor", Measurement
# Science and Technology 2008: abstract read, journal from memory), so nothing narrower comes from exhaust gas. [s]
NARROWEST_S = 0.01
# A dip comes back: beside it the trace rises on both sides, within AROUND_S, by at least this part of its depth. A
# shoulder, where the level only changes, does not. Common practice, no source (2026-11-29). [1]
RETURNS = 0.5
# Nor is a needle wider at half depth: a missed firing or a bubble of 30 ms, drawn out by mixing and a sensor four times
# as slow as a good one, is 0.12 s wide. Common practice, no source (2026-11-29). [s]
WIDEST_S = 0.15


class LeanDips(NamedTuple):
    """The lean dips of a hold.

    Attributes
    ----------
    number, number_u : ndarray of shape (captures,)
        Their number and its standard uncertainty. [1]
    electrical : ndarray of shape (captures,)
        Electrical spikes, too fast for the sensor; not counted as dips. [1]
    depth, depth_u : ndarray of shape (captures,)
        Median fall of richness and its standard uncertainty. [unit of richness]
    middle, middle_u : ndarray of shape (captures,)
        Top of the middle dip, from the row's first block, and its standard uncertainty. [s]
    irregularity, irregularity_u : ndarray of shape (captures,)
        Standard deviation of the gaps over their mean, and its standard uncertainty. [1]
    """

    number: Floats
    number_u: Floats
    electrical: Floats
    depth: Floats
    depth_u: Floats
    middle: Floats
    middle_u: Floats
    irregularity: Floats
    irregularity_u: Floats


@kernel
def _upper_quartile(
    w: Floats, first: int, stop: int, stride: int, window: Floats
) -> float:  # pragma: no cover - compiled
    """Upper quartile of every `stride`-th sample between first and stop."""
    size = 0
    for k in range(first, stop, stride):
        window[size] = w[k]
        size += 1
    return ranked(window[:size], min((3 * size) // 4, size - 1))


@kernel
def _departures(w: Floats, first: int, stop: int, reach: int, out: Floats) -> None:  # pragma: no cover - compiled
    """Fall of each sample below the upper quartile of the samples within `reach` of it.

    The quartile is taken at eight places per `reach`, from as many samples, and interpolated linearly between.
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
def _bridge(x: Floats, first: int, stop: int, out: Floats) -> None:  # pragma: no cover
    last = np.nan
    for i in range(first, stop):
        if not np.isnan(x[i]):
            if np.isnan(last):
                for j in range(first, i):
                    out[j] = x[i]
            last = x[i]
        out[i] = last


@kernel
def _idle_scatter(
    x: Floats,
    until: int,
    half: int,
    reach: int,
    s: Floats,
    d: Floats,
) -> float:  # pragma: no cover - compiled
    """Scatter of the idle that ends at block `until`, measured like a dip; 0 where it is too short or has gaps."""
    begin = max(0, until - 4 * reach)
    if until - begin < 2 * reach or np.isnan(x[begin:until]).any():
        return 0.0
    moving_mean(x, begin, until, half, s)
    _departures(s, begin, until, reach, d)
    return normal_scatter(d[: until - begin].copy())


@kernel
def _next_dip(
    d: Floats, i: int, n: int, floor: float, threshold: float
) -> tuple[int, int, int, int]:  # pragma: no cover - compiled
    """First dip from block i on: deepest block, width at half depth, whether it is complete, and the block after it.

    A dip begins where the departure less `floor` exceeds the threshold and ends at half that. -1 where there is none.
    """
    while i < n and d[i] - floor <= threshold:
        i += 1
    if i == n:
        return -1, 0, 0, n
    start, top = i, i
    while i < n and d[i] - floor > 0.5 * threshold:
        if d[i] > d[top]:
            top = i
        i += 1
    left, right = top, top
    while left > 0 and d[left - 1] > 0.5 * d[top]:
        left -= 1
    while right < n - 1 and d[right + 1] > 0.5 * d[top]:
        right += 1
    return top, right - left + 1, int(start > 0 and i < n), i


@kernel
def _comes_back(s: Floats, a: int, b: int, place: int, reach: int) -> float:  # pragma: no cover - compiled
    """How far the trace rises on both sides of a block, within `reach` of it and between a and b."""
    left, right = s[place], s[place]
    for i in range(max(a, place - reach), place):
        left = max(left, s[i])
    for i in range(place + 1, min(b, place + reach + 1)):
        right = max(right, s[i])
    back: float = min(left, right) - s[place]
    return back


@kernel
def _summarise(
    depths: Floats, times: Floats, sigma: float, smoothed_s: float, out: Record
) -> None:  # pragma: no cover - compiled
    """Median depth, middle and irregularity of the dips of one row."""
    lean = depths.size
    if lean > 0:
        out.depth = np.median(depths)
        scatter = np.std(depths) if lean > 2 else 0.0
        out.depth_u = MEDIAN_U * np.sqrt((sigma * sigma + scatter * scatter) / lean)
        out.middle = np.median(times)
        # the sensor's lag widens a dip, so its top is known to within the smoothing at best
        out.middle_u = np.hypot(smoothed_s, MEDIAN_U * np.std(times) / np.sqrt(lean))
    if lean >= FEWEST_FOR_IRREGULARITY:
        gaps = np.diff(times)
        spread = np.std(gaps) * np.sqrt(gaps.size / (gaps.size - 1.0)) / np.mean(gaps)
        timing = 2.0 * smoothed_s / np.mean(gaps)
        out.irregularity = spread
        out.irregularity_u = np.hypot(spread * np.sqrt((0.5 + spread * spread) / gaps.size), timing)


@kernel
def _dip_rows(
    x: Floats,
    h: float,
    half: int,
    idle_stop: Codes,
    first: Codes,
    stop: Codes,
    noise: Floats,
    least: float,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Count the dips of every row between first and stop."""
    blocks, reach = x.shape[1], max(2, int(0.5 * AROUND_S / h))
    w, s, d = np.empty(blocks), np.empty(blocks), np.empty(blocks)
    depths, times = np.empty(MOST_DIPS), np.empty(MOST_DIPS)
    for row in range(x.shape[0]):
        a, b = first[row], stop[row]
        if a < 0 or b - a < 2 * reach or np.isnan(x[row, a:b]).all():
            continue
        sigma = max(noise[row] / np.sqrt(2.0 * half + 1.0), _idle_scatter(x[row], idle_stop[row], half, reach, s, d))
        _bridge(x[row], a, b, w)
        moving_mean(w, a, b, half, s)
        _departures(s, a, b, reach, d)
        floor, threshold = NORMAL_QUARTILE * sigma, max(SIGMAS * sigma, least)
        lean, electrical, variance, i = 0, 0, 0.0, 0
        while i < b - a:
            top, width, whole, i = _next_dip(d, i, b - a, floor, threshold)
            if not whole:
                continue
            depth = d[top] - floor
            if width * h > WIDEST_S or _comes_back(s, a, b, a + top, reach) < RETURNS * depth:
                continue
            if width * h < NARROWEST_S and h * (2 * half + 1) < NARROWEST_S:
                electrical += 1
            elif lean < MOST_DIPS:
                depths[lean], times[lean] = depth, (a + top) * h
                detected = 0.5 * math.erfc((threshold - depth) / (1.4142135623730951 * max(sigma, 1e-12)))
                variance += detected * (1.0 - detected)
                lean += 1
        out[row].number, out[row].electrical = lean, electrical
        out[row].number_u = np.sqrt(variance + 1.0 / 12.0)
        _summarise(depths[:lean], times[:lean], sigma, (2 * half + 1) * h, out[row])


def count_lean_dips(
    x: Floats,
    *,
    interval_s: float,
    idle_stop: Codes,
    first: Codes,
    stop: Codes,
    noise: Floats,
    least: float,
) -> LeanDips:
    """Lean dips between first and stop of every row.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness, without electrical spikes of single samples. [unit of richness]
    interval_s : float
        Interval of the blocks. [s]
    idle_stop : ndarray of shape (captures,), int
        End of the steady idle, whose noise is the reference; 0 for none. [blocks]
    first, stop : ndarray of shape (captures,), int
        Settled part of the hold. [blocks]
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    least : float
        Smallest dip that counts. [unit of richness]

    Returns
    -------
    LeanDips
        NaN where the window is shorter than a quarter of a second, for the middle where there is no
        dip and for the irregularity where there are fewer than four.

    Notes
    -----
    A dip begins where richness falls below the upper quartile of the quarter second around it by six standard
    deviations of the noise, and ends at half that. It is no wider than a needle can be, and the trace rises on both
    sides of it. The noise is that of the idle just before, measured the same way.
    Irregularity is the standard deviation of the gaps over their mean: 0 for regular dips, about 1 for random ones
    (exponential gaps). Its uncertainty is that of a coefficient of variation, c sqrt((1/2 + c²) / n).

    References
    ----------
    A. T. McKay, J. R. Statist. Soc. 95, 1932, 695-698, DOI 10.2307/2342041, for the variance of a coefficient of
    variation, to first order (from memory).
    """
    half = max(0, int(0.0025 / interval_s + 1e-6))
    out = empty_table(LeanDips, x.shape[0])
    _dip_rows(x, interval_s, half, idle_stop, first, stop, noise, least, out)
    return columns_of(LeanDips, out)
