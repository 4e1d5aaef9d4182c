"""Mains hum on the air-mass trace: a line at 50 or 60 Hz whose amplitude and phase do not depend on the engine."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.statistics.arrays import Flags, Floats
from models.statistics.compiled import kernel
from models.statistics.window_levels import cosine_window, product_sum

MAINS_HZ = (50.0, 60.0)
# Smallest hum: in multiples of the scatter of its amplitude, and as a part of the snap's height. [1]
CLEAR, PART = 5.0, 0.0003
# Largest difference between idle and hold, as a part of the hum; firing ripple at that frequency moves away. [1]
ALIKE = 0.5
# Shortest length of each of the two stretches; the line is then at most 8 Hz wide. [s]
SHORTEST_S = 0.25


class MainsHum(NamedTuple):
    """Mains hum of every snap.

    Attributes
    ----------
    frequency_hz : ndarray of shape (snaps,)
        50 or 60; 0 for no hum. [Hz]
    cosine, sine : ndarray of shape (snaps,)
        Its parts, phase from sample 0. [V]
    """

    frequency_hz: Floats
    cosine: Floats
    sine: Floats

    @property
    def found(self) -> Flags:
        """Whether there is hum."""
        return self.frequency_hz > 0.0


def no_hum(snaps: int) -> MainsHum:
    """The result for traces that pick up no hum.

    Parameters
    ----------
    snaps : int
        Number of snaps.

    Returns
    -------
    MainsHum
    """
    return MainsHum(np.zeros(snaps), np.zeros(snaps), np.zeros(snaps))


@kernel
def _tapered(
    x: NDArray[np.float32], first: int, stop: int, value: NDArray[np.float64]
) -> float:  # pragma: no cover - compiled
    """Write a stretch detrended and tapered; return half the sum of the taper."""
    n = stop - first
    centre = 0.5 * (n - 1)
    level, slope = 0.0, 0.0
    for k in range(n):
        level += x[first + k]
        slope += (k - centre) * x[first + k]
    level, slope = level / n, 12.0 * slope / (n * (float(n) * n - 1.0))
    taper = cosine_window(n)
    for k in range(n):
        value[k] = taper[k] * (x[first + k] - level - slope * (k - centre))
    return float(0.5 * taper.sum())


@kernel
def _line(
    value: NDArray[np.float64], first: int, half: float, turn: float, waves: NDArray[np.float64], least: float
) -> tuple[float, float, float]:  # pragma: no cover - compiled
    """Cosine and sine part of a line of `turn` radians per sample, phase from sample 0, and the noise of either.

    `waves` holds the cosine and the sine of that line from sample 0. The noise is that at four frequencies beside the
    line, infinite for a line smaller than `least`.
    """
    n = value.size
    c = product_sum(value, waves[0, first : first + n]) / half
    s = product_sum(value, waves[1, first : first + n]) / half
    if np.hypot(c, s) < least:
        return c, s, np.inf
    beside = 0.0
    for place in range(4):
        # beside the line by 4.5 and 6.5 bins of the stretch, outside the taper's main lobe
        off = (-6.5, -4.5, 4.5, 6.5)[place] * 2.0 * np.pi / n
        w = turn + off
        a, b = 0.0, 0.0
        now_c, now_s = 1.0, 0.0
        step_c, step_s = np.cos(w), np.sin(w)
        for k in range(n):
            a += value[k] * now_c
            b += value[k] * now_s
            now_c, now_s = now_c * step_c - now_s * step_s, now_s * step_c + now_c * step_s
        beside += (a * a + b * b) / (half * half)
    return c, s, np.sqrt(beside / 8.0)


@kernel
def _search(
    signal: NDArray[np.float32],
    rows: NDArray[np.int64],
    stretches: NDArray[np.int64],
    turns: NDArray[np.float64],
    least: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Cosine and sine part of the hum of every snap at each of `turns` radians per sample; left alone for none."""
    samples = signal.shape[1]
    waves = np.empty((turns.size, 2, samples))
    for number in range(turns.size):
        for k in range(samples):
            waves[number, 0, k], waves[number, 1, k] = np.cos(turns[number] * k), np.sin(turns[number] * k)
    value, again = np.empty(samples), np.empty(samples)
    for s in range(rows.size):
        first, stop, later, end = stretches[s]
        if stop <= first or end <= later:
            continue
        x = signal[rows[s]]
        half, half_later = _tapered(x, first, stop, value), 0.0
        for number in range(turns.size):
            turn, wave = turns[number], waves[number]
            a, b, noise = _line(value[: stop - first], first, half, turn, wave, least[s])
            size = np.hypot(a, b)
            if size < CLEAR * noise:
                continue
            if half_later == 0.0:
                half_later = _tapered(x, later, end, again)
            c, d, noise_later = _line(again[: end - later], later, half_later, turn, wave, 0.0)
            if np.hypot(a - c, b - d) > ALIKE * size + 2.0 * noise_later or np.hypot(c, d) < 2.0 * noise_later:
                continue
            out[number, s, 0], out[number, s, 1] = a, b


