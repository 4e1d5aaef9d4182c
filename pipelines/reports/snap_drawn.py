"""One snap as data for a small drawing: both traces thinned, what is marked on them, and where the bands lie.

`vansnap read --plot OUT.json` writes it; the board draws it in the reader's language, units and colours.
"""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.signals import BANK2_PREFIX
from models.at_the_van.marks import Bands, Mark, air_marks, events, lambda_marks
from models.statistics.arrays import Floats
from pipelines.read_side.traces import thinned

if TYPE_CHECKING:
    from models.reading.read import Readings
    from models.reading.snap_detail import SnapDetail

POINTS = 170
"""Stretches that a phone's width has room for, each with its lowest and highest sample."""
BEFORE_S, AFTER_S = 0.5, 1.6
"""What is drawn before the opening and after the release. [s]"""


def drawn(family: Family, readings: "Readings", detail: "SnapDetail", row: int, bands: Bands) -> dict[str, Any]:
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

    Returns
    -------
    dict
        air (time, trace, marks, volts, transfer: volts and flow where the trace is in volts) and lambda (the same of each bank in
        `traces`, marks of the first; volts; rich_is_up). Times are from the opening, else from the first sample. [s], [V
        or g/s], [V or 1]
    """
    read = {name: float(values[row]) for name, values in readings.values.items()}
    opening, release = read["opening_s"], read["release_s"]
    start = opening if np.isfinite(opening) else 0.0
    first = start - BEFORE_S if np.isfinite(opening) else -np.inf
    stop = (release if np.isfinite(release) else np.inf) + AFTER_S
    keep = (detail.time_s >= first) & (detail.time_s <= stop)
    sensor = family.airflow_sensor
    volts = sensor.kind == "volts"
    names = sorted((name for name in detail.channels if "lambda" in name), key=lambda n: n.startswith(BANK2_PREFIX))
    in_volts = bool(names) and all(name.endswith("_v") for name in names)
    return {
        "from_opening": bool(np.isfinite(opening)),
        "events": [_told(mark, start) for mark in events(detail)],
        "air": {
            "volts": volts,
            "transfer": [sensor.transfer.tolist(), sensor.transfer_g_s.tolist()] if volts else None,
            "trace": _trace(detail.time_s, detail.airflow_raw if volts else detail.airflow_g_s, keep, start),
            "marks": [_told(mark, start) for mark in air_marks(detail, read, bands)],
        },
        "lambda": {
            "volts": in_volts,
            "rich_is_up": in_volts and family.lambda_sensor.polarity == "rich_high",
            "traces": [_trace(detail.time_s, detail.channels[name], keep, start) for name in names],
            "marks": [_told(mark, start) for name in names[:1] for mark in lambda_marks(detail, name, read, bands)],
        },
    }


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


def _trace(time: Floats, samples: Any, keep: Any, start: float) -> list[list[float]]:
    known = keep & np.isfinite(samples)
    at, level = thinned(time[known] - start, np.asarray(samples[known], dtype=np.float64), POINTS)
    return [np.round(at, 4).tolist(), np.round(level, 4).tolist()]


def _told(mark: Mark, start: float) -> dict[str, Any]:
    levels = {} if mark.kind == "event" else {"low": mark.low, "high": mark.high}
    return {"kind": mark.kind, "name": mark.name, "first": mark.first - start, "stop": mark.stop - start, **levels}
