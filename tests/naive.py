"""Slow, obvious twins of the compiled kernels: what they must agree with, sample for sample."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def smooth(x: Floats, half: int) -> Floats:
    """Two running means whose window shrinks at both ends."""
    for _ in range(2):
        out = np.empty(x.size)
        for i in range(x.size):
            reach = min(half, i, x.size - 1 - i)
            out[i] = np.mean(x[i - reach : i + reach + 1])
        x = out
    return x


def parabola_at(x: Floats, first: int, stop: int, at: float) -> tuple[float, float]:
    """Value of the least-squares parabola, and the standard deviation white noise of 1 gives it."""
    k = np.arange(first, stop, dtype=float)
    design = np.stack((np.ones(k.size), k - first, (k - first) ** 2), axis=1)
    weights = np.array([1.0, at - first, (at - first) ** 2]) @ np.linalg.pinv(design)
    return float(weights @ x[first:stop]), float(np.linalg.norm(weights))


def tapered_parabola_at(x: Floats, first: int, stop: int, at: float) -> tuple[float, float]:
    """The same under cosine weights."""
    k = np.arange(first, stop, dtype=float)
    weight = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(k.size) + 0.5) / k.size)
    design = np.stack((np.ones(k.size), k - first, (k - first) ** 2), axis=1)
    solve = np.linalg.inv(design.T @ (weight[:, None] * design)) @ (design.T * weight)
    weights = np.array([1.0, at - first, (at - first) ** 2]) @ solve
    return float(weights @ x[first:stop]), float(np.linalg.norm(weights))


def to_flow(raw: Floats, table: Floats, flow: Floats) -> Floats:
    """Straight lines between the points of the table, held at its ends."""
    return np.interp(raw, table, flow)


def bridge(x: Floats, keep: NDArray[np.bool_]) -> Floats:
    """Straight lines across what is not kept, the nearest kept value at the ends."""
    places = np.arange(x.size)
    return np.interp(places, places[keep], x[keep])


def resample(time: Floats, values: Floats, interval: float) -> Floats:
    """Linear interpolation onto the uniform grid, NaN inside steps longer than 2.5 intervals."""
    grid = time[0] + interval * np.arange(int((time[-1] - time[0]) / interval + 1e-6) + 1)
    out = np.interp(grid, time, values)
    for k, moment in enumerate(grid):
        left = np.searchsorted(time, moment, side="right") - 1
        if left + 1 < time.size and time[left] < moment and time[left + 1] - time[left] > 2.5 * interval:
            out[k] = np.nan
    return out


def spectrum_line(x: Floats, interval: float, low: float, high: float) -> float:
    """Frequency at which the windowed, detrended stretch has most power, on a fine grid."""
    n = x.size
    k = np.arange(n)
    x = x - np.polyval(np.polyfit(k, x, 1), k)
    x = x * (0.5 - 0.5 * np.cos(2 * np.pi * (k + 0.5) / n))
    grid = np.linspace(low, high, 4000)
    power = np.abs(np.exp(-2j * np.pi * grid[:, None] * k * interval) @ x) ** 2
    return float(grid[int(np.argmax(power))])


def mains_line(x: Floats, first: int, stop: int, turn: float) -> tuple[complex, float]:
    """Complex amplitude of a line of `turn` radians per sample, phase from sample 0, and the noise of its parts."""
    n = stop - first
    k = np.arange(n)
    value = x[first:stop] - np.polyval(np.polyfit(k, x[first:stop], 1), k)
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * (k + 0.5) / n)

    def amplitude(bins: float) -> complex:
        phase = (turn + 2 * np.pi * bins / n) * (first + k)
        return complex(2.0 * np.sum(taper * value * np.exp(1j * phase)) / taper.sum())

    beside = [abs(amplitude(bins)) for bins in (-6.5, -4.5, 4.5, 6.5)]
    return amplitude(0.0), float(np.sqrt(0.5 * np.mean(np.square(beside))))


def mains_hum(x: Floats, idle: tuple[int, int], hold: tuple[int, int], height: float, interval: float) -> complex:
    """The taller of 50 and 60 Hz that stands clear at idle and is alike at full throttle; 0 for none."""
    shortest = int(0.25 / interval)
    later = min(hold[0], hold[1] - shortest)
    if idle[1] - idle[0] < shortest or later < idle[1]:
        return 0j
    found = [0j]
    for mains in (50.0, 60.0):
        turn = 2 * np.pi * mains * interval
        if turn >= 0.8 * np.pi:
            continue
        line, noise = mains_line(x, *idle, turn)
        again, noise_again = mains_line(x, later, hold[1], turn)
        clear = abs(line) >= 5.0 * noise and abs(line) >= 0.0003 * height
        alike = abs(line - again) <= 0.5 * abs(line) + 2.0 * noise_again and abs(again) >= 2.0 * noise_again
        if clear and alike:
            found.append(line)
    return max(found, key=abs)
