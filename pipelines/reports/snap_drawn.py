"""One snap as data for a small drawing: both traces thinned, what is marked on them, and where the bands lie.

`vansnap read --plot OUT.json` writes it; the board draws it in the reader's language, units and colours.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.signals import BANK2_PREFIX
from models.at_the_van.marks import Bands, Mark, air_marks, events, lambda_marks
from pipelines.read_side.traces import thinned

if TYPE_CHECKING:
    from models.reading.read import Readings
    from models.reading.snap_detail import SnapDetail

POINTS = 170
"""Stretches that a phone's width has room for, each with its lowest and highest sample."""
MOST_OTHERS = 5
"""Other snaps of a visit that are drawn behind: more would be a hatching. Of our choosing."""
BEFORE_S, AFTER_S = 0.5, 1.6
"""What is drawn before the opening and after the release. [s]"""


def drawn(
    family: Family,
    readings: "Readings",
    detail: "SnapDetail",
    row: int,
    bands: Bands,
    others: "Sequence[tuple[Readings, SnapDetail, int]]" = (),
) -> dict[str, Any]:
    """What to draw of one snap.

    Parameters
    ----------
    family : Family
        Its sensors say in which unit the traces are, and which end of lambda is rich.
    readings : Readings
        Of the recording.
    detail : SnapDetail
        Of the snap.
    row : int
        Its entry in the readings.
    bands : mapping of str to (low, high)
        Where quantities should lie. [unit of the quantity]
    others : sequence of (Readings, SnapDetail, int), optional
        Other snaps of the visit, the first few of which are drawn behind.

    Returns
    -------
    dict
        air (time, trace, marks, volts, transfer: volts and flow where the trace is in volts) and lambda (the same of each bank in
        `traces`, marks of the first; volts; transfer: volts and lambda of a wideband sensor in volts; rich_is_up); of both the traces of the others, lambda of the first bank. Times are from
        the opening, else from the first sample. [s], [V or g/s], [V or 1]
    """
    read = {name: float(values[row]) for name, values in readings.values.items()}
    start = _start(readings, row)
    sensor = family.airflow_sensor
    volts = sensor.kind == "volts"
    names = sorted((name for name in detail.channels if "lambda" in name), key=lambda n: n.startswith(BANK2_PREFIX))
    in_volts = bool(names) and all(name.endswith("_v") for name in names)
    behind = [other for other in others if np.isfinite(other[0].values["opening_s"][other[2]])][:MOST_OTHERS]
    return {
        "from_opening": bool(np.isfinite(readings.values["opening_s"][row])),
        "events": [_told(mark, start) for mark in events(detail)],
        "air": {
            "volts": volts,
            "transfer": [sensor.transfer.tolist(), sensor.transfer_g_s.tolist()] if volts else None,
            "trace": _air((readings, detail, row), volts),
            "others": [_air(other, volts, POINTS // 2) for other in behind],
            "marks": [_told(mark, start) for mark in air_marks(detail, read, bands)],
        },
        "lambda": {
            "volts": in_volts,
            "transfer": _characteristic(family) if in_volts else None,
            "rich_is_up": in_volts and family.lambda_sensor.polarity == "rich_high",
            "traces": [_lambda((readings, detail, row), name) for name in names],
            "others": [
                _lambda(other, name, POINTS // 2) for other in behind for name in names[:1] if name in other[1].channels
            ],
            "marks": [_told(mark, start) for name in names[:1] for mark in lambda_marks(detail, name, read, bands)],
        },
    }


def _characteristic(family: Family) -> list[list[float]] | None:
    """Volts and lambda of a wideband sensor; None of another, whose volts tell rich from lean alone."""
    sensor = family.lambda_sensor
    if sensor.kind != "wideband":
        return None
    return [sensor.characteristic_v.tolist(), sensor.characteristic_lambda.tolist()]


def _start(readings: "Readings", row: int) -> float:
    """The opening, else the first sample. [s]"""
    opening = float(readings.values["opening_s"][row])
    return opening if np.isfinite(opening) else 0.0


def _air(snap: "tuple[Readings, SnapDetail, int]", volts: bool, points: int = POINTS) -> list[list[float]]:
    return _trace(snap, snap[1].airflow_raw if volts else snap[1].airflow_g_s, points)


def _lambda(snap: "tuple[Readings, SnapDetail, int]", name: str, points: int = POINTS) -> list[list[float]]:
    return _trace(snap, snap[1].channels[name], points)


def write_drawn(path: Path, document: dict[str, Any]) -> None:
    """Write it as JSON.

    Parameters
    ----------
    path : Path
        File to write.
    document : dict
        As `drawn` returns it.

    Raises
    ------
    InputError
        If the file can't be written.
    """
    try:
        path.write_text(json.dumps(document, allow_nan=False), encoding="utf-8")
    except OSError as error:
        raise InputError(f"can't write {path}: {error.strerror}; name a file you may write") from error


def _trace(snap: "tuple[Readings, SnapDetail, int]", samples: Any, points: int) -> list[list[float]]:
    """Time from the opening and level, from a little before the opening to after the release."""
    readings, detail, row = snap
    start, release = _start(readings, row), float(readings.values["release_s"][row])
    first = start - BEFORE_S if np.isfinite(readings.values["opening_s"][row]) else -np.inf
    stop = (release if np.isfinite(release) else np.inf) + AFTER_S
    known = (detail.time_s >= first) & (detail.time_s <= stop) & np.isfinite(samples)
    at, level = thinned(detail.time_s[known] - start, np.asarray(samples[known], dtype=np.float64), points)
    return [np.round(at, 4).tolist(), np.round(level, 4).tolist()]


def _told(mark: Mark, start: float) -> dict[str, Any]:
    levels = {} if mark.kind == "event" else {"low": mark.low, "high": mark.high}
    return {"kind": mark.kind, "name": mark.name, "first": mark.first - start, "stop": mark.stop - start, **levels}
