"""Reading: from recordings to every quantity of every snap, with uncertainty, reasons and grade.

`models.reading.recipe.read_stack` is the recipe; `models.reading.air_trace.landmarks` defines the landmarks.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions, Waveform
from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.signals import QUANTITIES
from models.reading.recipe import METHOD as METHOD
from models.reading.recipe import StackReading, read_stack
from models.reading.resampling import stack_waveforms
from models.reading.snap_detail import SnapDetail
from models.statistics.arrays import Floats
from models.statistics.estimate import UNREAD_CODES, Estimate, concatenate


@dataclass(frozen=True)
class Readings:
    """Every snap of a batch of recordings, one entry each, in order of recording and snap.

    Attributes
    ----------
    recording : ndarray of shape (entries,), int
        Index of the recording among those given.
    snap : ndarray of shape (entries,), int
        Number of the snap within its recording, from 1; also 1 for a recording without one.
    values, u : dict of str to ndarray of shape (entries,)
        Value and standard uncertainty of every quantity of `data_contracts.signals.QUANTITIES`; NaN
        where it was not read. [unit of the quantity]
    unread : list of dict of str to str
        Per entry, each quantity without a value and its reason (`UNREAD_REASONS`). Shared between entries: do not
        change.
    marked : list of dict of str to str
        Per entry, quantities with a mark such as `lower_bound`. Shared: do not change.
    grade : list of str
        good, usable or repeat.
    grade_reasons : list of tuple of str
        Every reason of the grade (`GRADE_REASONS`).
    rate_hz, length_s : ndarray of shape (entries,)
        Sampling rate and length of the recording. [Hz], [s]
    snap_start_s, snap_end_s : ndarray of shape (entries,)
        Stretch of the recording that belongs to the snap. [s]
    shape_airflow, shape_lambda : ndarray of shape (entries, models.reading.aligned_traces.GRID), float32
        Both traces on the fixed grid. [g/s], [1/lambda, or V of a narrowband sensor]
    """

    recording: NDArray[np.int64]
    snap: NDArray[np.int64]
    values: dict[str, Floats]
    u: dict[str, Floats]
    unread: list[dict[str, str]]
    marked: list[dict[str, str]]
    grade: list[str]
    grade_reasons: list[tuple[str, ...]]
    rate_hz: Floats
    length_s: Floats
    snap_start_s: Floats
    snap_end_s: Floats
    shape_airflow: NDArray[np.float32]
    shape_lambda: NDArray[np.float32]


def read_waveforms(
    waveforms: Sequence[Waveform], families: Sequence[Family], conditions: Sequence[Conditions]
) -> Readings:
    """Read every snap of a batch of recordings.

    Parameters
    ----------
    waveforms : sequence of Waveform
        Recordings of any rate, length and channels.
    families : sequence of Family
        The engine family of each.
    conditions : sequence of Conditions
        What the manifest says about each.

    Returns
    -------
    Readings
        At least one entry per recording: one without a snap is graded `repeat` with reason `no_snap` and
        still holds what can be read.

    Raises
    ------
    InputError
        If the three sequences differ in length.
    """
    _same_length(waveforms, families, conditions)
    return _join(_read_all(waveforms, families, conditions, detail=False))


def read_one(waveform: Waveform, family: Family, conditions: Conditions) -> tuple[Readings, list[SnapDetail]]:
    """Read one recording and keep what an annotated plot needs.

    Parameters
    ----------
    waveform : Waveform
        The recording.
    family : Family
        Its engine family.
    conditions : Conditions
        What the manifest says about it.

    Returns
    -------
    Readings
        As `read_waveforms` gives them.
    list of SnapDetail
        One per entry.
    """
    parts = _read_all([waveform], [family], [conditions], detail=True)
    return _join(parts), [detail for part in parts for detail in part.details]


def _same_length(waveforms: Sequence[Waveform], families: Sequence[Family], conditions: Sequence[Conditions]) -> None:
    if not len(waveforms) == len(families) == len(conditions):
        raise InputError(
            f"{len(waveforms)} recordings, {len(families)} families and {len(conditions)} conditions: "
            "give one family and one set of conditions per recording"
        )


def _read_all(
    waveforms: Sequence[Waveform], families: Sequence[Family], conditions: Sequence[Conditions], *, detail: bool
) -> list[StackReading]:
    by_family: dict[int, list[int]] = {}
    for index, family in enumerate(families):
        by_family.setdefault(id(family), []).append(index)
    parts = []
    for members in by_family.values():
        family = families[members[0]]
        for stack in stack_waveforms(waveforms, members):
            chosen = [conditions[index] for index in stack.recording]
            parts.append(read_stack(stack, family, chosen, detail=detail))
    return parts


def _named(reasons: NDArray[np.int8]) -> list[dict[str, str]]:
    """Rows of reason numbers to dicts; equal rows share one."""
    names = tuple(QUANTITIES)
    patterns: dict[bytes, dict[str, str]] = {}
    out = []
    for row in reasons:
        key = row.tobytes()
        if key not in patterns:
            patterns[key] = {names[k]: UNREAD_CODES[row[k]] for k in np.flatnonzero(row)}
        out.append(patterns[key])
    return out


def _join(parts: Sequence[StackReading]) -> Readings:
    """Join the stacks, in order of recording and snap."""
    from models.reading.aligned_traces import GRID

    if not parts:
        none, whole = np.empty(0), np.empty(0, dtype=np.int64)
        empty = dict.fromkeys(QUANTITIES, none)
        blank = np.empty((0, GRID), dtype=np.float32)
        return Readings(whole, whole, empty, dict(empty), [], [], [], [], none, none, none, none, blank, blank)
    recording = np.concatenate([part.recording for part in parts])
    snap = np.concatenate([part.snap for part in parts])
    order = np.lexsort((snap, recording))
    estimates: dict[str, Estimate] = {
        name: concatenate([part.estimates[name] for part in parts]) for name in QUANTITIES
    }
    reasons = np.stack([estimates[name].reason for name in QUANTITIES], axis=1)[order]

    def arrays(name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(part, name) for part in parts])[order]

    def lists(name: str) -> list[object]:
        joined = [item for part in parts for item in getattr(part, name)]
        return [joined[k] for k in order.tolist()]

    plain = {"rate_hz", "length_s", "snap_start_s", "snap_end_s", "shape_airflow", "shape_lambda"}
    columns = {field.name: arrays(field.name) for field in fields(Readings) if field.name in plain}
    listed = {name: lists(name) for name in ("marked", "grade", "grade_reasons")}
    return Readings(
        recording=recording[order],
        snap=snap[order],
        values={name: each.value[order] for name, each in estimates.items()},
        u={name: each.u[order] for name, each in estimates.items()},
        unread=_named(reasons),
        **columns,  # type: ignore[arg-type]
        **listed,  # type: ignore[arg-type]
    )
