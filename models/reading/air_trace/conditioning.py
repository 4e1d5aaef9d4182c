"""Conditioning of the air-mass trace: sample flags, and the noise of the rest.

Samples taken out are bridged by a straight line; their flag keeps the reason.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.ignition_spikes import (
    LONE_SPIKE_RATE_HZ,
    SPIKE_RATE_HZ,
    SPIKE_S,
    SPIKE_SIGMAS,
    SPIKE_SPAN,
    bridge_spikes,
    mark_lone_spikes,
    mark_spikes,
)
from models.reading.air_trace.sample_flags import bridge, join_updates, mark_clipped, mark_stuck, survey
from models.reading.air_trace.sample_noise import sample_noise
from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.statistics.records import Record, record_type


@dataclass(frozen=True)
class Conditioned:
    """An air-mass trace ready for landmarks.

    Attributes
    ----------
    signal : ndarray of shape (captures, samples), float32
        Raw signal with ignition spikes, gaps and padding bridged; no NaN. [V, Hz or g/s]
    flag : ndarray of shape (captures, samples), uint8
        Sample flags, indices of `models.reading.resampling.SAMPLE_FLAGS`.
    noise : ndarray of shape (captures,)
        Standard deviation of the noise from sample to sample. [unit of signal]
    step : ndarray of shape (captures,)
        Quantisation step; 0 where none shows. [unit of signal]
    spike_top : ndarray of shape (captures,)
        Largest sample of the ignition spikes; -infinity for none. [unit of signal]
    spikes : ndarray of shape (captures,), int
        Ignition spikes removed.
    held : ndarray of shape (captures,), int
        Samples for which the recorder repeats a value; 1 for a live trace.
    clipped_high, clipped_low : ndarray of shape (captures,), int
        Samples clipped at the upper or lower end of a range.
    lost : ndarray of shape (captures,), int
        Samples missing, out of range, in a gap or stuck.
    """

    signal: NDArray[np.float32]
    flag: NDArray[np.uint8]
    noise: Floats
    step: Floats
    spike_top: Floats
    spikes: Codes
    held: Codes
    clipped_high: Codes
    clipped_low: Codes
    lost: Codes


# The result for one row; see `Conditioned`.
_ROW = record_type(
    [
        ("noise", np.float64),
        ("step", np.float64),
        ("spike_top", np.float64),
        ("spikes", np.int64),
        ("held", np.int64),
        ("clipped_high", np.int64),
        ("clipped_low", np.int64),
        ("lost", np.int64),
    ]
)


@kernel
def _condition_rows(
    signal: NDArray[np.float32],
    flag: NDArray[np.uint8],
    count: Codes,
    interval: float,
    low: float,
    high: float,
    clips: bool,
    out: Record,
) -> None:  # pragma: no cover - compiled
    """Condition every row in place."""
    half = max(1, int(SPIKE_S / interval + 0.5))
    near = max(6, int(0.015 / interval + 0.5))
    for row in range(signal.shape[0]):
        n, found = count[row], out[row]
        x, f = signal[row], flag[row]
        found.lost = bridge(x, f, n)
        step, held, at_high, at_low, lowest, highest = survey(x, f, n)
        found.step, found.held = step, held
        if held > 1:
            join_updates(x, n, held)
        sigma = sample_noise(x, 0, n, held, lowest, highest)
        shortest = max(5, int(0.003 / interval)) * held
        if at_high >= shortest:
            found.clipped_high = mark_clipped(x, f, n, 1.0, high, sigma, step, shortest, clips)
        if clips and at_low >= shortest:
            found.clipped_low = mark_clipped(x, f, n, -1.0, -low, sigma, step, shortest, clips)
        if sigma > 0.6 * step and held == 1:
            found.lost += mark_stuck(x, f, n, max(20, int(0.05 / interval)))
        floor = max(SPIKE_SIGMAS * max(sigma, 0.5 * step), SPIKE_SPAN * max(highest - lowest, 0.0))
        if not clips:
            found.spikes = 0  # a control unit that reports flow has no leads that pick up ignition
        elif interval * SPIKE_RATE_HZ * held <= 1.0:
            found.spikes = mark_spikes(x, f, n, half, near, floor)
        elif interval * LONE_SPIKE_RATE_HZ <= 1.0 and held == 1:
            found.spikes = mark_lone_spikes(x, f, n, floor)
        if found.spikes > 0:
            found.spike_top = bridge_spikes(x, f, n)
        found.noise = sigma


def condition_airflow(
    signal: NDArray[np.float32],
    flag: NDArray[np.uint8],
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
    flag : ndarray of shape (captures, samples), uint8
        Sample flags so far, indices of `models.reading.resampling.SAMPLE_FLAGS`. Not changed.
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    interval_s : float
        Sampling interval. [s]
    range_low, range_high : float
        Electrical range of the sensor. [unit of signal]
    clips : bool
        The signal has a known range. Without one, as for a flow that a control unit reports, only the noise shows
        clipping.

    Returns
    -------
    Conditioned

    Notes
    -----
    An ignition spike is a departure from the running median over ±2.5 ms that exceeds 6 standard deviations of the
    noise, half a per cent of the trace's span, and 3 times the departure that a fifth of the samples within ±15 ms
    exceed, so that firing ripple does not count. From 60 to 200 Hz it is a single sample that stands out from the two
    before and the two after it by 3 times their spread. Below 60 Hz, and in a flow that a control unit reports, none is
    removed.

    A run at the extreme value is clipped when it lies at the end of the sensor's range, when the noise elsewhere makes
    so many equal samples in a row implausible, or when the trace ran into it with a slope. The noise is that of second
    differences in the quieter parts.
    """
    x, f = signal.copy(), flag.copy()
    rows = np.zeros(x.shape[0], dtype=_ROW)
    rows["held"], rows["spike_top"] = 1, -np.inf
    _condition_rows(x, f, count, interval_s, range_low, range_high, clips, rows)
    return Conditioned(x, f, **{name: np.ascontiguousarray(rows[name]) for name in _ROW.names or ()})
