"""Sample flags of one air-mass trace (missing, clipped, stuck), and its step, repeats and extremes."""

import numpy as np
from numpy.typing import NDArray

from models.reading.resampling import CLIPPED, KEPT, STUCK
from models.statistics.compiled import kernel, vector_kernel


@kernel
def all_kept(flag: NDArray[np.uint8]) -> bool:  # pragma: no cover - compiled
    """Whether every sample is kept.

    Parameters
    ----------
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`.

    Returns
    -------
    bool
    """
    marks = np.uint8(0)
    for i in range(flag.size):
        marks |= flag[i]
    return bool(marks == KEPT)


@kernel
def bridge(signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int) -> int:  # pragma: no cover - compiled
    """Bridge samples that are not kept by straight lines; ends and padding take the nearest kept value.

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
    int
        Samples bridged.
    """
    last, lost = count - 1, 0
    if not all_kept(flag[:count]):
        last = -1
        for i in range(count):
            if flag[i] != KEPT:
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


@vector_kernel
def _extremes(
    after: NDArray[np.float32], before: NDArray[np.float32], lost: NDArray[np.uint8], lost_before: NDArray[np.uint8]
) -> tuple[float, float, float]:  # pragma: no cover - compiled
    """Smallest movement, lowest and highest of neighbours that are both kept; infinite without any."""
    endless, still = np.float32(np.inf), np.float32(0.0)
    step, low, high = endless, endless, -endless
    for i in range(after.size):
        kept = (lost[i] | lost_before[i]) == KEPT
        move = abs(after[i] - before[i])
        step = min(step, move if (move > still) & kept else endless)
        low = min(low, after[i] if kept else endless)
        high = max(high, after[i] if kept else -endless)
    return float(step), float(low), float(high)


@vector_kernel
def _equal(
    after: NDArray[np.float32], lost: NDArray[np.uint8], lost_before: NDArray[np.uint8], value: float
) -> int:  # pragma: no cover - compiled
    """How often a value occurs among neighbours that are both kept."""
    wanted, found = np.float32(value), np.int32(0)
    for i in range(after.size):
        found += np.int32((after[i] == wanted) & ((lost[i] | lost_before[i]) == KEPT))
    return int(found)


@vector_kernel
def _movements(
    after: NDArray[np.float32],
    before: NDArray[np.float32],
    earlier: NDArray[np.float32],
    lost: NDArray[np.uint8],
    lost_before: NDArray[np.uint8],
    lost_earlier: NDArray[np.uint8],
) -> tuple[int, int]:  # pragma: no cover - compiled
    """Number of changes from sample to sample, and of those that directly follow another."""
    moves, follow = np.int32(0), np.int32(0)
    for i in range(after.size):
        moved = (after[i] != before[i]) & ((lost[i] | lost_before[i]) == KEPT)
        moves += np.int32(moved)
        follow += np.int32(moved & (before[i] != earlier[i]) & (lost_earlier[i] == KEPT))
    return int(moves), int(follow)


@kernel
def _held(signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int) -> int:  # pragma: no cover - compiled
    """Samples for which values are repeated: the lower decile of the runs between changes."""
    runs = np.zeros(64, dtype=np.int64)
    run, total, before = 1, 0, 0
    for i in range(1, count):
        if flag[i] != KEPT or flag[i - 1] != KEPT:
            run = 1
        elif signal[i] != signal[i - 1]:
            if before > 0:
                runs[min(run, 63)] += 1
                total += 1
            before += 1
            run = 1
        else:
            run += 1
    seen = 0
    for k in range(1, 64):
        seen += runs[k]
        if total >= 8 and seen > 0.1 * total:
            return k
    return 1


