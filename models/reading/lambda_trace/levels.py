"""Levels of the lambda trace: mean and slope over a window, and the tip-in blip; with coloured-noise uncertainty."""

from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.coloured_noise import coloured, mean_variance
from models.statistics.compiled import kernel
from models.statistics.records import Record, columns_of, empty_table
from models.statistics.smoothing import moving_mean
from models.statistics.student import student_factor


class Level(NamedTuple):
    """Level over a window.

    Attributes
    ----------
    level, level_u : ndarray of shape (captures,)
        Mean and its standard uncertainty. [unit]
    slope, slope_u : ndarray of shape (captures,)
        Slope of the line through the window and its standard uncertainty. [unit/s]
    scatter : ndarray of shape (captures,)
        Standard deviation about the line, or about the mean. [unit]
    used : ndarray of shape (captures,)
        Number of recorded blocks. [1]
    """

    level: Floats
    level_u: Floats
    slope: Floats
    slope_u: Floats
    scatter: Floats
    used: Floats


class Blip(NamedTuple):
    """The lean blip of the tip-in.

    Attributes
    ----------
    depth, depth_u : ndarray of shape (captures,)
        Fall of richness and its standard uncertainty. [unit of richness]
    length, length_u : ndarray of shape (captures,)
        Length at half depth and its standard uncertainty. [s]
    """

    depth: Floats
    depth_u: Floats
    length: Floats
    length_u: Floats


@kernel
def _level_rows(
    x: Floats,
    h: float,
    first: Codes,
    stop: Codes,
    drifts: bool,
    tail: Floats,
    out: Record,
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
        out[row].used = n
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
        out[row].level, out[row].slope = mean, slope / h
        out[row].scatter = np.sqrt(power / max(n - lost, 1.0))
        if n < 4:
            continue
        white, colour, r = coloured(rest, b - a, n, 2 if drifts else 1, h)
        variance = mean_variance(white, colour, r, float(n))
        independent = max((white + colour) / max(variance, 1e-300), 1.0)
        # half of the independent samples count, since the memory of the noise was estimated from them too
        variance *= student_factor(0.5 * (independent - lost)) ** 2
        out[row].level_u = np.sqrt(variance)
        out[row].slope_u = np.sqrt(variance * n / max(down, 1e-300)) / h


def levels(
    x: Floats,
    first: Codes,
    stop: Codes,
    *,
    interval_s: float,
    drifts: bool = False,
    tail: Floats | None = None,
) -> Level:
    """Mean and slope of every row over its own window.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Trace; NaN where nothing was recorded. [unit]
    first, stop : ndarray of shape (captures,), int
        Window, stop excluded; an empty one gives NaN. [blocks]
    interval_s : float
        Interval of the blocks. [s]
    drifts : bool
        Take the noise about a straight line instead of about the mean.
    tail : ndarray of shape (captures, 3), optional
        Exponential tail of a response that is still settling: its size at a time, that time, and the time constant. It
        is added back. [unit, s, s]

    Returns
    -------
    Level

    Notes
    -----
    The noise is split into white and first-order coloured noise by its own autocovariance, and the uncertainty of
    the mean follows.
    """
    out = empty_table(Level, x.shape[0])
    tails = np.zeros((x.shape[0], 3)) if tail is None else tail
    _level_rows(x, interval_s, first, stop, drifts, tails, out)
    return columns_of(Level, out)


@kernel
def _blip_rows(
    x: Floats,
    h: float,
    half: int,
    opening: Codes,
    until: Codes,
    base: Floats,
    noise: Floats,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Depth and length of the leanest excursion between opening and until, from `base`."""
    s = np.empty(x.shape[1])
    for row in range(x.shape[0]):
        a, b = opening[row], until[row]
        if a < 0 or b - a < 4 or np.isnan(base[row]):
            continue
        moving_mean(x[row], a, b, half, s)
        p = a
        for i in range(a, b):
            if s[i] < s[p] or np.isnan(s[p]):
                p = i
        depth = base[row] - s[p]
        sigma = noise[row] / np.sqrt(2.0 * half + 1.0)
        out[row].depth, out[row].depth_u = depth, sigma
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
        out[row].length = (end - start) * h
        # slopes over the width of the smoothing, which suppresses noise
        back, on = max(i - half - 1, a), min(j + half + 1, b - 1)
        fall = max((s[back] - s[min(i + half, p)]) / (min(i + half, p) - back), 1e-12)
        rise = max((s[on] - s[max(j - half, p)]) / (on - max(j - half, p)), 1e-12)
        # both crossings are interpolated between two blocks: an interval over the root of twelve each
        out[row].length_u = h * np.sqrt(sigma**2 * (1.0 / fall**2 + 1.0 / rise**2) + 1.0 / 6.0)


def tip_in_blip(
    x: Floats,
    opening: Codes,
    until: Codes,
    base: Floats,
    noise: Floats,
    *,
    interval_s: float,
    smooth_s: float = 0.0125,
) -> Blip:
    """Leanest excursion between the opening and the response to rich.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    opening, until : ndarray of shape (captures,), int
        Window; an opening of -1 gives NaN. [blocks]
    base : ndarray of shape (captures,)
        Level it is measured from. [unit of richness]
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]
    interval_s, smooth_s : float
        Interval of the blocks; length of the moving mean the depth is defined on. [s]

    Returns
    -------
    Blip
    """
    out = empty_table(Blip, x.shape[0])
    _blip_rows(x, interval_s, max(0, int(0.5 * smooth_s / interval_s)), opening, until, base, noise, out)
    return columns_of(Blip, out)
