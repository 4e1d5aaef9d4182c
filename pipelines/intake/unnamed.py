"""Recordings in a delivery that no row of its manifest names: each waits in quarantine, so that files are accounted for as rows are."""

from collections.abc import Collection, Iterable
from pathlib import PurePosixPath

from pipelines.intake.delivery import MANIFEST, Delivery, RefusedError, inner_path, legible
from pipelines.intake.manifest import TextRow
from pipelines.intake.quarantine import Item
from pipelines.intake.readers.recording import ending_of

RULE = "unnamed_file"


def unnamed_files(
    delivery: str, opened: Delivery, rows: Iterable[TextRow], discarded: Collection[str] = ()
) -> list[Item]:
    """Items for recordings that no row names.

    Parameters
    ----------
    delivery : str
        Its name.
    opened : Delivery
        Its files.
    rows : iterable of TextRow
        All rows of its manifest, as mended.
    discarded : collection of str
        Items that a person has discarded.

    Returns
    -------
    list of Item
        By name; none for the manifest, hidden files and notes of other programs, and none while a row names no file at all:
        that row waits, and the file may be its own.
    """
    rows = list(rows)
    if any(not row.cells.get("file") for row in rows):
        return []
    named = {_plain(row.cells.get("file") or "") for row in rows}
    items = [
        Item(
            delivery,
            legible(name),
            None,
            RULE,
            f"{legible(name)[:120]}: no row names this file: add its row to manifest.csv, or discard it",
            0,
        )
        for name in opened.files()
        if name not in named and _is_recording(name)
    ]
    return [item for item in items if item.item_id not in discarded]


def _plain(name: str) -> str:
    try:
        return inner_path(name)
    except RefusedError:
        return name


def _is_recording(name: str) -> bool:
    parts = PurePosixPath(name).parts
    junk = any(part.startswith(".") or part == "__MACOSX" for part in parts)
    note = name.lower().endswith(".txt") and parts[-1].lower().startswith("readme")
    return bool(ending_of(name)) and name != MANIFEST and not junk and not note
