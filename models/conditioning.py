"""Conditioning of the air-mass trace: what each sample is worth, and the noise that is left.

Needles are found against a short running median, which leaves edges and the first peak as they are;
whatever is taken out is bridged by a straight line and keeps its reason in the mask.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.kernel import kernel
from models.sampling import CLIPPED, KEPT, NEEDLE, STUCK

# Ignition needles are over within this time; no air-mass sensor goes up and back as fast.
# Common practice, no source.
NEEDLE_S = 0.0025
# Below this rate a needle can't be told from the first peak.
NEEDLE_RATE_HZ = 200.0
# Standard deviations of noise, and multiples of the larger departures nearby, that make a needle.
NEEDLE_SIGMAS = 6.0
NEEDLE_TIMES_USUAL = 3.0
# And the part of the trace's span below which nothing is called one.
NEEDLE_SPAN = 0.005
_SEGMENTS = 16


@dataclass(frozen=True)
class Conditioned:
    """An air-mass trace ready for landmarks.

    Attributes
    ----------
    signal : ndarray of shape (captures, samples), float32
        Raw signal with needles, gaps and padding bridged; no NaN. [V, Hz or g/s]
    fate : ndarray of shape (captures, samples), uint8
        Fate of each sample, an index of `models.sampling.FATES`.
    noise : ndarray of shape (captures,)
        Standard deviation of the noise from sample to sample. [unit of signal]
    step : ndarray of shape (captures,)
        Quantisation step; 0 where none shows. [unit of signal]
    needles : ndarray of shape (captures,), int
        Needles removed.
    needle_top : ndarray of shape (captures,)
        Largest sample among them; -infinity for none. [unit of signal]
    held : ndarray of shape (captures,), int
        Samples for which the recorder repeats a value; 1 for a live trace.
    clipped_high, clipped_low : ndarray of shape (captures,), int
        Samples pinned to the upper or lower end of a range.
    lost : ndarray of shape (captures,), int
        Samples missing, out of range, in a gap or stuck.
    """

    signal: NDArray[np.float32]
    fate: NDArray[np.uint8]
    noise: NDArray[np.float64]
    step: NDArray[np.float64]
    needles: NDArray[np.int64]
    needle_top: NDArray[np.float64]
    held: NDArray[np.int64]
    clipped_high: NDArray[np.int64]
    clipped_low: NDArray[np.int64]
    lost: NDArray[np.int64]


@kernel
def bridge(signal: NDArray[np.float32], fate: NDArray[np.uint8], count: int) -> int:  # pragma: no cover - compiled
    """Straight lines across samples that are not kept, and how many; ends and padding hold the nearest kept value."""
    last, lost = -1, 0
    for i in range(count):
        if fate[i] != KEPT:
            lost += 1
            continue
        if last < 0:
            for j in range(i):
                signal[j] = signal[i]
        elif i - last > 1:
            step = (signal[i] - signal[last]) / (i - last)
            for j in range(last + 1, i):
                signal[j] = signal[last] + step * (j - last)
        last = i
    value = signal[last] if last >= 0 else np.float32(0.0)
    for j in range(last + 1, signal.size):
        signal[j] = value
    return lost


@kernel
def sample_noise(
    signal: NDArray[np.float32], first: int, stop: int, lag: int, low: float, high: float
) -> float:  # pragma: no cover - compiled
    """Noise of a trace from its second differences, over its quieter parts and without outliers.

    White noise of standard deviation s gives x[i] - (x[i-lag] + x[i+lag]) / 2 a standard deviation of
    s * sqrt(3/2); slow movement and firing ripple nearly vanish in it. `lag` is 1 for a live trace;
    samples at `low` and `high`, which may be pinned there, are left out.
    """
    first, stop = first + lag - 1, stop - lag + 1
    n = stop - first
    if n < 8:
        return 0.0
    segments = _SEGMENTS if n >= 256 else max(1, n // 16)
    length = n // segments
    stride = max(1, length // 64)
    rough = np.empty(segments)
    pick = np.empty(length // stride + 1)
    for s in range(segments):
        k = 0
        for i in range(first + s * length + 1, min(first + (s + 1) * length, stop - 1), stride):
            if signal[i] <= low or signal[i] >= high:
                continue
            pick[k] = abs(signal[i] - 0.5 * (signal[i - lag] + signal[i + lag]))
            k += 1
        rough[s] = np.median(pick[:k]) if k > 4 else np.inf
    usable = np.sum(np.isfinite(rough))
    if usable == 0:
        return 0.0
    level = np.sort(rough)[usable // 3] * 1.4826
    total, used = 0.0, 0
    for s in range(segments):
        if rough[s] * 1.4826 > 1.5 * level + 1e-12:
            continue
        end = first + (s + 1) * length if s < segments - 1 else stop
        for i in range(first + max(s * length, 1), min(end, stop - 1)):
            if signal[i] <= low or signal[i] >= high:
                continue
            departure = signal[i] - 0.5 * (signal[i - lag] + signal[i + lag])
            if abs(departure) <= 3.0 * level:
                total += departure * departure
                used += 1
    # 3 standard deviations keep 97.3 % of the variance of normal noise
    return np.sqrt(total / used / 1.5 / 0.9733) if used > 0 else 0.0


@kernel
def _median_at(signal: NDArray[np.float32], i: int, half: int, count: int) -> float:  # pragma: no cover - compiled
    """Median of a window of 2 half + 1 samples around i, narrower at the ends."""
    half = min(half, i, count - 1 - i)
    first = i - half
    window = np.empty(2 * half + 1, dtype=np.float32)
    for k in range(2 * half + 1):
        value = signal[first + k]
        j = k
        while j > 0 and window[j - 1] > value:
            window[j] = window[j - 1]
            j -= 1
        window[j] = value
    return float(window[half])


@kernel
def _remove_needles(
    signal: NDArray[np.float32], fate: NDArray[np.uint8], count: int, half: int, near: int, floor: float
) -> int:  # pragma: no cover - compiled
    """Mark needles of one row; return how many there are."""
    if count < 4 * half + 3:
        return 0
    departure = np.full(count, np.nan, dtype=np.float32)
    marked = np.zeros(count, dtype=np.bool_)
    nearby = np.empty(2 * near + 1)
    found = 0
    for i in range(count):
        if half <= i < count - half:
            if abs(signal[i] - np.float32(0.5) * (signal[i - half] + signal[i + half])) <= floor:
                continue
        elif abs(signal[i] - 0.5 * (signal[max(i - half, 0)] + signal[min(i + half, count - 1)])) <= floor:
            continue
        if np.isnan(departure[i]):
            departure[i] = signal[i] - _median_at(signal, i, half, count)
        if abs(departure[i]) <= floor:
            continue
        k = 0
        for j in range(max(i - near, 0), min(i + near + 1, count)):
            if np.isnan(departure[j]):
                departure[j] = signal[j] - _median_at(signal, j, half, count)
            nearby[k] = abs(departure[j])
            k += 1
        usual = np.sort(nearby[:k])[int(0.8 * k)]
        if abs(departure[i]) <= max(floor, NEEDLE_TIMES_USUAL * usual):
            continue
        if i == 0 or not marked[i - 1]:
            found += 1
        skirt = max(0.4 * floor, 1.3 * usual)
        for j in range(max(i - half, 0), min(i + half + 1, count)):
            if not np.isnan(departure[j]) and abs(departure[j]) > skirt:
                marked[j] = True
    for i in range(count):
        if marked[i] and fate[i] == KEPT:
            fate[i] = NEEDLE
    return found


@kernel
def _pinned(
    signal: NDArray[np.float32],
    fate: NDArray[np.uint8],
    count: int,
    sign: float,
    end: float,
    noise: float,
    step: float,
    shortest: int,
    corners: bool,
) -> int:  # pragma: no cover - compiled
    """Samples pinned to the largest value (sign 1) or the smallest (sign -1), marked as clipped.

    A run at the extreme is a clip when it lies at the known end of the range, or when noise or, with `corners`, the
    slope on the way in says that so many equal samples in a row can't be.
    """
    top = -np.inf
    for i in range(count):
        if fate[i] == KEPT:
            top = max(top, sign * signal[i])
    moves = noise > 0.6 * step and noise > 0.0
    total, i = 0, 0
    while i < count:
        if fate[i] != KEPT or sign * signal[i] != top:
            i += 1
            continue
        first = i
        while i < count and fate[i] == KEPT and sign * signal[i] == top:
            i += 1
        run = i - first
        if run < shortest:
            continue
        into = 0.0
        if first >= 4:
            into = abs(signal[first - 1] - signal[first - 4]) / 3.0
        at_end = top >= end - 0.5 * step - 1e-9
        corner = corners and run >= 3 * shortest and into > 1.5 * step and into > 3.0 * noise
        if at_end or moves or corner:
            total += run
            for j in range(first, i):
                fate[j] = CLIPPED
    return total


@kernel
def _survey(
    signal: NDArray[np.float32], fate: NDArray[np.uint8], count: int
) -> tuple[float, int, int, int, float, float]:  # pragma: no cover - compiled
    """Quantisation step (smallest movement), samples for which values are repeated, samples at highest and lowest, lowest, span."""
    step, high, low, at_high, at_low = np.inf, -np.inf, np.inf, 0, 0
    runs = np.zeros(64, dtype=np.int64)
    run, total, before = 1, 0, 0
    for i in range(1, count):
        if fate[i] != KEPT or fate[i - 1] != KEPT:
            run = 1
            continue
        value = signal[i]
        if value >= high:
            at_high = at_high + 1 if value == high else 1
            high = value
        if value <= low:
            at_low = at_low + 1 if value == low else 1
            low = value
        move = abs(signal[i] - signal[i - 1])
        if move > 0.0:
            step = min(step, float(move))
            if before > 0:
                runs[min(run, 63)] += 1
                total += 1
            before += 1
            run = 1
        else:
            run += 1
    held = 1
    if total >= 8:
        seen = 0
        for k in range(1, 64):
            seen += runs[k]
            if seen > 0.1 * total:
                held = k
                break
    span = high - low if high > low else 0.0
    return (step if np.isfinite(step) else 0.0), held, at_high, at_low, low, span


@kernel
def _join_updates(signal: NDArray[np.float32], count: int, held: int) -> None:  # pragma: no cover - compiled
    """Straight lines between the updates of a held signal, instead of the steps the recorder repeats."""
    i = count - 1
    while i > 0:
        if signal[i] != signal[i - 1]:
            before, now = signal[i - 1], signal[i]
            first = max(i - held, 0)
            for j in range(max(first + 1, 1), i):
                if signal[j] != before:
                    continue
                signal[j] = before + (now - before) * (j - first) / (i - first)
            i = min(first + 1, i - 1)
        else:
            i -= 1


@kernel
def _stuck(
    signal: NDArray[np.float32], fate: NDArray[np.uint8], count: int, longest: int
) -> int:  # pragma: no cover - compiled
    """Mark runs of one value longer than the signal can stand still; return the samples in them."""
    total, first = 0, 0
    for i in range(1, count + 1):
        if i < count and signal[i] == signal[first] and fate[i] == KEPT:
            continue
        if i - first > longest and fate[first] == KEPT:
            for j in range(first, i):
                fate[j] = STUCK
            total += i - first
        first = i
    return total


@kernel
def _condition_rows(
    signal: NDArray[np.float32],
    fate: NDArray[np.uint8],
    count: NDArray[np.int64],
    interval: float,
    low: float,
    high: float,
    clips: bool,
    noise: NDArray[np.float64],
    step: NDArray[np.float64],
    tally: NDArray[np.int64],
    top: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Condition every row in place; `tally` columns: needles, held, clipped high, clipped low, lost."""
    half = max(1, int(NEEDLE_S / interval + 0.5))
    near = max(6, int(0.015 / interval + 0.5))
    for row in range(signal.shape[0]):
        n = count[row]
        x, f = signal[row], fate[row]
        step[row], tally[row, 1], at_high, at_low, lowest, span = _survey(x, f, n)
        tally[row, 4] = bridge(x, f, n)
        if tally[row, 1] > 1:
            _join_updates(x, n, tally[row, 1])
        sigma = sample_noise(x, 0, n, tally[row, 1], lowest, lowest + span)
        shortest = max(5, int(0.003 / interval)) * tally[row, 1]
        if at_high >= shortest:
            tally[row, 2] = _pinned(x, f, n, 1.0, high, sigma, step[row], shortest, clips)
        if clips and at_low >= shortest:
            tally[row, 3] = _pinned(x, f, n, -1.0, -low, sigma, step[row], shortest, clips)
        if sigma > 0.6 * step[row] and tally[row, 1] == 1:
            tally[row, 4] += _stuck(x, f, n, max(20, int(0.05 / interval)))
        if interval * NEEDLE_RATE_HZ * tally[row, 1] <= 1.0:
            floor = max(NEEDLE_SIGMAS * max(sigma, 0.5 * step[row]), NEEDLE_SPAN * span)
            tally[row, 0] = _remove_needles(x, f, n, half, near, floor)
            if tally[row, 0] > 0:
                for i in range(n):
                    if f[i] == NEEDLE:
                        top[row] = max(top[row], float(x[i]))
                bridge_needles(x, f, n)
        noise[row] = sigma


