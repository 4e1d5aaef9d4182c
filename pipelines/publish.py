"""The read side: a fresh file beside the warehouse, swapped in by one rename."""

import os
from pathlib import Path

import duckdb

from data_contracts.tables import TABLES
from pipelines.warehouse import Warehouse
from pipelines.weeks import week_end

# What a published table holds when a run stands for an earlier week: nothing later than that week.
_UP_TO_WEEK = {
    "captures": "week <= $week",
    "readings": "capture_id IN (SELECT capture_id FROM captures WHERE week <= $week)",
    "shapes": "capture_id IN (SELECT capture_id FROM captures WHERE week <= $week)",
    "trends": "week <= $week",
    "watchlist": "week <= $week",
    "work_orders": "week <= $week",
    "notices": "week <= $week",
    "learning": "week <= $week",
    "runs": "week = $week",
    "repairs": "done_at < $end",
}

# Rows of one van side by side, so that a question about a van skips the rest of the file; other tables by their key.
_ORDER = {"captures": ("van_id", "captured_at", "capture_id")}


def publish(warehouse: Warehouse, destination: Path, *, week: str) -> None:
    """Copy the published tables, as of a week, into a new file and put it in place.

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
    fresh = destination.with_name(f".{destination.name}.{os.getpid()}.fresh")
    for stale in destination.parent.glob(f".{destination.name}.*.fresh*"):
        stale.unlink()
    connection = warehouse.connection
    connection.execute(f"ATTACH '{_quoted(fresh)}' AS fresh")
    try:
        for table in TABLES.values():
            if not table.published:
                continue
            where = _UP_TO_WEEK.get(table.name, "true")
            columns = ", ".join(f'"{column.name}"' for column in table.columns)
            order = ", ".join(f'"{key}"' for key in _ORDER.get(table.name, table.key)) or "ALL"
            known = {"week": week, "end": week_end(week)}
            parameters = {name: value for name, value in known.items() if f"${name}" in where} or None
            connection.execute(
                f'CREATE TABLE fresh."{table.name}" AS SELECT {columns} FROM "{table.name}" WHERE {where} ORDER BY {order}',
                parameters,
            )
        connection.execute("CHECKPOINT fresh")
    finally:
        connection.execute("DETACH fresh")
    descriptor = os.open(fresh, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    fresh.replace(destination)
    folder = os.open(destination.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def published_run(path: Path) -> tuple[str, str] | None:
    """Week and data hash of the run a published file holds.

    Parameters
    ----------
    path : Path
        published.duckdb.

    Returns
    -------
    tuple of (str, str) or None
        Week and `data_id`; None where there is no readable file.
    """
    if not path.is_file():
        return None
    try:
        with duckdb.connect(str(path), read_only=True) as connection:
            row = connection.execute(
                "SELECT week, data_id FROM runs ORDER BY finished_at DESC, run_id LIMIT 1"
            ).fetchone()
    except duckdb.Error:
        return None
    return None if row is None else (str(row[0]), str(row[1]))


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")
