"""Resampling: from recordings of any time base to stacks of equal length on a uniform grid.

Recordings are grouped by channels, interval and length; jittered ones are interpolated onto the
grid, and rates far above what the sensors can follow are reduced by averaging whole blocks.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.signals import AIRFLOW_SIGNALS, SIGNALS
from models.statistics.compiled import kernel, vector_kernel

# Sample flags: 0 is kept, the others are the codes of data_contracts.reasons.SAMPLE_REASONS.
KEPT, MISSING, OUT_OF_RANGE, STUCK, CLIPPED, SPIKE, GAP = range(7)
SAMPLE_FLAGS = ("", "missing", "out_of_range", "stuck", "clipped", "needle", "gap")

# Above this rate neither sensor changes between samples: blocks are averaged down to it. Hot-wire and lambda
# sensors respond in milliseconds (common practice, no source). [Hz]
WORKING_RATE_HZ = 4000.0
# Largest departure of a sample from the uniform grid before the recording counts as jittered. [intervals]
JITTER_LIMIT = 0.1
# A time step this many times the usual interval is a gap. [intervals]
GAP_STEPS = 2.5
_STACK_SAMPLES = 2**21


@dataclass(frozen=True)
class Stack:
    """Recordings of equal channels, interval and length on one uniform grid.

    Attributes
    ----------
    recording : ndarray of shape (captures,), int
        Index of each row among the waveforms given.
    interval_s : float
        Interval of the grid. [s]
    start_s : float
        Time of the first grid sample from the recording's first sample. [s]
    channels : dict of str to ndarray of shape (captures, samples), float32
        Samples; NaN where nothing was recorded. [unit of the signal]
    flag : dict of str to ndarray of shape (captures, samples), uint8
        Sample flags, indices of `SAMPLE_FLAGS`.
    count : ndarray of shape (captures,), int
        Samples that are part of the recording; the rest of the row is padding.
    rate_hz : ndarray of shape (captures,)
        Rate at which the recorder sampled. [Hz]
    length_s : ndarray of shape (captures,)
        Length of the recording. [s]
    jitter : ndarray of shape (captures,)
        Largest departure from a uniform time base. [intervals]
    held : ndarray of shape (captures,)
        Recorded samples from one update of the air-mass channel to the next; 1 for a live trace.
    """

    recording: NDArray[np.int64]
    interval_s: float
    start_s: float
    channels: dict[str, NDArray[np.float32]]
    flag: dict[str, NDArray[np.uint8]]
    count: NDArray[np.int64]
    rate_hz: NDArray[np.float64]
    length_s: NDArray[np.float64]
    jitter: NDArray[np.float64]
    held: NDArray[np.float64]


@kernel
def _held(values: NDArray[np.float32]) -> int:  # pragma: no cover - compiled
    """Rows from one update to the next: the lower decile over the recording, missing rows counted."""
    moves, follow, lost = np.int32(0), np.int32(0), np.int32(0)
    for i in range(values.size - 2):
        moved = values[i + 1] != values[i + 2]
        moves += np.int32(moved)
        follow += np.int32(moved & (values[i] != values[i + 1]))
        lost += np.int32(values[i] != values[i])
    if lost == 0 and follow > 0.1 * moves + 1.0:  # enough updates directly follow another to be the lower decile
        return 1
    runs = np.zeros(128, dtype=np.int64)
    last, since, total = np.nan, -1, 0
    for i in range(values.size):
        if np.isnan(values[i]) or values[i] == last:
            continue
        if since >= 0:
            runs[min(i - since, 127)] += 1
            total += 1
        last, since = values[i], i
    if total < 8:
        return 1
    seen = 0
    for k in range(128):
        seen += runs[k]
        if seen > 0.1 * total:
            return max(k, 1)
    return 1


@vector_kernel
def _furthest(time: NDArray[np.float64], interval: float) -> float:  # pragma: no cover - compiled
    """Largest distance of a sample from its place on a uniform grid. [s]"""
    worst, start = 0.0, time[0]
    for i in range(time.size):
        worst = max(worst, abs(time[i] - start - np.int32(i) * interval))
    return float(worst)


@kernel
def _time_base(time: NDArray[np.float64]) -> tuple[float, float]:  # pragma: no cover - compiled
    """Usual interval and largest departure from uniform, in intervals."""
    n = time.size
    interval = (time[n - 1] - time[0]) / (n - 1)
    worst = _furthest(time, interval)
    if worst < 0.1 * interval:
        return interval, worst / interval
    steps = np.diff(time)
    usual = np.median(steps)
    jitter = 0.0
    for i in range(n - 1):
        if steps[i] < 2.5 * usual:
            jitter = max(jitter, abs(steps[i] - usual))
    return usual, max(jitter / usual, 0.1)


@kernel
def _fill(
    time: NDArray[np.float64],
    values: NDArray[np.float32],
    interval: float,
    uniform: bool,
    block: int,
    low: float,
    high: float,
    out: NDArray[np.float32],
    flag: NDArray[np.uint8],
) -> int:  # pragma: no cover - compiled
    """Write one channel onto the grid, `block` fine samples averaged to one; return the grid samples."""
    n = values.size
    fine = n if uniform else int((time[n - 1] - time[0]) / interval + 1e-6) + 1
    count = min(fine // block, out.size)
    left = 0
    if uniform and block == 1:
        for j in range(count):
            value = float(values[j])
            out[j] = values[j]
            flag[j] = KEPT
            if not low <= value <= high:
                flag[j] = MISSING if np.isnan(value) else OUT_OF_RANGE
                out[j] = np.nan
        fine = 0  # done
    for j in range(count if fine > 0 else 0):
        total, kept, worst = 0.0, 0, np.uint8(KEPT)
        for i in range(j * block, (j + 1) * block):
            code = np.uint8(KEPT)
            if uniform:
                value = float(values[i])
            else:
                moment = time[0] + i * interval
                while left < n - 2 and time[left + 1] <= moment:
                    left += 1
                step = time[left + 1] - time[left]
                part = min(max((moment - time[left]) / step, 0.0), 1.0)
                if part == 0.0:
                    value = float(values[left])
                else:
                    value = float(values[left]) * (1.0 - part) + float(values[left + 1]) * part
                if step > GAP_STEPS * interval and 0.0 < part < 1.0:
                    code = np.uint8(GAP)
            if np.isnan(value):
                code = np.uint8(MISSING)
            elif value < low or value > high:
                code = np.uint8(OUT_OF_RANGE)
            if code == KEPT:
                total += value
                kept += 1
            else:
                worst = code
        if kept > 0:
            out[j] = total / kept
            flag[j] = KEPT
        else:
            out[j] = np.nan
            flag[j] = worst
    for j in range(count, out.size):
        out[j] = np.nan
        flag[j] = MISSING
    return count


@kernel
def _fill_rows(
    time: NDArray[np.float64],
    values: NDArray[np.float32],
    starts: NDArray[np.int64],
    interval: float,
    uniform: NDArray[np.bool_],
    block: int,
    low: float,
    high: float,
    out: NDArray[np.float32],
    flag: NDArray[np.uint8],
    count: NDArray[np.int64],
) -> None:  # pragma: no cover - compiled
    """`_fill` for every row; `starts` says where each recording begins in `time` and `values`."""
    for row in range(out.shape[0]):
        a, b = starts[row], starts[row + 1]
        fit = uniform[row]
        count[row] = _fill(time[a:b], values[a:b], interval, fit, block, low, high, out[row], flag[row])


def update_rows(values: NDArray[np.float32]) -> int:
    """Recorded samples from one update of a channel to the next.

    Parameters
    ----------
    values : ndarray of shape (samples,), float32
        NaN marks a missing sample. [any unit]

    Returns
    -------
    int
        1 for a live trace.
    """
    return int(_held(np.ascontiguousarray(values)))


@kernel
def _held_rows(
    values: NDArray[np.float32], starts: NDArray[np.int64], held: NDArray[np.float64]
) -> None:  # pragma: no cover - compiled
    for row in range(held.size):
        held[row] = _held(values[starts[row] : starts[row + 1]])


def _padded(count: int) -> int:
    """Row length for a recording: rows of similar length share a stack."""
    step: int = max(64, 1 << max(count.bit_length() - 4, 0))
    return -(-count // step) * step


def stack_waveforms(waveforms: Sequence[Waveform], which: Sequence[int]) -> Iterator[Stack]:
    """Bring recordings onto uniform grids, in stacks of equal channels, interval and length.

    Parameters
    ----------
    waveforms : sequence of Waveform
        Recordings of any rate and length.
    which : sequence of int
        Recordings to take, as indices of `waveforms`.

    Yields
    ------
    Stack
        Of at most about two million samples a channel, or one recording.

    Notes
    -----
    A recording whose samples lie within a tenth of an interval of a uniform grid keeps its samples
    as they are; any other is interpolated linearly onto the grid of its median interval, across no
    step longer than 2.5 intervals. Above `WORKING_RATE_HZ` whole blocks of samples are averaged, and
    `start_s` is the middle of the first block.
    """
    groups: dict[tuple[tuple[str, ...], float, int, int], list[tuple[int, float, float, float]]] = defaultdict(list)
    for index in which:
        time = waveforms[index].time_s
        usual, jitter = _time_base(time)
        interval = float(f"{usual:.4g}")
        drift = jitter if jitter >= JITTER_LIMIT else jitter + abs(usual / interval - 1.0) * time.size
        span = time.size if drift < JITTER_LIMIT else int(time[-1] / interval + 1e-6) + 1
        block = max(1, int(1.0 / (interval * WORKING_RATE_HZ) + 1e-6))
        key = (tuple(sorted(waveforms[index].channels)), interval, block, _padded(max(span // block, 1)))
        groups[key].append((index, usual, jitter, drift))
    for (names, interval, block, length), members in groups.items():
        chunk = max(1, _STACK_SAMPLES // length)
        for first in range(0, len(members), chunk):
            yield _stack(waveforms, members[first : first + chunk], names, interval, block, length)


def _stack(
    waveforms: Sequence[Waveform],
    members: Sequence[tuple[int, float, float, float]],
    names: tuple[str, ...],
    interval: float,
    block: int,
    length: int,
) -> Stack:
    captures = len(members)
    channels = {name: np.empty((captures, length), dtype=np.float32) for name in names}
    flag = {name: np.empty((captures, length), dtype=np.uint8) for name in names}
    count = np.zeros(captures, dtype=np.int64)
    held = np.ones(captures)
    chosen = [waveforms[member[0]] for member in members]
    starts = np.zeros(captures + 1, dtype=np.int64)
    np.cumsum([waveform.time_s.size for waveform in chosen], out=starts[1:])
    uniform = np.array([member[3] < JITTER_LIMIT for member in members])
    # a uniform recording keeps its samples, so its times are not needed
    time = np.empty(0) if uniform.all() else np.concatenate([waveform.time_s for waveform in chosen])
    for name in names:
        low, high = SIGNALS[name].low, SIGNALS[name].high
        values = np.concatenate([waveform.channels[name] for waveform in chosen])
        if name in AIRFLOW_SIGNALS:
            _held_rows(values, starts, held)
        _fill_rows(time, values, starts, interval, uniform, block, low, high, channels[name], flag[name], count)
    return Stack(
        recording=np.array([member[0] for member in members], dtype=np.int64),
        interval_s=interval * block,
        start_s=0.5 * (block - 1) * interval,
        channels=channels,
        flag=flag,
        count=count,
        rate_hz=1.0 / np.array([member[1] for member in members]),
        length_s=np.array([waveform.time_s[-1] for waveform in chosen]),
        jitter=np.array([member[2] for member in members]),
        held=held,
    )
