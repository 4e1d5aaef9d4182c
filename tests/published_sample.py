"""A made-up workspace with a published file, for tests of the read side and the board.

Tables and columns come from data_contracts, numbers from a seeded generator: plausible, known, and quick to
make. Van `N-01` wears an injector, `N-02` has a slow lambda sensor, `S-03` has an air-mass sensor that reads low;
the rest are well.
"""

import functools
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from data_contracts.tables import TABLES, create_table_sql, polars_schema
from data_contracts.weeks import week_of
from pipelines.storage.summaries import make_summaries
from pipelines.storage.waveforms import write_waveforms
from tests.published_rows import FAMILIES, SampleRows
from tests.published_tests import plan_rows

_FILLER: dict[str, object] = {"text": "sample", "integer": 0, "number": 0.0, "boolean": False, "texts": []}


def write_table(connection: duckdb.DuckDBPyConnection, name: str, rows: list[dict[str, object]]) -> None:
    """Make a contract table and fill it; columns a row leaves out are null, or a filler where null is not allowed."""
    table = TABLES[name]
    connection.execute(create_table_sql(table))
    if rows:
        schema = polars_schema(table)
        blank = {c.name: (c.words or (_FILLER.get(c.type),))[0] if c.required else None for c in table.columns}
        frame = pl.DataFrame([blank | row for row in rows], schema=schema)  # noqa: F841 (read by name)
        connection.execute(f'INSERT INTO "{name}" SELECT * FROM frame')


def make_workspace(
    home: Path,
    *,
    vans_per_depot: int = 8,
    weeks: int = 16,
    finished_at: datetime | None = None,
    van_notes: Mapping[str, str] | None = None,
    seed: int = 5,
    never_seen: Sequence[str] = (),
) -> list[str]:
    """Write settings.toml, a register with two families, and published.duckdb: made once a process, then copied.

    Parameters
    ----------
    home : Path
        Folder to write into.
    vans_per_depot : int
        Vans in each of the two depots, north and south.
    weeks : int
        ISO weeks of history; the last ends before `finished_at`.
    finished_at : datetime, optional
        When the last run published; default the moment of the process's first workspace.
    van_notes : mapping of str to str, optional
        Notes of vans of the register.
    seed : int
        Of the generator.
    never_seen : sequence of str
        Vans of depot north that were registered and never recorded.

    Returns
    -------
    list of str
        The weeks, oldest first.
    """
    notes = tuple((van_notes or {}).items())
    made, names = _made(vans_per_depot, weeks, finished_at or _now(), notes, seed, tuple(never_seen))
    shutil.copytree(made, home, dirs_exist_ok=True)
    return list(names)


@functools.cache
def _now() -> datetime:
    return datetime.now(UTC)


@functools.cache
def _kept() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="published-sample-")


@functools.cache
def _made(
    vans_per_depot: int,
    weeks: int,
    finished: datetime,
    van_notes: tuple[tuple[str, str], ...],
    seed: int,
    never_seen: tuple[str, ...],
) -> tuple[Path, list[str]]:
    """A workspace to copy, gone with the process, and its weeks."""
    home = Path(tempfile.mkdtemp(dir=_kept().name)) / "home"
    (home / "register").mkdir(parents=True)
    (home / "settings.toml").write_text("", encoding="utf-8")
    (home / "register" / "families.toml").write_text(FAMILIES, encoding="utf-8")
    mondays = [(finished - timedelta(weeks=weeks - 1 - k)).date() for k in range(weeks)]
    mondays = [day - timedelta(days=day.weekday()) for day in mondays]
    names = [week_of(day) for day in mondays]
    tables = SampleRows(np.random.default_rng(seed), mondays, dict(van_notes))
    for depot in ("north", "south"):
        for number in range(1, vans_per_depot + 1):
            tables.add_van(f"{depot[0].upper()}-{number:02d}", depot, "brook-20" if number % 2 else "tarn-15")
    for van_id in never_seen:
        blank = {"van_id": van_id, "family": "brook-20", "depot": "north"}
        tables.rows["vans"].append(blank)
    tables.add_lists()
    tables.add_account()
    tables.rows["test_plan"] = plan_rows(tables, names[-1])
    tables.rows["runs"].append(
        {"run_id": "r1", "week": names[-1], "finished_at": finished, "vansnap": "0.1.0", "data_id": "0" * 64}
    )
    (home / "waveforms").mkdir()
    tables.rows["waveforms"] = [vars(stored) for stored in write_waveforms(home / "waveforms", tables.encoded)]
    fresh = home / ".published.duckdb.fresh"
    with duckdb.connect(str(fresh)) as connection:
        for name, table in TABLES.items():
            if table.published:
                write_table(connection, name, tables.rows[name])
        make_summaries(connection, "main")
    fresh.replace(home / "published.duckdb")
    return home, names
