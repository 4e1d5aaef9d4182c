r"""Landmarks of every snap on the air-mass trace: their definitions, and how they are read.

Definitions. All levels and crossings are of the *mass flow*; `fast` is the flow smoothed over ±4 ms and
`slow` over ±15 ms (triangles; no shift), both shrinking to single samples at low rates.

=================  ====================================================================================
idle               mean over the steady flow before the opening, at most 3 s, ending short of the first
                   departure from it
hold               up to where the fall of the release begins: back from half the height of the last top that is no pulse,
                   to a tenth of the fall's steepest slope. Nothing before the release is looked for after it
first peak, dip    earliest fall of the fast trace within 0.6 s of the opening, before the release, that is more than 5 %
                   of the snap's height and three waves of the ripple at idle, climbs again by three fifths of that, and
                   does not soon fall as deep again; the dip ends with the first such climb, so that a lift in two steps has
                   no part in it; the peak where a parabola over ±12.5 ms is highest, the dip by one
                   over ±20 ms at the lowest of the slow trace (below 330 Hz of the fast one)
opening            fast trace through half the height from idle to the first peak, or, with no first peak, to
                   the level at which the first rise has lost four fifths of its steepness (half, below 50 Hz), at
                   most 0.15 s after it began; as unsure as the places are apart where the edge has two steps
main peak          after the dip and before the fall, the mean over the stretch around the highest point in
                   which the slow trace stays within 0.5 % (and 4 standard deviations of its noise) of it, plus the
                   height of the slow trace's highest point above that mean beyond its noise; where the stretch
                   is shorter than 0.08 s, a tapered parabola over 80 ms read at the highest point; of a climb that the
                   release cuts short, the top of a parabola over ±12.5 ms (below 50 Hz its highest sample). In the raw
                   signal: the signal at that flow
release            fast trace falling through half the height from idle before to main peak; within 0.1 s of the opening it is
                   the manifold that is full, and neither is read
fall time          fast trace from 90 % to 10 % of the height from idle to the flow at the end of the hold
climb slope        between 10 % and 90 % of the rise of the slow trace from dip to main peak
notch              a fall of the slow trace in the climb by more than 3 % of the main peak that rises again
run-up (by flow)   from the opening until the slow trace first reaches 95 % of the main peak after the dip; unread
                   where the flow is there within 0.15 s, which is the manifold filling
recirculation      of the fast trace within 0.6 s of the release the peak that stands highest above both valleys
pulse              beside it, its height above the one behind it, at most twice what it stands above both;
                   peak and valley by parabolas over ±10 ms
undershoot         idle after (idle before where the record ends first) less the lowest flow, a parabola over ±25 ms
settle             from the release until the slow trace stays within 10 % of idle to the end of the record
idle after         mean over the last 1.5 s, from 1.5 s after the release
=================  ====================================================================================

`models.reading.air_trace.landmark_estimates` turns them into quantities with uncertainties.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import Family
from models.physics.transfer_table import slope_of, table_of
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmark_search import read_snaps
from models.reading.air_trace.landmark_table import LandmarkTable
from models.reading.air_trace.snap_detection import SnapList, find_snaps
from models.statistics.arrays import Floats
from models.statistics.records import columns_of, empty_table
from models.statistics.smoothing import smooth, smoothing_gain

FAST_S, SLOW_S = 0.004, 0.015


@dataclass(frozen=True)
class Landmarks:
    """Landmarks of every snap of a stack, in samples and flow.

    Attributes
    ----------
    snaps : SnapList
        Which snap of which row.
    found : LandmarkTable
        What was found; NaN where nothing was.
    flow, fast, slow : ndarray of shape (captures, samples), float32
        The traces they were read from. [g/s]
    noise_raw : ndarray of shape (snaps,)
        Noise of the raw signal from sample to sample. [V, Hz or g/s]
    step_raw : ndarray of shape (snaps,)
        Part of the quantisation step that noise does not dither. [V, Hz or g/s]
    held : ndarray of shape (snaps,)
        Samples for which the recorder repeats a value.
    interval_s : float
        Sampling interval. [s]
    air : bool
        The air flow was recorded; without it only the moments of the snaps are there.
    """

    snaps: SnapList
    found: LandmarkTable
    flow: NDArray[np.float32]
    fast: NDArray[np.float32]
    slow: NDArray[np.float32]
    noise_raw: Floats
    step_raw: Floats
    held: Floats
    interval_s: float
    air: bool = True


def smoothing_halves(interval_s: float) -> tuple[int, int]:
    """Half widths of the two smoothed traces.

    Parameters
    ----------
    interval_s : float
        Sampling interval. [s]

    Returns
    -------
    fast, slow : int
        Half width of one running mean, as `models.statistics.smoothing.smooth` takes it. [samples]
    """
    return int(FAST_S / 2.0 / interval_s + 0.5), int(SLOW_S / 2.0 / interval_s + 0.5)


def read_landmarks(
    conditioned: Conditioned,
    flow: NDArray[np.float32],
    count: NDArray[np.int64],
    family: Family,
    *,
    interval_s: float,
    rate_hz: Floats,
) -> Landmarks:
    """Find the snaps of a stack and read their landmarks.

    Parameters
    ----------
    conditioned : Conditioned
        Air-mass traces.
    flow : ndarray of shape (captures, samples), float32
        Their mass flow. [g/s]
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    family : Family
        With the air-mass sensor and, where known, the main peak.
    interval_s : float
        Sampling interval. [s]
    rate_hz : ndarray of shape (captures,)
        Rate at which each recording was updated. [Hz]

    Returns
    -------
    Landmarks
    """
    transfer, reported = table_of(family.airflow_sensor), family.airflow_sensor.reports_flow
    halves = fast_half, slow_half = smoothing_halves(interval_s)
    fast, slow = smooth(flow, count, fast_half), smooth(flow, count, slow_half)
    sigma = np.maximum(conditioned.noise, conditioned.step / np.sqrt(12.0))
    raw_idle = np.quantile(conditioned.signal[:, :: max(1, flow.shape[1] // 64)], 0.3, axis=1).astype(np.float64)
    raw_top = conditioned.signal.max(axis=1).astype(np.float64)
    at_idle, at_top = sigma * slope_of(raw_idle, transfer), sigma * slope_of(raw_top, transfer)
    fast_gain, slow_gain = smoothing_gain(fast_half), smoothing_gain(slow_half)
    snaps = find_snaps(
        slow,
        count,
        interval_s=interval_s,
        expected_g_s=family.main_peak.expected_g_s or 0.0,
        noise_g_s=at_top * slow_gain,
        rate_hz=rate_hz,
    )
    rows = snaps.row
    noise = np.stack((at_idle[rows] * fast_gain, at_top[rows] * fast_gain, at_top[rows] * slow_gain), axis=1)
    table = empty_table(LandmarkTable, rows.size)
    read_snaps(flow, conditioned.signal, fast, slow, snaps, interval_s, halves, noise, reported, table)
    found = columns_of(LandmarkTable, table)
    undithered = np.where(conditioned.noise > 0.5 * conditioned.step, 0.0, conditioned.step)
    held = conditioned.held.astype(np.float64)
    noise_of_means = sigma * np.sqrt(held)
    return Landmarks(snaps, found, flow, fast, slow, noise_of_means[rows], undithered[rows], held[rows], interval_s)
