"""Details of one snap for an annotated plot: its traces, landmarks and stretches."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.signals import QUANTITIES
from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmarks import Landmarks
from models.reading.entries import Entries
from models.reading.resampling import SAMPLE_FLAGS, Stack
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate

_SHOWS = {q.landmark: q.name for q in QUANTITIES.values() if q.landmark}
"""Landmark to the quantity whose reading it shows."""


@dataclass(frozen=True)
class SnapDetail:
    """Details of one snap for an annotated plot.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        Time from the recording's first sample. [s]
    airflow_raw, airflow_g_s : ndarray of shape (samples,), float32
        The conditioned trace. [V, Hz or g/s], [g/s]
    flag : list of str
        Per sample: "" for kept, else its reason (`data_contracts.reasons.SAMPLE_REASONS`).
    channels : dict of str to ndarray of shape (samples,), float32
        Every recorded channel on the same grid. [unit of the signal]
    points : dict of str to tuple of float
        Landmark to time and flow. [s], [g/s]
    stretches : dict of str to tuple of float
        Stretch to its begin and end. [s]
    """

    time_s: Floats
    airflow_raw: NDArray[np.float32]
    airflow_g_s: NDArray[np.float32]
    flag: list[str]
    channels: dict[str, NDArray[np.float32]]
    points: dict[str, tuple[float, float]]
    stretches: dict[str, tuple[float, float]]


def snap_details(
    stack: Stack, conditioned: Conditioned, marks: Landmarks, entries: Entries, found: dict[str, Estimate]
) -> list[SnapDetail]:
    """Details of every entry: landmarks and stretches only of quantities that were read, so that plot and text agree.

    Parameters
    ----------
    stack, conditioned, marks
        The stack, its conditioned air-mass traces and their landmarks.
    entries : Entries
        Snaps, then recordings without one.
    found : dict of str to Estimate
        Every quantity, over the entries.

    Returns
    -------
    list of SnapDetail
    """
    details = []
    for entry, row in enumerate(entries.row.tolist()):
        n = int(stack.count[row])
        points: dict[str, tuple[float, float]] = {}
        stretches: dict[str, tuple[float, float]] = {}
        if entry < entries.snaps:
            read = {name for name, each in found.items() if each.reason[entry] == 0}
            points = _points(stack, marks, entry, n, read)
            stretches = _stretches(stack, marks, entry, read)
        details.append(
            SnapDetail(
                time_s=stack.start_s + np.arange(n, dtype=np.float64) * stack.interval_s,
                airflow_raw=conditioned.signal[row, :n],
                airflow_g_s=marks.flow[row, :n],
                flag=[SAMPLE_FLAGS[k] for k in conditioned.flag[row, :n].tolist()],
                channels={name: samples[row, :n] for name, samples in stack.channels.items()},
                points=points,
                stretches=stretches,
            )
        )
    return details


def _points(stack: Stack, marks: Landmarks, entry: int, count: int, read: set[str]) -> dict[str, tuple[float, float]]:
    """Time and flow of the landmarks of one snap whose quantity was read. [s], [g/s]"""
    found, fast = marks.found, marks.fast[marks.snaps.row[entry], :count]
    places = {  # name on the plot: place
        "opening": found.opening.at,
        "first_peak": found.first_peak.at,
        "dip": found.dip.at,
        "main_peak": found.main_peak.at,
        "release": found.release.at,
        "recirculation_pulse": found.pulse.at,
        "undershoot": found.lowest.at,
        "settle": found.settle,
    }
    return {
        name: (stack.start_s + at[entry] * stack.interval_s, float(np.interp(at[entry], np.arange(count), fast)))
        for name, at in places.items()
        if np.isfinite(at[entry]) and _SHOWS[name] in read
    }


def _stretches(stack: Stack, marks: Landmarks, entry: int, read: set[str]) -> dict[str, tuple[float, float]]:
    """Begin and end of the stretches of one snap whose quantity was read. [s]"""
    found = marks.found
    stretches = {  # name on the plot: first and stop
        "idle": (found.idle.first, found.idle.stop),
        "main_peak": (found.main_peak.first, found.main_peak.stop),
        "idle_after": (found.idle_after.first, found.idle_after.stop),
    }
    return {
        name: (stack.start_s + first[entry] * stack.interval_s, stack.start_s + stop[entry] * stack.interval_s)
        for name, (first, stop) in stretches.items()
        if np.isfinite(first[entry]) and _SHOWS[name] in read
    }