@kernel
def survey(
    signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int
) -> tuple[float, int, int, int, float, float]:  # pragma: no cover - compiled
    """Step, repeats and extremes of one bridged row; a sample counts only if it and the one before it are kept.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`.
    count : int
        Samples that are part of the recording.

    Returns
    -------
    step : float
        Quantisation step: the smallest movement; 0 for none. [unit of signal]
    held : int
        Samples for which values are repeated.
    at_high, at_low : int
        Samples at the highest and at the lowest value.
    low, high : float
        Lowest and highest. [unit of signal]
    """
    if count < 3:
        return 0.0, 1, 0, 0, np.inf, -np.inf
    x, f = signal[:count], flag[:count]
    step, low, high = _extremes(x[1:], x[:-1], f[1:], f[:-1])
    at_high, at_low = _equal(x[1:], f[1:], f[:-1], high), _equal(x[1:], f[1:], f[:-1], low)
    moves, follow = _movements(x[2:], x[1:-1], x[:-2], f[2:], f[1:-1], f[:-2])
    # where a tenth of the changes directly follow another, no value is held
    held = 1 if follow > 0.1 * moves else _held(signal, flag, count)
    return (step if np.isfinite(step) else 0.0), held, at_high, at_low, low, high


@kernel
def join_updates(signal: NDArray[np.float32], count: int, held: int) -> None:  # pragma: no cover - compiled
    """Join the updates of a held signal by straight lines, in place of the recorder's steps.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row; changed in place. [V, Hz or g/s]
    count : int
        Samples that are part of the recording.
    held : int
        Samples for which values are repeated.
    """
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
def mark_clipped(
    signal: NDArray[np.float32],
    flag: NDArray[np.uint8],
    count: int,
    sign: float,
    end: float,
    noise: float,
    step: float,
    shortest: int,
    corners: bool,
) -> int:  # pragma: no cover - compiled
    """Mark samples at the largest or the smallest value as clipped.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`; marked in place.
    count : int
        Samples that are part of the recording.
    sign : float
        1 for the largest value, -1 for the smallest. [1]
    end : float
        Known end of the range, times `sign`. [unit of signal]
    noise, step : float
        Standard deviation of the noise, and quantisation step. [unit of signal]
    shortest : int
        Shortest run that counts. [samples]
    corners : bool
        A run that a slope leads into counts too.

    Returns
    -------
    int
        Samples marked.

    Notes
    -----
    A run at the extreme is clipped when it lies at the known end of the range, or when the noise or, with `corners`,
    the slope that leads into it makes so many equal samples in a row implausible.
    """
    top = -np.inf
    for i in range(count):
        if flag[i] == KEPT:
            top = max(top, sign * signal[i])
    moves = noise > 0.6 * step and noise > 0.0
    total, i = 0, 0
    while i < count:
        if flag[i] != KEPT or sign * signal[i] != top:
            i += 1
            continue
        first = i
        while i < count and flag[i] == KEPT and sign * signal[i] == top:
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
                flag[j] = CLIPPED
    return total


@kernel
def mark_stuck(
    signal: NDArray[np.float32], flag: NDArray[np.uint8], count: int, longest: int
) -> int:  # pragma: no cover - compiled
    """Mark runs of one value that are longer than the signal can stay constant.

    Parameters
    ----------
    signal : ndarray of shape (samples,), float32
        Raw samples of one row. [V, Hz or g/s]
    flag : ndarray of shape (samples,), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`; marked in place.
    count : int
        Samples that are part of the recording.
    longest : int
        Longest run that a working sensor can give. [samples]

    Returns
    -------
    int
        Samples marked.

    Notes
    -----
    A run that begins at `first` and is too long still holds at the sample `longest` later: only that sample is checked,
    and then the way back from it to the beginning of its run.
    """
    total, first = 0, 0
    while first + longest < count:
        start = first + longest
        while start > first and signal[start] == signal[start - 1] and flag[start] == KEPT:
            start -= 1
        if start > first:
            first = start
            continue
        stop = first + longest + 1
        while stop < count and signal[stop] == signal[first] and flag[stop] == KEPT:
            stop += 1
        if flag[first] == KEPT:
            for j in range(first, stop):
                flag[j] = STUCK
            total += stop - first
        first = stop
    return total
