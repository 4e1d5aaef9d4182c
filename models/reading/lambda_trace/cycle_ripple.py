"""Ripple of lambda at idle, once per engine cycle: a weak cylinder shows once in two revolutions."""

from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.statistics.records import Record, columns_of, empty_table, record_of
from models.statistics.student import student_factor

# Idle speeds searched where the speed is unknown. [1/min]
SLOWEST_RPM, FASTEST_RPM, RPM_STEP = 600.0, 1100.0, 25.0
# A ripple found by a search counts below this p-value, over all speeds searched. [1]
SEARCH_P_VALUE = 0.01
# Independent tests per frequency resolution in a search: the maximum of a periodogram over a continuous band is larger
# than over its independent frequencies (a judgement, conservative except for records under a second). [1]
SPEEDS_PER_RESOLUTION = 4.0
GRAIN_S = 0.01
# Idle speed varies by one or two per cent, so phases stay coherent over about this many cycles only. [1]
CYCLES_TOGETHER = 5.0
# The noise is read up to this many resolutions beside the cycle frequency, but not below this part of it. [1]
_BESIDE = 3
_LOWEST_PART = 0.5


class Ripple(NamedTuple):
    """Ripple once per engine cycle.

    Attributes
    ----------
    amplitude, amplitude_u : ndarray of shape (captures,)
        Amplitude and its standard uncertainty. [unit of richness]
    p_value : ndarray of shape (captures,)
        p-value under noise alone, over all speeds searched. [1]
    speed : ndarray of shape (captures,)
        Engine speed it was read at. [1/min]
    """

    amplitude: Floats
    amplitude_u: Floats
    p_value: Floats
    speed: Floats


_RIPPLE = record_of(Ripple)


@kernel
def _flatten(y: Floats, g: float, frequency: float, rest: Floats) -> int:  # pragma: no cover - compiled
    """Subtract a moving mean over one cycle, which removes level, drift and slow switching and keeps the ripple."""
    n = y.size
    half = int(0.5 / (frequency * g) + 0.5)
    if n - 2 * half < 8:
        return 0
    # a mean over 2 half + 1 samples, its ends weighted so that it spans exactly one cycle
    weight = 0.5 * (1.0 / (frequency * g) - (2 * half - 1))
    width = 2 * half - 1 + 2.0 * weight
    total = 0.0
    for i in range(1, 2 * half):
        total += y[i]
    for i in range(half, n - half):
        rest[i - half] = y[i] - (total + weight * (y[i - half] + y[i + half])) / width
        if i + half < n:
            total += y[i + half] - y[i - half + 1]
    return n - 2 * half


@kernel
def _power(rest: Floats, length: int, pieces: int, turn: float, gain: float) -> float:  # pragma: no cover - compiled
    """Mean squared amplitude over pieces at `turn` radians a sample, of a line the flattening multiplied by `gain`."""
    step_c, step_s = np.cos(turn), np.sin(turn)
    power = 0.0
    for p in range(pieces):
        cc, ss, cs, yc, ys = 0.0, 0.0, 0.0, 0.0, 0.0
        c, s = 1.0, 0.0
        for i in range(p * length, (p + 1) * length):
            cc += c * c
            ss += s * s
            cs += c * s
            yc += rest[i] * c
            ys += rest[i] * s
            c, s = c * step_c - s * step_s, s * step_c + c * step_s
        bottom = cc * ss - cs * cs
        real, imaginary = (yc * ss - ys * cs) / bottom, (ys * cc - yc * cs) / bottom
        power += real * real + imaginary * imaginary
    return power / pieces / (gain * gain)


@kernel
def _gain(part: float) -> float:  # pragma: no cover - compiled
    """Gain of the flattening for a line at `part` of its cycle frequency."""
    left: float = 1.0 - np.sin(np.pi * part) / (np.pi * part)
    return left


@kernel
def ratio_p_value(ratio: float, above: int, below: int) -> float:
    """Probability that the ratio of two means of exponential powers exceeds `ratio`.

    Parameters
    ----------
    ratio : float
        Ratio of the means. [1]
    above, below : int
        Independent powers in the mean above and in the mean below.

    Returns
    -------
    float
        Upper tail of the F distribution with 2 `above` and 2 `below` degrees of freedom, a finite sum. [1]
    """
    share = below / (below + above * ratio)
    term = share**below
    tail = 0.0
    for j in range(above):
        tail += term
        term *= (1.0 - share) * (below + j) / (j + 1.0)
    return min(tail, 1.0)


