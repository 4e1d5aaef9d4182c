"""What an annotated plot of one snap needs: its traces, landmarks and stretches."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.reading.air_trace.conditioning import Conditioned
from models.reading.air_trace.landmarks import Landmarks
from models.reading.entries import Entries
from models.reading.resampling import SAMPLE_FLAGS, Stack
from models.statistics.arrays import Floats
from models.statistics.estimate import Estimate

# Name on the plot: field of the landmark's record that holds its place, and quantity whose reading it shows.
_POINTS = {
    "opening": ("opening", "opening_s"),
    "first_peak": ("first_peak", "first_peak_g_s"),
    "dip": ("dip", "dip_g_s"),
    "main_peak": ("main_peak", "main_peak_g_s"),
    "release": ("release", "release_s"),
    "recirculation_pulse": ("pulse", "recirculation_pulse_g_s"),
    "undershoot": ("lowest", "undershoot_g_s"),
    "settle": (None, "settle_time_s"),
}
_STRETCHES = {"idle": "idle_g_s", "main_peak": "main_peak_g_s", "idle_after": "idle_after_g_s"}


@dataclass(frozen=True)
class SnapDetail:
    """What an annotated plot of one snap needs.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        From the recording's first sample. [s]
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
    """Details of every entry: landmarks and stretches of quantities that were read, so that plot and text agree.

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
    record, fast = marks.found[entry], marks.fast[marks.snaps.row[entry], :count]
    points = {}
    for name, (field, quantity) in _POINTS.items():
        at = record["settle"] if field is None else record[field]["at"]
        if np.isfinite(at) and quantity in read:
            points[name] = (stack.start_s + at * stack.interval_s, float(np.interp(at, np.arange(count), fast)))
    return points


def _stretches(stack: Stack, marks: Landmarks, entry: int, read: set[str]) -> dict[str, tuple[float, float]]:
    stretches = {}
    for name, quantity in _STRETCHES.items():
        first, stop = marks.found[entry][name]["first"], marks.found[entry][name]["stop"]
        if np.isfinite(first) and quantity in read:
            stretches[name] = (stack.start_s + first * stack.interval_s, stack.start_s + stop * stack.interval_s)
    return stretches
