"""A visit read at the van as a delivery: its recordings and a manifest with the conditions that were given."""

import csv
import io
import tempfile
import zipfile
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from data_contracts.capture import Conditions
from pipelines.commands.visit_files import lay_out

_FOLDER = "waveforms"


def delivery_of(
    given: Sequence[tuple[str, bytes]],
    *,
    van_id: str,
    captured_at: datetime,
    recorder: str,
    conditions: Conditions,
    left_out: Collection[str],
    name: str,
    most_bytes: int,
) -> bytes:
    """Pack the recordings of a visit as a delivery.

    Parameters
    ----------
    given : sequence of (name, content)
        As handed over, see `lay_out`.
    van_id : str
        The van.
    captured_at : datetime
        When they were recorded; must carry a UTC offset.
    recorder : str
        Recorder profile.
    conditions : Conditions
        What was measured beside them.
    left_out : collection of str
        Names of recordings, as laid out, that can't be read.
    name : str
        Of the folder in the zip.
    most_bytes : int
        Most that all recordings may hold, unpacked. [bytes]

    Returns
    -------
    bytes
        The zip.

    Raises
    ------
    InputError
        As `lay_out` does.
    """
    row = {"van_id": van_id, "captured_at": captured_at.isoformat(timespec="seconds"), "recorder": recorder}
    row |= _told(conditions)
    packed, table = io.BytesIO(), io.StringIO()
    with tempfile.TemporaryDirectory(prefix="vansnap-visit-") as folder:
        laid = lay_out(given, Path(folder), most_bytes=most_bytes)
        files = [path for path in ([laid] if laid.is_file() else sorted(laid.iterdir())) if path.name not in left_out]
        rows = csv.DictWriter(table, ["file", *row], lineterminator="\n")
        rows.writeheader()
        rows.writerows({"file": f"{_FOLDER}/{path.name}", **row} for path in files)
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(f"{name}/manifest.csv", table.getvalue())
            for path in files:
                archive.write(path, f"{name}/{_FOLDER}/{path.name}")
    return packed.getvalue()


def _told(conditions: Conditions) -> Mapping[str, str]:
    """What was given, as the manifest writes it; the recorder's accuracy is its profile's."""
    told = {}
    for name, value in vars(conditions).items():
        if value is None or value == () or name.startswith("recorder_"):
            continue
        if isinstance(value, bool):
            told[name] = str(value).lower()
        else:
            told[name] = ";".join(value) if isinstance(value, tuple) else str(value)
    return told