@kernel
def _at_speed(
    rest: Floats, inner: int, g: float, rpm: float, flat_rpm: float, out: Record
) -> float:  # pragma: no cover - compiled
    """Amplitude at one speed with its p-value; return the resolution of a piece in speed, 0 where there is no
    result."""
    frequency = rpm / 120.0
    if inner * g * frequency < 1.5 or frequency * g > 0.4:
        return 0.0
    pieces = max(1, int(inner * g * frequency / CYCLES_TOGETHER + 0.5))
    length = inner // pieces
    apart = 1.0 / (length * g)
    power = _power(rest, length, pieces, 2.0 * np.pi * frequency * g, _gain(rpm / flat_rpm))
    noise, beside = 0.0, 0
    for k in range(1, _BESIDE + 1):
        lower, upper = frequency - k * apart, frequency + k * apart
        if k > 1 and lower < _LOWEST_PART * frequency:
            break
        for near in (max(lower, _LOWEST_PART * frequency), upper):
            noise += _power(rest, length, pieces, 2.0 * np.pi * near * g, _gain(near * 120.0 / flat_rpm))
            beside += pieces
    noise = max(noise / (beside / pieces), 1e-300)
    square = power - noise
    # exponential powers, a ripple beating with the noise, and a noise level estimated from as few of them
    square_u = np.sqrt((2.0 * max(square, 0.0) * noise + noise**2) / pieces + noise**2 / beside)
    reach = 1.96 * square_u * student_factor(2.0 * beside)
    amplitude = np.sqrt(max(square, 0.0))
    below, above = np.sqrt(max(square - reach, 0.0)), np.sqrt(max(square, 0.0) + reach)
    # gain of the mean over blocks of GRAIN_S
    gain = np.sin(np.pi * frequency * g) / (np.pi * frequency * g)
    out.amplitude = amplitude / gain
    # the 95 % interval is that of the square; its wider side counts, so that it holds zero where there is no ripple
    out.amplitude_u = max(amplitude - below, above - amplitude) / 1.96 / gain
    out.p_value = ratio_p_value(power / noise, pieces, beside)
    out.speed = rpm
    return 120.0 * apart


@kernel
def _cycle_rows(
    x: Floats,
    h: float,
    per: int,
    stop: Codes,
    rpm: Floats,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Ripple of every row before `stop`."""
    most = x.shape[1] // per + 1
    y, rest = np.empty(most), np.empty(most)
    tried = np.empty(2, dtype=_RIPPLE)
    found, best = tried[0], tried[1]
    g = h * per
    for row in range(x.shape[0]):
        n = 0
        gap = False
        for j in range(stop[row] // per):
            total, used = 0.0, 0
            for i in range(j * per, (j + 1) * per):
                if not np.isnan(x[row, i]):
                    total += x[row, i]
                    used += 1
            gap = gap or used == 0
            y[n] = total / used if used > 0 else np.nan
            n += 1
        if gap or n < 16:
            continue
        if not np.isnan(rpm[row]) and rpm[row] > 0.0:
            inner = _flatten(y[:n], g, rpm[row] / 120.0, rest)
            _at_speed(rest, inner, g, rpm[row], rpm[row], out[row])
            continue
        best.p_value = 2.0
        middle = 0.5 * (SLOWEST_RPM + FASTEST_RPM)
        inner = _flatten(y[:n], g, middle / 120.0, rest)
        speed, searched = SLOWEST_RPM, 1.0
        while speed <= FASTEST_RPM:
            resolution = _at_speed(rest, inner, g, speed, middle, found)
            if resolution > 0.0:
                searched += SPEEDS_PER_RESOLUTION * RPM_STEP / resolution
                if found.p_value < best.p_value:
                    tried[1] = tried[0]
            speed += RPM_STEP
        if best.p_value > 1.0:
            continue
        out[row] = best
        out[row].p_value = 1.0 - (1.0 - best.p_value) ** searched


def cycle_ripple(x: Floats, stop: Codes, idle_speed_rpm: Floats, *, interval_s: float) -> Ripple:
    """Ripple once per engine cycle before the opening.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    stop : ndarray of shape (captures,), int
        Block after the idle.
    idle_speed_rpm : ndarray of shape (captures,)
        Engine speed; where it is NaN the plausible idle speeds are searched. [1/min]
    interval_s : float
        Interval of the blocks. [s]

    Returns
    -------
    Ripple

    Notes
    -----
    Amplitudes of pieces of about five cycles are averaged as powers, less the power of the noise, which is the mean of
    the powers one to three resolutions to either side. Under noise alone the ratio of both follows an F distribution; a
    search corrects its p-value for the number of speeds that can be resolved.

    References
    ----------
    Ratio of periodogram ordinates to their neighbours' mean, F distributed: any text on harmonic analysis of time
    series, such as M. B. Priestley, Spectral Analysis and Time Series, 1981, section 6.1.
    """
    out = empty_table(Ripple, x.shape[0])
    _cycle_rows(x, interval_s, max(1, int(GRAIN_S / interval_s + 1e-6)), stop, idle_speed_rpm, out)
    return columns_of(Ripple, out)
