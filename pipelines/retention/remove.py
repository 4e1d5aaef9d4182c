"""Raw waveforms that are due go: chunks without them, delivered files emptied. What was read from them stays, with all hashes.

First chunks are written anew without what goes, and what stays is written down (`ledger.py`), then the warehouse says so in one
transaction, and only then are old chunks deleted and delivered files emptied. A run that is cut off before that transaction has
changed nothing that counts, one cut off after it is finished by the next.
"""

import json
from collections.abc import Mapping, Set
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import WorkspaceError
from data_contracts.tables import WAVEFORMS, polars_schema
from pipelines.intake.delivery import RefusedError, inner_path
from pipelines.intake.filing import place_of, remove_drafts
from pipelines.intake.manifest import read_manifest
from pipelines.retention import ledger
from pipelines.retention.due import ahead_line, counted_from, kept_since, old_waveforms
from pipelines.retention.emptied import DAMAGED, emptied, empty, manifest_of
from pipelines.storage.room import is_full
from pipelines.storage.unreferenced import UNREFERENCED
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import Encoded, encode, read_chunk, write_waveforms
from pipelines.workspace.log import note
from pipelines.workspace.workspace import Workspace


def mark_removed(workspace: Workspace, warehouse: Warehouse, months: int, at: datetime) -> int:
    """Write down what stays of waveforms that are due, and let the warehouse say that they are gone.

    Nothing is deleted yet: who reads what is published still finds every sample. `delete_removed` does the rest.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.
    months : int
        For which samples are kept, at least 1.
    at : datetime
        Time of the run. Where that may be wrong nothing goes, and the log says so.

    Returns
    -------
    int
        Waveforms that go.
    """
    counted = counted_from(warehouse, at)
    if counted is None:
        note(workspace, "raw_kept", reason=ahead_line(at))
        return 0
    due = old_waveforms(warehouse, kept_since(months, counted)).filter(pl.col("kept_for").is_null())
    if due.is_empty():
        return 0
    day = at.astimezone(UTC).date()
    moved: list[dict[str, Any]] = []
    chunks = []
    for (chunk,), goes in due.group_by(["chunk"], maintain_order=True):
        left = _left(workspace.waveforms / str(chunk), set(goes["waveform_id"]))
        if left is not None:
            chunks.append(str(chunk))
            moved += [vars(one) for one in write_waveforms(workspace.waveforms, left)]
    due = due.filter(pl.col("chunk").is_in(chunks))
    stored = warehouse.query("SELECT * FROM waveforms")
    gone = [
        ledger.as_row(row, day)
        for row in stored.join(due, on="waveform_id", how="semi").sort("waveform_id").iter_rows(named=True)
    ]
    marked = pl.DataFrame(gone, schema=polars_schema(WAVEFORMS))
    rows = _rows(workspace, warehouse, marked)
    ledger.write_entry(workspace, warehouse, rows, chunks)
    with warehouse.transaction():
        warehouse.upsert("waveforms", marked)
        warehouse.upsert("waveforms", pl.DataFrame(moved, schema=polars_schema(WAVEFORMS)))
    return len(gone)


def discard_cut_off(workspace: Workspace, warehouse: Warehouse) -> None:
    """Remove entries of runs that were cut off before the warehouse said that anything is gone.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open.
    """
    for entry in ledger.unfinished(workspace):
        if not _counts(warehouse, entry):
            ledger.discard(entry)


def _left(path: Path, ids: set[str]) -> Encoded | None:
    """What stays of a chunk, as it was written; None where that is damaged, for then nothing of it goes: `vansnap check` says so."""
    try:
        held = {name: one for name, one in read_chunk(path).items() if name not in ids}
    except WorkspaceError:
        return None
    if any(one.waveform_id != name for name, one in held.items()):
        return None
    return {name: encode(name, one) for name, one in held.items()}


def delete_removed(workspace: Workspace, warehouse: Warehouse) -> None:
    """Delete what the warehouse says is gone: chunks that no row names any more, and what delivered files held.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller, what it published names nothing that goes.
    warehouse : Warehouse
        Open, outside a transaction.
    """
    known = [ledger.rows_of(entry).select("delivery", "row") for entry in ledger.entries(workspace)]
    written = set(pl.concat(known).iter_rows()) if known else set()
    for entry in ledger.unfinished(workspace):
        if not _counts(warehouse, entry):
            continue
        named = set(warehouse.query("SELECT DISTINCT chunk FROM waveforms")["chunk"])
        for chunk in set(ledger.chunks_of(entry)) - named:
            for folder in (workspace.waveforms, workspace.waveforms / UNREFERENCED):
                (folder / chunk).unlink(missing_ok=True)
        deliveries = sorted(set(ledger.rows_of(entry)["delivery"]))
        left = [one for one in deliveries if not _empty_delivery(workspace, warehouse, one, written)]
        remove_drafts(workspace)
        if left:
            ledger.wait(entry, left)
        else:
            ledger.finish(entry)