@kernel
def bridge_needles(
    signal: NDArray[np.float32], fate: NDArray[np.uint8], count: int
) -> None:  # pragma: no cover - compiled
    """Straight lines across needles only."""
    i = 0
    while i < count:
        if fate[i] != NEEDLE:
            i += 1
            continue
        first = i
        while i < count and fate[i] == NEEDLE:
            i += 1
        before = signal[first - 1] if first > 0 else (signal[i] if i < count else np.float32(0.0))
        after = signal[i] if i < count else before
        for j in range(first, i):
            signal[j] = before + (after - before) * (j - first + 1) / (i - first + 1)


def condition_airflow(
    signal: NDArray[np.float32],
    fate: NDArray[np.uint8],
    count: NDArray[np.int64],
    *,
    interval_s: float,
    range_low: float = -np.inf,
    range_high: float = np.inf,
    clips: bool = True,
) -> Conditioned:
    """Condition a stack of air-mass traces.

    Parameters
    ----------
    signal : ndarray of shape (captures, samples), float32
        Raw samples; NaN where nothing was recorded. Not changed. [V, Hz or g/s]
    fate : ndarray of shape (captures, samples), uint8
        Fate so far, an index of `models.sampling.FATES`. Not changed.
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    interval_s : float
        Sampling interval. [s]
    range_low, range_high : float
        Electrical range of the sensor. [unit of signal]
    clips : bool
        The signal has a known range; of a flow the control unit reports only its noise can tell that it is cut off.

    Returns
    -------
    Conditioned

    Notes
    -----
    A needle is a departure from the running median over ±2.5 ms that exceeds 6 standard deviations of the
    noise, half a percent of the trace's span, and 3 times what a fifth of the samples within ±15 ms depart, so that firing ripple is no needle. Below 200 Hz
    none is removed. A run at the extreme value is clipped when it lies at the end of the sensor's range, when
    the noise elsewhere says that equal samples can't follow each other so long, or when the trace ran into
    it with a slope. The noise is that of second differences in the quieter parts.
    """
    x, f = signal.copy(), fate.copy()
    captures = x.shape[0]
    noise, step = np.zeros(captures), np.zeros(captures)
    tally = np.zeros((captures, 5), dtype=np.int64)
    tally[:, 1] = 1
    top = np.full(captures, -np.inf)
    _condition_rows(x, f, count, interval_s, range_low, range_high, clips, noise, step, tally, top)
    return Conditioned(x, f, noise, step, tally[:, 0], top, tally[:, 1], tally[:, 2], tally[:, 3], tally[:, 4])
