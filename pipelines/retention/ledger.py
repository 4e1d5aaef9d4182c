"""What stays of waveforms that were removed: an entry for each time some were, in waveforms/removed/.

An entry is a folder: `rows` says which row of which delivery held which waveform, captures, readings and shapes are what was
read from it. `vansnap rebuild` takes from there what no sample gives any more. An entry is on disk before anything goes; it is
`finished` once everything is gone.
"""

import json
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.tables import TABLES, polars_schema
from pipelines.intake.decoding import Decoded
from pipelines.storage.atomic_files import sync_folder, write_all_atomically, write_atomically
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace

FOLDER = "removed"
"""Within waveforms/."""
READ = ("captures", "readings", "shapes")
_FINISHED = "finished"
_WAITING = "waiting"
_DRAFT = ".draft"


def entries(workspace: Workspace) -> list[Path]:
    """Folders of all entries, oldest first.

    Parameters
    ----------
    workspace : Workspace
    """
    return sorted((workspace.waveforms / FOLDER).glob("[0-9]*"))


def unfinished(workspace: Workspace) -> list[Path]:
    """Entries whose waveforms may not all be gone.

    Parameters
    ----------
    workspace : Workspace
    """
    return [entry for entry in entries(workspace) if not (entry / _FINISHED).exists()]


def finish(entry: Path) -> None:
    """Note that everything of an entry is gone.

    Parameters
    ----------
    entry : Path
    """
    write_atomically(entry / _FINISHED, b"")


def wait(entry: Path, deliveries: list[str]) -> None:
    """Note which deliveries of an entry are not emptied yet; all else of it is gone.

    Parameters
    ----------
    entry : Path
    deliveries : list of str
    """
    write_atomically(entry / _WAITING, json.dumps(deliveries).encode())


def waiting(entry: Path) -> list[str] | None:
    """Deliveries of an unfinished entry that are not emptied yet; None where that was not come to.

    Parameters
    ----------
    entry : Path
    """
    path = entry / _WAITING
    return [str(name) for name in json.loads(path.read_bytes())] if path.exists() else None


def discard(entry: Path) -> None:
    """Remove an entry of which nothing went.

    Parameters
    ----------
    entry : Path
    """
    draft = entry.with_name(_DRAFT)
    shutil.rmtree(draft, ignore_errors=True)
    entry.rename(draft)  # removed in part, it would be no entry and no draft
    shutil.rmtree(draft)


def write_entry(workspace: Workspace, warehouse: Warehouse, rows: pl.DataFrame, chunks: list[str]) -> Path:
    """Write down what stays of some waveforms; on disk once this returns.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Holds what was read from them.
    rows : polars.DataFrame
        Of every row that names one: delivery, row, file, conditions (JSON), and the columns of `waveforms`.
    chunks : list of str
        Files that hold them.
    """
    folder = workspace.waveforms / FOLDER
    folder.mkdir(exist_ok=True)
    draft = folder / _DRAFT
    shutil.rmtree(draft, ignore_errors=True)
    draft.mkdir()
    tables = {"rows": rows, "chunks": pl.DataFrame({"chunk": chunks}, schema={"chunk": pl.String})}
    with warehouse.rows("_ids", rows.select("waveform_id").unique()):
        read = "SELECT * FROM captures SEMI JOIN _ids USING (waveform_id)"
        tables["captures"] = warehouse.query(f"{read} ORDER BY capture_id")
        for name in ("readings", "shapes"):
            tables[name] = warehouse.query(
                f"SELECT * FROM {name} SEMI JOIN ({read}) USING (capture_id) ORDER BY capture_id"
            )
    for name, table in tables.items():
        table.write_parquet(draft / f"{name}.parquet")
    write_all_atomically({path: path.read_bytes() for path in sorted(draft.iterdir())})
    number = max((int(entry.name) for entry in entries(workspace)), default=0) + 1
    entry = draft.rename(folder / f"{number:06d}")
    sync_folder(folder)
    return entry


def rows_of(entry: Path) -> pl.DataFrame:
    """Rows of deliveries whose waveforms an entry is about.

    Parameters
    ----------
    entry : Path
    """
    return pl.read_parquet(entry / "rows.parquet")


def chunks_of(entry: Path) -> list[str]:
    """Chunks that held them.

    Parameters
    ----------
    entry : Path
    """
    return pl.read_parquet(entry / "chunks.parquet")["chunk"].to_list()


def removed_rows(workspace: Workspace, deliveries: Mapping[str, set[str]]) -> dict[tuple[str, int], Decoded]:
    """What decoding gave of files that were emptied, by delivery and row.

    Parameters
    ----------
    workspace : Workspace
    deliveries : mapping of str to set of str
        Emptied files by delivery.
    """
    found = {}
    for entry in entries(workspace):
        for row in rows_of(entry).iter_rows(named=True):
            if row["file"] in deliveries.get(row["delivery"], ()):
                removed = {name: row[name] for name in polars_schema(TABLES["waveforms"])}
                conditions = json.loads(row["conditions"])
                found[row["delivery"], row["row"]] = Decoded(row["waveform_id"], (), None, conditions, removed)
    return found


def bring_back(workspace: Workspace, warehouse: Warehouse, wanted: pl.DataFrame) -> None:
    """Give recordings whose samples are gone the readings they had.

    Parameters
    ----------
    workspace : Workspace
        Whose entries are asked.
    warehouse : Warehouse
        Open for writing.
    wanted : polars.DataFrame
        delivery, row, waveform_id.
    """
    for entry in reversed(entries(workspace)):
        if wanted.is_empty():
            return
        tables = dict(_read(entry))
        captures = tables["captures"].join(wanted, on=["delivery", "row", "waveform_id"], how="semi")
        with warehouse.transaction():
            for name in READ:
                warehouse.upsert(name, tables[name].join(captures, on="capture_id", how="semi"))
        wanted = wanted.join(captures, on=["delivery", "row", "waveform_id"], how="anti")


def _read(entry: Path) -> Iterator[tuple[str, pl.DataFrame]]:
    """Tables of an entry, without columns that the contract has no more."""
    for name in READ:
        table = pl.read_parquet(entry / f"{name}.parquet")
        yield name, table.select([column for column in table.columns if column in polars_schema(TABLES[name])])


def as_row(stored: Mapping[str, Any], removed_on: object) -> dict[str, Any]:
    """A row of `waveforms` whose samples are gone.

    Parameters
    ----------
    stored : mapping of str to object
        The row as it was.
    removed_on : date
    """
    return {**stored, "chunk": "", "row_group": 0, "removed_on": removed_on}
