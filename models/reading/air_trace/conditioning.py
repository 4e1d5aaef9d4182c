"""Conditioning of the air-mass trace: what each sample is worth, and the noise that is left.

Whatever is taken out is bridged by a straight line and keeps its reason in the mask.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.ignition_spikes import (
    LONE_NEEDLE_RATE_HZ,
    NEEDLE_RATE_HZ,
    NEEDLE_S,
    NEEDLE_SIGMAS,
    NEEDLE_SPAN,
    bridge_needles,
    mark_lone_needles,
    mark_needles,
)
from models.reading.air_trace.sample_flags import bridge, join_updates, mark_pinned, mark_stuck, survey
from models.reading.air_trace.sample_noise import sample_noise
from models.statistics.compiled import kernel


@dataclass(frozen=True)
class Conditioned:
    """An air-mass trace ready for landmarks.

    Attributes
    ----------
    signal : ndarray of shape (captures, samples), float32
        Raw signal with needles, gaps and padding bridged; no NaN. [V, Hz or g/s]
    fate : ndarray of shape (captures, samples), uint8
        Fate of each sample, an index of `models.reading.resampling.FATES`.
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
        tally[row, 4] = bridge(x, f, n)
        step[row], tally[row, 1], at_high, at_low, lowest, highest = survey(x, f, n)
        if tally[row, 1] > 1:
            join_updates(x, n, tally[row, 1])
        sigma = sample_noise(x, 0, n, tally[row, 1], lowest, highest)
        shortest = max(5, int(0.003 / interval)) * tally[row, 1]
        if at_high >= shortest:
            tally[row, 2] = mark_pinned(x, f, n, 1.0, high, sigma, step[row], shortest, clips)
        if clips and at_low >= shortest:
            tally[row, 3] = mark_pinned(x, f, n, -1.0, -low, sigma, step[row], shortest, clips)
        if sigma > 0.6 * step[row] and tally[row, 1] == 1:
            tally[row, 4] += mark_stuck(x, f, n, max(20, int(0.05 / interval)))
        floor = max(NEEDLE_SIGMAS * max(sigma, 0.5 * step[row]), NEEDLE_SPAN * max(highest - lowest, 0.0))
        if interval * NEEDLE_RATE_HZ * tally[row, 1] <= 1.0:
            tally[row, 0] = mark_needles(x, f, n, half, near, floor)
        elif clips and interval * LONE_NEEDLE_RATE_HZ <= 1.0 and tally[row, 1] == 1:
            tally[row, 0] = mark_lone_needles(x, f, n, floor)
        if tally[row, 0] > 0:
            top[row] = bridge_needles(x, f, n)
        noise[row] = sigma


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
        Fate so far, an index of `models.reading.resampling.FATES`. Not changed.
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
    noise, half a percent of the trace's span, and 3 times what a fifth of the samples within ±15 ms depart, so that firing ripple is no needle. From 60 to 200 Hz
    it is one sample that stands out of the two before and the two behind by 3 times what these lie apart; below 60 Hz, and of a
    flow that a control unit reports, none is removed. A run at the extreme value is clipped when it lies at the end of the sensor's range, when
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