def _counts(warehouse: Warehouse, entry: Path) -> bool:
    """Whether the warehouse says of an entry's waveforms that they are gone."""
    with warehouse.rows("_ids", ledger.rows_of(entry).select("waveform_id").unique()):
        gone = "SELECT count(*) FROM waveforms SEMI JOIN _ids USING (waveform_id) WHERE removed_on IS NOT NULL"
        return bool(warehouse.query(gone).item())


def _rows(workspace: Workspace, warehouse: Warehouse, marked: pl.DataFrame) -> pl.DataFrame:
    """Rows of deliveries that name waveforms which go, with what their files said."""
    with warehouse.rows("_marked", marked):
        found = warehouse.query(
            """
            SELECT m.delivery, m.row, m.waveform_id AS id, r.file, d.source, d.place FROM manifest_rows m
            JOIN deliveries d USING (delivery) LEFT JOIN recordings r USING (delivery, row)
            WHERE m.waveform_id IN (SELECT waveform_id FROM _marked) ORDER BY ALL
            """
        )
        said = warehouse.query("SELECT * FROM recordings SEMI JOIN _marked USING (waveform_id) ORDER BY state = 'held'")
    manifests: dict[str, dict[int, Mapping[str, str | None]]] = {}
    for row in found.iter_rows(named=True):
        if row["delivery"] not in manifests:
            path = place_of(workspace, row["delivery"], row["source"], row["place"])
            manifests[row["delivery"]] = _manifest(path)
    own: dict[tuple[str, int], dict[str, float]] = {}
    of_waveform: dict[str, dict[str, float]] = {}
    for row in said.iter_rows(named=True):
        cells = manifests.get(row["delivery"], {}).get(row["row"], {})
        numbers = {name: value for name, value in row.items() if isinstance(value, float) and not cells.get(name)}
        own[row["delivery"], row["row"]] = of_waveform[row["waveform_id"]] = numbers
    table = []
    stored = {row["waveform_id"]: row for row in marked.iter_rows(named=True)}
    for row in found.iter_rows(named=True):
        here = row["delivery"], row["row"]
        file = manifests[row["delivery"]].get(row["row"], {}).get("file") or row["file"]
        if file is not None:  # what a duplicate's file says of conditions is what the same recording's said
            conditions = json.dumps(own.get(here, of_waveform.get(row["id"], {})))
            table.append(
                {"delivery": here[0], "row": here[1], "file": _inside(file), "conditions": conditions}
                | stored[row["id"]]
            )
    texts = dict.fromkeys(("delivery", "file", "conditions"), pl.String())
    return pl.DataFrame(table, schema={**texts, "row": pl.Int64(), **polars_schema(WAVEFORMS)})


def _manifest(path: Path) -> dict[int, Mapping[str, str | None]]:
    """Rows of a kept delivery's manifest by number; none where it can't be read."""
    try:
        return {row.number: row.cells for row in read_manifest(manifest_of(path))}
    except (RefusedError, *DAMAGED):
        return {}


def _inside(file: str) -> str:
    """A manifest's path in plain form; as it is where it leads out of the delivery, so that it names no file there."""
    try:
        return inner_path(file)
    except RefusedError:
        return file


def _empty_delivery(workspace: Workspace, warehouse: Warehouse, delivery: str, written: Set[tuple[str, int]]) -> bool:
    """Empty the files of a delivery that only rows name whose samples are gone, and of which it is written down what stays.

    Whether that is done; not where it waits in quarantine, lies as a folder that is not packed yet, or is damaged.
    """
    row = warehouse.query("SELECT source, place FROM deliveries WHERE delivery = ?", [delivery]).row(0, named=True)
    path = place_of(workspace, delivery, row["source"], row["place"])
    if not path.exists():
        return True
    if row["place"] != "delivered" or not path.is_file():
        return False
    gone = warehouse.query(
        """
        SELECT m.row, w.removed_on IS NOT NULL AS gone FROM manifest_rows m LEFT JOIN waveforms w USING (waveform_id)
        WHERE m.delivery = ?
        """,
        [delivery],
    )
    known = {number: bool(is_gone) and (delivery, number) in written for number, is_gone in gone.iter_rows()}
    files: dict[str, bool] = {}
    manifest = _manifest(path)
    for number, cells in manifest.items():
        file = _inside(cells.get("file") or "")
        files[file] = files.get(file, True) and known.get(number, False)
    due = {file for file, is_gone in files.items() if is_gone}
    left = due - emptied(path)
    try:
        if left:
            empty(path, left)
    except (RefusedError, *DAMAGED) as error:
        if is_full(error):
            raise
        return False  # damaged: it stays, and `vansnap check` says so
    return bool(manifest)
