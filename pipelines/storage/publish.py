"""Publishing: a fresh file beside the warehouse, swapped in by one rename."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from data_contracts.summary_tables import SUMMARY_TABLES
from data_contracts.tables import TABLES, Table
from data_contracts.weeks import week_end
from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.room import room_for, size_of
from pipelines.storage.sample_view import SAMPLES_VIEW, chunks_in_sql, has_chunks, view_samples
from pipelines.storage.summaries import make_summaries
from pipelines.storage.warehouse import Warehouse, quoted
from pipelines.workspace.drafts import clear_drafts_of, draft_of

# What a published table holds as of an earlier week: nothing later than that week.
_UP_TO_WEEK = {
    "captures": "week <= $week",
    "readings": "capture_id IN (SELECT capture_id FROM captures WHERE week <= $week)",
    "shapes": "capture_id IN (SELECT capture_id FROM captures WHERE week <= $week)",
    "trends": "week <= $week",
    "watchlist": "week <= $week",
    "work_orders": "week <= $week",
    "test_plan": "week <= $week",
    "part_lives": "week <= $week",
    "depots_compared": "week <= $week",
    "families_compared": "week <= $week",
    "notices": "week <= $week",
    "learning": "week <= $week",
    "runs": "week = $week",
    "repairs": "done_at < $end",
}

# Rows of one van are stored together, so that a query for a van skips the rest of the file; other tables go by key.
ORDER = {"captures": ("van_id", "captured_at", "capture_id")}

_EXPECTED = {
    (table.name, column.name)
    for table in (*(t for t in TABLES.values() if t.published), *SUMMARY_TABLES.values())
    for column in table.columns
}

DECIDED = ("work_orders", "order_events", "proof_statistics", "item_events", "quarantine")
"""Tables a decision changes."""
ROW_GROUP = 8192
"""Rows that are skipped or read together. The board asks for one van or one capture at a time, so they are few."""


def publish(warehouse: Warehouse, destination: Path, *, week: str) -> None:
    """Copy the published tables, as of a week, into a new file and put it in place: with little memory, or with more where that
    does not do.

    Readers of the old file keep it until they close it; nobody ever sees half a copy.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, outside a transaction.
    destination : Path
        published.duckdb of the workspace.
    week : str
        ISO week the run stands for.
    """
    try:
        with warehouse.little_memory():
            _publish(warehouse.connection, destination, week)
    except duckdb.OutOfMemoryException:  # not for want of room on the disk, which is a NoRoomError
        _publish(warehouse.connection, destination, week)


def _publish(connection: duckdb.DuckDBPyConnection, destination: Path, week: str) -> None:
    with _fresh(connection, destination, f"(ROW_GROUP_SIZE {ROW_GROUP})"):
        for table in TABLES.values():
            if table.published:
                _copy(connection, table, week, f'CREATE TABLE fresh."{table.name}" AS')
        make_summaries(connection, "fresh")
        for database in ("fresh", ""):
            view_samples(connection, destination.parent / "waveforms", database)


def publish_decisions(warehouse: Warehouse, destination: Path, *, week: str) -> None:
    """Bring only what decisions change up to date in the published file; the rest is copied as it is.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, outside a transaction.
    destination : Path
        published.duckdb of the workspace.
    week : str
        ISO week it stands for.
    """
    with _fresh(warehouse.connection, destination, copied=True) as connection:
        for name in DECIDED:
            _copy(connection, TABLES[name], week, f'CREATE OR REPLACE TABLE fresh."{name}" AS')


def _replace(fresh: Path, destination: Path) -> None:
    """Put a published file in place; another program's log beside the old one would make the new one unreadable."""
    _log_of(destination).unlink(missing_ok=True)
    put_in_place(fresh, destination)


def _log_of(path: Path) -> Path:
    """Where DuckDB keeps what a writer has not yet written into the file itself."""
    return path.with_name(f"{path.name}.wal")


@contextmanager
def _fresh(
    connection: duckdb.DuckDBPyConnection, destination: Path, options: str = "", *, copied: bool = False
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A published file in the making, attached as `fresh`: put in place at the end, or gone with its log where anything fails."""
    clear_drafts_of(destination)
    fresh = draft_of(destination)
    before = size_of(destination)
    try:
        with room_for(destination, before or None):
            connection.execute("DETACH DATABASE IF EXISTS fresh")  # it stays where memory ran out for that too
            if copied:
                shutil.copyfile(destination, fresh)
            connection.execute(f"ATTACH '{quoted(fresh)}' AS fresh {options}")
            try:
                yield connection
                connection.execute("CHECKPOINT fresh")
            finally:
                connection.execute("DETACH fresh")
            _replace(fresh, destination)
    except BaseException:
        clear_drafts_of(destination)
        raise


def _copy(connection: duckdb.DuckDBPyConnection, table: Table, week: str, verb: str) -> None:
    """Rows of one table as of a week, in published order."""
    where = _UP_TO_WEEK.get(table.name, "true")
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    order = ", ".join(f'"{key}"' for key in ORDER.get(table.name, table.key)) or "ALL"
    known = {"week": week, "end": week_end(week)}
    parameters = {name: value for name, value in known.items() if f"${name}" in where} or None
    connection.execute(f'{verb} SELECT {columns} FROM "{table.name}" WHERE {where} ORDER BY {order}', parameters)


def published_run(path: Path, *, whole: bool = True) -> tuple[str, str] | None:
    """Week and data hash of the run a published file holds.

    Parameters
    ----------
    path : Path
        published.duckdb.
    whole : bool
        Only of a file with every table and column of today. One that an earlier version published has a week too.

    Returns
    -------
    tuple of (str, str) or None
        Week and `data_id`; None where there is no such file, it can't be read, or another program wrote to it.
    """
    if not path.is_file() or _log_of(path).exists():
        return None
    try:
        with duckdb.connect(str(path), read_only=True) as connection:
            there = set(connection.execute("SELECT table_name, column_name FROM duckdb_columns()").fetchall())
            if whole and not (there >= _EXPECTED and _shows_samples(connection, path.parent / "waveforms")):
                return None
            row = connection.execute(
                "SELECT week, data_id FROM runs ORDER BY finished_at DESC, run_id LIMIT 1"
            ).fetchone()
    except duckdb.Error:
        return None
    return None if row is None else (str(row[0]), str(row[1]))


def _shows_samples(connection: duckdb.DuckDBPyConnection, folder: Path) -> bool:
    """Whether the view over the waveforms points at where they are now."""
    views = connection.execute("SELECT sql FROM duckdb_views() WHERE view_name = ?", [SAMPLES_VIEW]).fetchall()
    return any(chunks_in_sql(folder) in text for (text,) in views) or not has_chunks(folder)