def find_hum(
    signal: NDArray[np.float32],
    rows: NDArray[np.int64],
    idle: tuple[Floats, Floats],
    hold: tuple[Floats, Floats],
    height: Floats,
    *,
    interval_s: float,
) -> MainsHum:
    """Mains hum of every snap: its frequency and its cosine and sine part.

    Parameters
    ----------
    signal : ndarray of shape (captures, samples), float32
        Conditioned air-mass traces. [V]
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    idle, hold : tuple of two ndarrays of shape (snaps,)
        First and last sample of the steady idle and of the main peak; NaN where there is none. [samples]
    height : ndarray of shape (snaps,)
        Main peak over idle. [V]
    interval_s : float
        Sampling interval. [s]

    Returns
    -------
    MainsHum

    Notes
    -----
    Hum adds the same voltage, in the same phase, at idle and at full throttle; the frequency of firing ripple follows
    the speed. The line must stand clear of its neighbours at idle and be alike in amplitude and phase at the main peak.
    """
    out = np.zeros((len(MAINS_HZ), rows.size, 2))
    shortest = int(SHORTEST_S / interval_s)
    bounds = np.stack([np.nan_to_num(each) for each in (*idle, *hold)], axis=1).astype(np.int64)
    # the main peak's stretch may be short: include the time before it, where the flow has only firing ripple
    bounds[:, 2] = np.minimum(bounds[:, 2], bounds[:, 3] - shortest)
    bounds[(bounds[:, 1] - bounds[:, 0] < shortest) | (bounds[:, 2] < bounds[:, 1])] = 0
    turns = 2.0 * np.pi * np.array(MAINS_HZ) * interval_s
    _search(signal, rows, bounds, turns[turns < 0.8 * np.pi], PART * np.abs(np.nan_to_num(height)), out)
    size = np.hypot(out[..., 0], out[..., 1])
    strongest = np.argmax(size, axis=0)
    at = np.arange(rows.size)
    frequency = np.where(size[strongest, at] > 0.0, np.array(MAINS_HZ)[strongest], 0.0)
    return MainsHum(frequency, out[strongest, at, 0], out[strongest, at, 1])


def without_hum(
    signal: NDArray[np.float32], frequency: float, cosine: float, sine: float, interval_s: float
) -> NDArray[np.float32]:
    """One trace without its hum.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        [V]
    frequency, cosine, sine : float
        As `find_hum` gives them. [Hz], [V], [V]
    interval_s : float
        Sampling interval. [s]

    Returns
    -------
    ndarray of shape (samples,), float32
        [V]
    """
    phase = 2.0 * np.pi * frequency * interval_s * np.arange(signal.size)
    hum = cosine * np.cos(phase) + sine * np.sin(phase)
    out: NDArray[np.float32] = signal - hum.astype(np.float32)
    return out
