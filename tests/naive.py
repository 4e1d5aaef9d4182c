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


def sample_noise(x: Floats, first: int, stop: int, lag: int, low: float, high: float) -> float:
    """Root mean square of second differences over the quieter segments, without outliers and pinned samples."""
    first, stop = first + lag - 1, stop - lag + 1
    n = stop - first
    segments = 16 if n >= 256 else max(1, n // 48)
    length = n // segments
    places = np.arange(first + 1, stop - 1)
    places = places[places >= lag]
    inside = (x[places] > low) & (x[places] < high)
    departure = x[places] - 0.5 * (x[places - lag] + x[places + lag])
    segment = np.minimum((places - first) // length, segments - 1)
    stride = max(1, length // 64)
    usual = np.full(segments, np.inf)
    for s in range(segments):
        begin = first + s * length + 1
        picked = (places >= begin) & (places < first + (s + 1) * length) & ((places - begin) % stride == 0) & inside
        if picked.sum() > 4:
            usual[s] = 1.4826 * np.median(np.abs(departure[picked]))
    level = np.sort(usual)[np.isfinite(usual).sum() // 3]
    counts = inside & (usual[segment] <= 1.5 * level + 1e-12) & (np.abs(departure) <= 3.0 * level)
    return float(np.sqrt(np.mean(departure[counts] ** 2) / 1.5 / 0.9733))


def survey(x: NDArray[np.float32], keep: NDArray[np.bool_]) -> tuple[float, int, int, int, float, float]:
    """Smallest movement, samples per update (lower decile), samples at highest and lowest, lowest, highest."""
    pairs = [i for i in range(1, x.size) if keep[i] and keep[i - 1]]
    moves = [i for i in pairs if x[i] != x[i - 1]]
    runs = []
    for i in moves[1:]:
        before = i - 1
        while before > 0 and keep[before - 1] and keep[before] and x[before] == x[before - 1]:
            before -= 1
        runs.append(i - before)
    held = sorted(runs)[int(0.1 * len(runs))] if len(runs) >= 8 else 1
    values = [float(x[i]) for i in pairs]
    low, high = min(values), max(values)
    step = min(abs(float(x[i]) - float(x[i - 1])) for i in moves)
    return step, held, values.count(high), values.count(low), low, high


def needles(x: Floats, half: int, near: int, floor: float) -> tuple[NDArray[np.bool_], int]:
    """Samples of needles, and how many stand apart, against a running median."""
    n = x.size
    reach = np.minimum(np.minimum(half, np.arange(n)), n - 1 - np.arange(n))
    apart = np.array([abs(x[i] - np.median(x[i - r : i + r + 1])) for i, r in enumerate(reach)])
    where, count = np.zeros(n, dtype=np.bool_), 0
    for i in range(n):
        beside = abs(x[i] - 0.5 * (x[max(i - half, 0)] + x[min(i + half, n - 1)]))
        around = np.sort(apart[max(i - near, 0) : i + near + 1])
        usual = around[int(0.8 * around.size)]
        if beside <= floor or apart[i] <= max(floor, 3.0 * usual):
            continue
        count += i == 0 or not where[i - 1]
        part = slice(max(i - half, 0), i + half + 1)
        where[part] |= apart[part] > max(0.4 * floor, 1.3 * usual)
    return where, count


def lone_needles(x: Floats, floor: float) -> NDArray[np.bool_]:
    """Single samples far outside the two on either side."""
    where = np.zeros(x.size, dtype=np.bool_)
    for i in range(2, x.size - 2):
        beside = x[[i - 2, i - 1, i + 1, i + 2]]
        out = max(x[i] - beside.max(), beside.min() - x[i])
        where[i] = out > floor and out > 3.0 * np.ptp(beside)
    return where


def stuck(x: NDArray[np.float32], keep: NDArray[np.bool_], longest: int) -> NDArray[np.bool_]:
    """Samples in runs of one value longer than `longest`; a run ends before a sample that is not kept."""
    begins = [0] + [i for i in range(1, x.size) if x[i] != x[i - 1] or not keep[i]]
    out = np.zeros(x.size, dtype=np.bool_)
    for a, b in zip(begins, [*begins[1:], x.size], strict=True):
        out[a:b] = b - a > longest and keep[a]
    return out


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
