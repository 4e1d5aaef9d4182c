"""A published file of many vans: a real one, every van of it copied under new names inside DuckDB.

Names go on from those of the file, and what is hashed stays a hash, so that rows lie as in a file that `publish` wrote. Ten
copies of the fleet share their depots.
"""

import os
import subprocess
import sys
from pathlib import Path

import duckdb

from data_contracts.tables import TABLES, Table
from pipelines.storage.publish import ORDER, ROW_GROUP
from pipelines.storage.summaries import make_summaries

COPIES_A_DEPOT = 10
AT_ONCE = 50
"""Copies that are sorted and written together, where the order of the table allows it."""
MEMORY = "3GB"
_OF_A_VAN = ("van_id", "visit")
_HASHED = ("capture_id", "waveform_id", "order_id", "event_id", "repair_id")
_OF_A_DEPOT = ("depot", "delivery")


def sample_home(folder: Path) -> Path:
    """A workspace whose vans are copied: the one that BENCH_HOME names, never written to, or else a sample fleet made in a folder."""
    if known := os.environ.get("BENCH_HOME"):
        return Path(known)
    made = folder / "sample"
    command = [sys.executable, "-m", "pipelines.cli", "demo", "--home", str(made)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return made


def name_of(van: str, copy: int) -> str:
    """Name of a copy of a van; the first keeps its own."""
    return van if copy == 0 else f"{copy:05d}-{van}"


def depot_of(depot: str, copy: int) -> str:
    """Depot of a copy of a van."""
    return depot if copy < COPIES_A_DEPOT else f"{depot}-{copy // COPIES_A_DEPOT}"


def multiply(path: Path, vans: int, *, every: int = 1) -> None:
    """Copy the vans of a published file until there are `vans` or a few more; the first keep their names.

    Parameters
    ----------
    path : Path
        Published file, replaced.
    vans : int
        How many there are to be.
    every : int
        One week in so many of each van's visits is kept, counted back from its newest.
    """
    fresh = path.with_suffix(".fresh")
    with duckdb.connect(config={"memory_limit": MEMORY, "temp_directory": str(path.with_suffix(".spill"))}) as made:
        made.execute("SET enable_progress_bar = false")
        made.execute("SET TimeZone = 'UTC'")
        made.execute(f"ATTACH '{path}' AS one (READ_ONLY)")
        made.execute(f"ATTACH '{fresh}' AS many (ROW_GROUP_SIZE {ROW_GROUP})")
        there = made.execute("SELECT count(*) FROM one.vans").fetchone()
        assert there is not None
        copies = -(-vans // int(there[0]))
        made.execute(
            "CREATE TEMP TABLE kept AS SELECT capture_id, waveform_id FROM one.captures "
            f"QUALIFY dense_rank() OVER (PARTITION BY van_id ORDER BY week DESC) % {every} = {1 % every}"
        )
        for table in (table for table in TABLES.values() if table.published):
            _copy(made, table, copies)
        make_summaries(made, "many")
        made.execute("CHECKPOINT many")
    fresh.replace(path)


def _copy(made: duckdb.DuckDBPyConnection, table: Table, copies: int) -> None:
    """One table, every row once for each copy of its van or depot, in the order `publish` has it."""
    names = [column.name for column in table.columns]
    of_vans = any(name in names for name in (*_OF_A_VAN, *_HASHED))
    of_depots = any(name in names for name in _OF_A_DEPOT)
    depots = f"copy // {COPIES_A_DEPOT}" if of_vans else "copy"
    changed = {name: f"if(copy = 0, {name}, printf('%05d-', copy) || {name})" for name in _OF_A_VAN}
    changed |= {name: f"if(copy = 0, {name}, left(sha256(copy || '/' || {name}), length({name})))" for name in _HASHED}
    changed |= {name: f"if({depots} = 0, {name}, {name} || '-' || ({depots}))" for name in _OF_A_DEPOT}
    replaced = [f"{changed[name]} AS {name}" for name in names if name in changed]
    if "rank" in names:
        replaced.append(f"((rank - 1) * {copies} + copy + 1)::BIGINT AS rank")
    columns = f"* EXCLUDE (copy) REPLACE ({', '.join(replaced)})" if replaced else "* EXCLUDE (copy)"
    where = _kept(table.name, names)
    order = ORDER.get(table.name, table.key)
    sorted_by = ", ".join(f'"{key}"' for key in order) or "ALL"
    last = copies if of_vans else -(-copies // COPIES_A_DEPOT) if of_depots else 1
    step = AT_ONCE if order[:1] == ("van_id",) else last
    # names of copies begin with their number, which goes ahead of the first copy's own
    spans = [(first, min(first + step, last)) for first in range(1, last, step)] + [(0, 1)]
    if step == last:
        spans = [(0, last)]
    made.execute(f"CREATE TABLE many.{table.name} AS SELECT * FROM one.{table.name} LIMIT 0")
    for span in spans:
        made.execute(
            f"INSERT INTO many.{table.name} SELECT {columns} FROM one.{table.name}, range({span[0]}, {span[1]}) AS twins(copy) "
            f"{where} ORDER BY {sorted_by}"
        )


def _kept(table: str, names: list[str]) -> str:
    """Only rows of the visits that are kept."""
    if table == "trends":
        return "WHERE (van_id, week) IN (SELECT (van_id, week) FROM one.captures JOIN kept USING (capture_id))"
    key = next((name for name in ("capture_id", "waveform_id") if name in names), None)
    return "" if key is None else f"WHERE {key} IN (SELECT {key} FROM kept)"
