"""Ignition spikes on the air-mass trace, found against a short running median, which keeps edges and the first peak."""

import numpy as np
from numpy.typing import NDArray

from models.reading.resampling import KEPT, SPIKE
from models.statistics.compiled import kernel, vector_kernel
from models.statistics.order_statistics import ranked

# Ignition spikes are over within this time; no air-mass sensor goes up and back as fast.
# Common practice, no source. [s]
SPIKE_S = 0.0025
# Below the first rate a spike is a single sample; unlike a first peak, the two samples on either side of it agree.
# Below the second a recirculation pulse may be a single sample too. [Hz]
SPIKE_RATE_HZ, LONE_SPIKE_RATE_HZ = 200.0, 60.0
# A single sample is a spike when it stands out from its four neighbours by this many times their spread. [1]
LONE_TIMES_APART = 3.0
# A spike exceeds this many standard deviations of the noise, and this many times the larger departures nearby. [1]
SPIKE_SIGMAS = 6.0
SPIKE_TIMES_USUAL = 3.0
# Smallest spike, as a part of the trace's span. [1]
SPIKE_SPAN = 0.005
_AT_ONCE = 64


@kernel
def _depart(
    signal: NDArray[np.float32], first: int, stop: int, half: int, count: int, out: NDArray[np.float32]
) -> None:  # pragma: no cover - compiled
    """Departure of samples first..stop-1 from the median of 2 half + 1 samples around each, fewer at the ends.

    The window is kept sorted as it moves by one sample.
    """
    window = np.empty(2 * half + 1, dtype=np.float32)
    size = 0
    for i in range(first, stop):
        reach = min(half, i, count - 1 - i)
        if size == 2 * half + 1 == 2 * reach + 1:
            gone, value = signal[i - half - 1], signal[i + half]
            j = 0
            while window[j] != gone:
                j += 1
            while j + 1 < size and window[j + 1] < value:
                window[j] = window[j + 1]
                j += 1
            while j > 0 and window[j - 1] > value:
                window[j] = window[j - 1]
                j -= 1
            window[j] = value
        else:
            size = 2 * reach + 1
            for k in range(size):
                value = signal[i - reach + k]
                j = k
                while j > 0 and window[j - 1] > value:
                    window[j] = window[j - 1]
                    j -= 1
                window[j] = value
        out[i] = signal[i] - window[reach]


@vector_kernel
def _any_stands_out(
    before: NDArray[np.float32], here: NDArray[np.float32], after: NDArray[np.float32], floor: float
) -> bool:  # pragma: no cover - compiled
    """Whether any sample is further than `floor` from the middle of those before and after it."""
    least, half, found = np.float32(floor), np.float32(0.5), np.int32(0)
    for i in range(here.size):
        found += np.int32(abs(here[i] - half * (before[i] + after[i])) > least)
    return bool(found > 0)


@kernel
def mark_spikes(
    signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int, half: int, near: int, floor: float
) -> int:  # pragma: no cover - compiled
    """Mark the ignition spikes of one row.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`; marked in place.
    count : int
        Samples that are part of the recording.
    half, near : int
        Half widths of the running median, and of the stretch whose larger departures are compared. [samples]
    floor : float
        Smallest departure from the median that is a spike. [unit of signal]

    Returns
    -------
    int
        How many there are.
    """
    if count < 4 * half + 3:
        return 0
    departure = np.empty(count, dtype=np.float32)
    marked = np.zeros(count, dtype=np.bool_)
    nearby = np.empty(2 * near + 1, dtype=np.float32)
    found, known, i = 0, 0, -1
    while i + 1 < count:
        i += 1
        if half <= i < count - half:
            stop = min(i + _AT_ONCE, count - half)
            if i % _AT_ONCE == 0 and not _any_stands_out(
                signal[i - half : stop - half], signal[i:stop], signal[i + half : stop + half], 0.999 * floor
            ):
                i = stop - 1
                continue
            if abs(signal[i] - np.float32(0.5) * (signal[i - half] + signal[i + half])) <= floor:
                continue
        elif abs(signal[i] - 0.5 * (signal[max(i - half, 0)] + signal[min(i + half, count - 1)])) <= floor:
            continue
        if i >= known:
            _depart(signal, i, i + 1, half, count, departure)
        if abs(departure[i]) <= floor:
            continue
        first, stop = max(i - near, 0), min(i + near + 1, count)
        _depart(signal, max(first, known), stop, half, count, departure)
        known = stop
        for j in range(first, stop):
            nearby[j - first] = abs(departure[j])
        usual = ranked(nearby[: stop - first], int(0.8 * (stop - first)))
        if abs(departure[i]) <= max(floor, SPIKE_TIMES_USUAL * usual):
            continue
        if i == 0 or not marked[i - 1]:
            found += 1
        skirt = max(0.4 * floor, 1.3 * usual)
        for j in range(max(i - half, 0), min(i + half + 1, count)):
            if abs(departure[j]) > skirt:
                marked[j] = True
                if flag[j] == KEPT:
                    flag[j] = SPIKE
    return found


@kernel
def mark_lone_spikes(
    signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int, floor: float
) -> int:  # pragma: no cover - compiled
    """Mark the ignition spikes of one slow row.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`; marked in place.
    count : int
        Samples that are part of the recording.
    floor : float
        Smallest height of a spike over the two samples before and the two after it. [unit of signal]

    Returns
    -------
    int
        Number of spikes.
    """
    found = 0
    for i in range(2, count - 2):
        low = min(min(signal[i - 2], signal[i - 1]), min(signal[i + 1], signal[i + 2]))
        high = max(max(signal[i - 2], signal[i - 1]), max(signal[i + 1], signal[i + 2]))
        out = max(signal[i] - high, low - signal[i])
        if out > floor and out > LONE_TIMES_APART * (high - low) and flag[i] == KEPT:
            flag[i] = SPIKE
            found += 1
    return found


@kernel
def bridge_spikes(
    signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int
) -> float:  # pragma: no cover - compiled
    """Bridge spikes by straight lines, and nothing else.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row; changed in place. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`.
    count : int
        Samples that are part of the recording.

    Returns
    -------
    float
        Largest sample among the spikes; -infinity for none. [unit of signal]
    """
    top = -np.inf
    i = 0
    while i < count:
        if flag[i] != SPIKE:
            i += 1
            continue
        first = i
        while i < count and flag[i] == SPIKE:
            top = max(top, float(signal[i]))
            i += 1
        before = signal[first - 1] if first > 0 else (signal[i] if i < count else np.float32(0.0))
        after = signal[i] if i < count else before
        for j in range(first, i):
            signal[j] = before + (after - before) * (j - first + 1) / (i - first + 1)
    return top
