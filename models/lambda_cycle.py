"""Once-per-cycle ripple of lambda at idle: a weak cylinder breathes once in two turns of the crank."""

import numpy as np
from numpy.typing import NDArray

from models.kernel import kernel
from models.lambda_fit import coloured

# Columns of a ripple: amplitude and standard uncertainty, probability that noise alone does as much, speed used.
AMPLITUDE, AMPLITUDE_U, CHANCE, SPEED = range(4)
CYCLE_COLUMNS = 4

# Idle speeds looked through where the speed is not known. [1/min]
SLOWEST_RPM, FASTEST_RPM, RPM_STEP = 600.0, 1100.0, 20.0
# A ripple found by searching counts from this probability of noise doing as much, over all speeds searched.
SEARCH_CHANCE = 0.01
GRAIN_S = 0.01
# Idle speed wanders by a per cent or two, so phases are only trusted over about this many cycles.
CYCLES_TOGETHER = 5.0
# Frequencies beside the one asked for, at which only noise and the closed loop's own switching are expected.
_BESIDE = (0.7, 1.4)


@kernel
def _power(
    y: NDArray[np.float64], g: float, frequency: float, keep: NDArray[np.float64]
) -> tuple[float, float, int]:  # pragma: no cover - compiled
    """Mean squared amplitude at a frequency over pieces, variance one quadrature has from noise, and pieces.

    A moving mean over one cycle is taken off first: it has no response at the frequency itself, and takes the
    level, drift and most of the slow switching with it. `keep` receives what is left without the ripple.
    """
    n = y.size
    half = int(0.5 / (frequency * g) + 0.5)
    inner = n - 2 * half
    if inner * g * frequency < 1.5:
        return np.nan, np.nan, 0
    # a mean over 2 half + 1 samples, its ends weighted so that it spans exactly one cycle
    weight = 0.5 * (1.0 / (frequency * g) - (2 * half - 1))
    width = 2 * half - 1 + 2.0 * weight
    total = 0.0
    for i in range(1, 2 * half):
        total += y[i]
    for i in range(half, n - half):
        keep[i - half] = y[i] - (total + weight * (y[i - half] + y[i + half])) / width
        if i + half < n:
            total += y[i + half] - y[i - half + 1]
    pieces = max(1, int(inner * g * frequency / CYCLES_TOGETHER + 0.5))
    length = inner // pieces
    power = 0.0
    for p in range(pieces):
        a = p * length
        cc, ss, cs, yc, ys = 0.0, 0.0, 0.0, 0.0, 0.0
        turn = 2.0 * np.pi * frequency * g
        for i in range(length):
            c, s = np.cos(turn * i), np.sin(turn * i)
            cc += c * c
            ss += s * s
            cs += c * s
            yc += keep[a + i] * c
            ys += keep[a + i] * s
        bottom = cc * ss - cs * cs
        real, imaginary = (yc * ss - ys * cs) / bottom, (ys * cc - yc * cs) / bottom
        power += real * real + imaginary * imaginary
        for i in range(length):
            keep[a + i] -= real * np.cos(turn * i) + imaginary * np.sin(turn * i)
    used = pieces * length
    white, colour, r = coloured(keep[:used], used, max(used - 2 * pieces, 1), 0, g)
    density = white + colour * (1.0 - r * r) / (1.0 - 2.0 * r * np.cos(2.0 * np.pi * frequency * g) + r * r)
    return power / pieces, 2.0 * density / length, pieces


@kernel
def _at_speed(
    y: NDArray[np.float64], g: float, rpm: float, keep: NDArray[np.float64], out: NDArray[np.float64]
) -> None:  # pragma: no cover - compiled
    """Amplitude at one speed with its chance."""
    frequency = rpm / 120.0
    power, quadrature, pieces = _power(y, g, frequency, keep)
    if pieces == 0:
        return
    for part in _BESIDE:
        beside, _, count = _power(y, g, part * frequency, keep)
        if count > 0:
            # half of the mean square amplitude beside is the variance of a quadrature, if nothing is there
            quadrature = max(quadrature, 0.25 * beside) if count < 2 else max(quadrature, 0.5 * beside)
    square = power - 2.0 * quadrature
    square_u = np.sqrt((4.0 * max(square, 0.0) * quadrature + 4.0 * quadrature**2) / pieces)
    amplitude = np.sqrt(max(square, 0.0))
    # a mean over blocks of the grain takes this part of the amplitude
    gain = np.sin(np.pi * frequency * g) / (np.pi * frequency * g)
    out[AMPLITUDE] = amplitude / gain
    wide = amplitude + np.sqrt(max(square, 0.0) + square_u)
    out[AMPLITUDE_U] = square_u / max(wide, 1e-150) / gain
    # the mean of n exponential powers exceeds z by chance with the tail of a gamma distribution
    z = pieces * power / max(2.0 * quadrature, 1e-300)
    term, tail = 1.0, 1.0
    for j in range(1, pieces):
        term *= z / j
        tail += term
    out[CHANCE] = tail * np.exp(-min(z, 700.0)) if z < 600.0 else 0.0
    out[SPEED] = rpm


@kernel
def _cycle_rows(
    x: NDArray[np.float64],
    h: float,
    per: int,
    stop: NDArray[np.int64],
    rpm: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Ripple of every row before `stop`."""
    most = x.shape[1] // per + 1
    y, keep = np.empty(most), np.empty(most)
    found, best = np.empty(CYCLE_COLUMNS), np.empty(CYCLE_COLUMNS)
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
        g = h * per
        if not np.isnan(rpm[row]) and rpm[row] > 0.0:
            _at_speed(y[:n], g, rpm[row], keep, out[row])
            continue
        tried = 0
        best[CHANCE] = 2.0
        speed = SLOWEST_RPM
        while speed <= FASTEST_RPM:
            found[:] = np.nan
            _at_speed(y[:n], g, speed, keep, found)
            if found[CHANCE] < best[CHANCE]:
                best[:] = found
            tried += 1
            speed += RPM_STEP
        if best[CHANCE] > 1.0:
            continue
        # independent speeds in the band: twice the resolution of the pieces, and never more than were tried
        resolution = 120.0 / min(n * g, CYCLES_TOGETHER * 120.0 / best[SPEED])
        independent = min(max(2.0 * (FASTEST_RPM - SLOWEST_RPM) / resolution, 1.0), float(tried))
        out[row] = best
        out[row, CHANCE] = min(1.0, best[CHANCE] * independent)


def cycle_ripple(
    x: NDArray[np.float64], stop: NDArray[np.int64], idle_speed_rpm: NDArray[np.float64], *, interval_s: float
) -> NDArray[np.float64]:
    """Ripple once per engine cycle before the opening.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    stop : ndarray of shape (captures,), int
        Block after the idle.
    idle_speed_rpm : ndarray of shape (captures,)
        Engine speed; NaN: the band of plausible idle speeds is searched. [1/min]
    interval_s : float
        Interval of the blocks. [s]

    Returns
    -------
    ndarray of shape (captures, CYCLE_COLUMNS)
        Amplitude, standard uncertainty, probability that noise alone does as much (over all speeds searched), speed.
        [unit of richness, unit of richness, 1, 1/min]

    Notes
    -----
    Amplitudes of pieces of about five cycles are averaged as powers, less what noise puts there: the larger of the
    residual's own density and of what stands at 0.7 and 1.4 times the frequency.
    """
    out = np.full((x.shape[0], CYCLE_COLUMNS), np.nan)
    _cycle_rows(x, interval_s, max(1, int(GRAIN_S / interval_s + 1e-6)), stop, idle_speed_rpm, out)
    return out
