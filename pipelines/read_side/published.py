"""Read access to published.duckdb and what the register adds to it; the questions themselves are in queries.py.

A run replaces the file by a rename. `open_published` looks at the file's identity each time it is
called, so the next question after a swap is answered from the new file. Nothing is held between questions but
one idle connection per file.
"""

import functools
import json
import os
import tempfile
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl

from data_contracts.errors import MissingFileError, VansnapError, WorkspaceBusyError, WorkspaceError, first_line
from data_contracts.family import Family
from data_contracts.summary_tables import SUMMARY_TABLES
from data_contracts.tables import TABLES, duckdb_type
from pipelines.workspace.register import load_families
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.version import VERSION, is_newer

Parameters = Mapping[str, object]
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "memory_limit": "1GB",  # pages of the file that are kept, and sums in the making; of our choosing
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "python_enable_replacements": False,
}


_CONTRACT = {**{name: table for name, table in TABLES.items() if table.published}, **SUMMARY_TABLES}

_at_once = threading.BoundedSemaphore(max(os.cpu_count() or 1, 2))
"""Questions that are answered at once: more would share the same cores and the same memory."""
MOST_KNOWN = 500
"""Answers that are kept of one file: of some rows each, so that they take megabytes."""

_EVER = ("vans", "captures", "readings", "trends", "watchlist", "work_orders")
"""Tables that every version has published: without one of them nothing may look like a fleet in good order."""


@dataclass(frozen=True)
class Published:
    """One published file, as it was when it was opened.

    Attributes
    ----------
    home : Path
        Workspace.
    stamp : tuple of int
        Device, inode and modification time [ns] of the file; another stamp is another run.
    schema : str
        Where its tables are looked for: the file itself, or views that add what an older version did not
        have, or leave some of it out (restricted.py).
    answers : dict
        What `ask_once` keeps, by schema, statement and parameters.
    """

    home: Path
    stamp: tuple[int, int, int]
    _connection: duckdb.DuckDBPyConnection
    schema: str = "published"
    answers: dict[tuple[str, str, str], pl.DataFrame] = field(default_factory=dict, repr=False, compare=False)

    def columns(self) -> dict[str, set[str]]:
        """Columns of every table that can be asked for; the view over the waveforms is no table."""
        database, _, schema = self.schema.partition(".")
        of = "duckdb_views() AS t" if schema else "duckdb_tables() AS t"
        name = "view_name" if schema else "table_name"
        there: dict[str, set[str]] = {}
        for table, column in self.ask(
            f"SELECT c.table_name, c.column_name FROM duckdb_columns() AS c JOIN {of} ON c.database_name = t.database_name "
            f"AND c.schema_name = t.schema_name AND c.table_name = t.{name} "
            "WHERE c.database_name = $database AND ($schema = '' OR c.schema_name = $schema)",
            {"database": database, "schema": schema},
        ).iter_rows():
            there.setdefault(table, set()).add(column)
        return there

    def ask(self, sql: str, parameters: Parameters | None = None) -> pl.DataFrame:
        """Answer one query.

        Parameters
        ----------
        sql : str
            One statement; named parameters as `$name`.
        parameters : mapping, optional
            Their values.

        Returns
        -------
        polars.DataFrame

        Raises
        ------
        WorkspaceError
            If a table or column is not there, or the file is damaged.
        """
        try:
            with _at_once:
                cursor = self._connection.cursor()
                cursor.execute(f"USE {self.schema}")
                frame: pl.DataFrame = cursor.sql(sql, params=dict(parameters or {})).pl()
                return frame
        except duckdb.Error as error:
            raise WorkspaceError(
                f"published.duckdb in {self.home} can't be asked ({first_line(error)}): "
                f"publish it again with `vansnap weekly --home {self.home}`"
            ) from error

    def ask_once(self, sql: str, parameters: Parameters | None = None) -> pl.DataFrame:
        """Answer a query over the whole file, and keep the answer while the file stands and few others came since.

        Parameters
        ----------
        sql : str
            One statement with a small answer.
        parameters : mapping, optional
            Its values.

        Returns
        -------
        polars.DataFrame

        Raises
        ------
        WorkspaceError
            As `ask`.
        """
        key = self.schema, sql, repr(parameters)
        found = self.answers.get(key)
        if found is None:
            found = self.ask(sql, parameters)
            with _lock:
                self.answers[key] = found
                if len(self.answers) > MOST_KNOWN:
                    del self.answers[next(iter(self.answers))]
        return found

    def is_of(self, other: "Published") -> bool:
        """Whether both ask the same file through the same connection, so that what was made for one is there for the other.

        Parameters
        ----------
        other : Published
        """
        return self.stamp == other.stamp and self._connection is other._connection

    def execute(self, statements: Sequence[str]) -> None:
        """Run statements in memory beside the file, which stays unchanged.

        Parameters
        ----------
        statements : sequence of str
            SQL, in order.
        """
        with _lock:
            cursor = self._connection.cursor()
            for statement in statements:
                cursor.execute(statement)


@functools.cache
def _spill() -> tempfile.TemporaryDirectory[str] | None:
    """Where sums of many readers at once go that find no room in memory: closed to others, and gone with the process; None where
    nothing can be written but the workspace.
    """
    try:
        return tempfile.TemporaryDirectory(prefix="vansnap-")
    except OSError:
        return None


_lock = threading.Lock()
_open: dict[Path, Published] = {}


def open_published(home: Path) -> Published:
    """The published file of a workspace, as it is now.

    Parameters
    ----------
    home : Path
        Workspace.

    Returns
    -------
    Published

    Raises
    ------
    MissingFileError
        If there is no workspace, or nothing was published yet.
    WorkspaceBusyError
        If another program holds the file for writing.
    WorkspaceError
        If the file is damaged, was published by a newer version, or by one so early that figures would be wrong.
    """
    path = home / "published.duckdb"
    if not (home / "settings.toml").is_file():
        raise MissingFileError(
            f"{home} is not a workspace: make one with `vansnap demo --home {home}` or `vansnap init {home}`"
        )
    try:
        status = path.stat()
    except FileNotFoundError:
        raise MissingFileError(
            f"nothing is published in {home} yet: run `vansnap weekly --home {home}`, then look again"
        ) from None
    stamp = (status.st_dev, status.st_ino, status.st_mtime_ns)
    with _lock:
        known = _open.get(path)
        if known is not None and known.stamp == stamp:
            return known
        # A database of its own per file: two connections to one path would share the old file's pages.
        spill = _spill()
        config = {**_CONFIG, "temp_directory": "" if spill is None else f"{spill.name}/spilled"}
        connection = duckdb.connect(":memory:", config=config)
        try:
            connection.execute("SET GLOBAL TimeZone = 'UTC'")  # weeks and days are UTC's, whatever the machine's zone
            connection.execute(f"ATTACH '{str(path).replace(chr(39), chr(39) * 2)}' AS published (READ_ONLY)")
        except duckdb.IOException as error:
            if "lock" in str(error):
                raise WorkspaceBusyError(
                    f"published.duckdb in {home} is held for writing by another program: close it there, or open it read-only"
                ) from error
            if "Permission denied" in str(error):
                raise WorkspaceError(
                    f"this account may not read {path}: use the one that runs Vansnap, or let yours read it"
                ) from error
            raise _damaged(home, error) from error
        except duckdb.Error as error:
            raise _damaged(home, error) from error
        try:
            schema = _with_added(connection, home)
        except duckdb.Error as error:
            raise _damaged(home, error) from error
        except WorkspaceError:
            connection.close()
            raise
        _open[path] = Published(home, stamp, connection, schema)
        return _open[path]


def _with_added(connection: duckdb.DuckDBPyConnection, home: Path) -> str:
    """The schema to ask: the file itself, or views of its tables where an older version left tables or columns out.

    What may be empty is asked for as null, a table that came later as one without rows. Where a figure would be wrong
    for that, the file is not used.
    """
    there: dict[str, set[str]] = {}
    for table, column in connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables() USING (database_name, table_name) "
        "WHERE database_name = 'published'"  # tables only: the view over the waveforms names files
    ).fetchall():
        there.setdefault(table, set()).add(column)
    _refuse_another_version(connection, home, there)
    missing = {
        name: [column for column in table.columns if column.name not in there.get(name, set())]
        for name, table in _CONTRACT.items()
    }
    if not any(missing.values()):
        return "published"
    connection.execute("CREATE SCHEMA memory.older")
    for name in {**there, **missing}:
        added = ", ".join(f'NULL::{duckdb_type(column)} AS "{column.name}"' for column in missing.get(name, ()))
        source = f'SELECT *{", " if added else ""}{added} FROM published."{name}"'
        view = source if name in there else f"SELECT {added} WHERE false"
        connection.execute(f'CREATE VIEW memory.older."{name}" AS {view}')
    return "memory.older"


def _refuse_another_version(connection: duckdb.DuckDBPyConnection, home: Path, there: Mapping[str, set[str]]) -> None:
    """Refuse a file of a newer version, and an older one that lacks what can't be left out."""
    row = connection.execute("SELECT vansnap FROM published.runs ORDER BY finished_at DESC, run_id").fetchone()
    by = "" if row is None else str(row[0])
    if is_newer(by):
        raise WorkspaceError(
            f"published.duckdb in {home} was published by a newer version, Vansnap {by}, and this is Vansnap {VERSION}: "
            "update Vansnap; what runs already, like the board, has to be started again"
        )
    lacking = [name for name in (*_EVER, *SUMMARY_TABLES) if name not in there] + [
        f"{name}.{column.name}"
        for name, table in _CONTRACT.items()
        if name in there
        for column in table.columns
        if column.required and column.name not in there[name]
    ]
    if lacking:
        raise WorkspaceError(
            f"published.duckdb in {home} was published by an earlier version{f', Vansnap {by},' if by else ''} without "
            f"{lacking[0]}; this is Vansnap {VERSION}: publish it again with `vansnap weekly --home {home}`"
        )


def _damaged(home: Path, error: duckdb.Error) -> WorkspaceError:
    return WorkspaceError(
        f"published.duckdb in {home} can't be read ({first_line(error)}): "
        f"publish it again with `vansnap weekly --home {home}`"
    )


def run_in_progress(home: Path) -> bool:
    """Whether a run holds the workspace now. Never takes the lock. False where it can't be told.

    Parameters
    ----------
    home : Path
        Folder of the workspace.
    """
    try:
        status = (home / ".lock").stat()
        locks = Path("/proc/locks").read_text(encoding="ascii")
    except OSError:
        return False
    name = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    return any(name in line and "WRITE" in line for line in locks.splitlines())


def board_settings(home: Path) -> Settings:
    """Settings of the workspace; the defaults where settings.toml can't be read, so that the board still opens.

    Parameters
    ----------
    home : Path
        Folder of the workspace.
    """
    try:
        return load_settings(home / "settings.toml")
    except VansnapError:
        return Settings()


def model_cards(home: Path) -> list[dict[str, object]]:
    """Cards of the fitted models: what each was trained on and how it was calibrated; empty where there are none.

    Parameters
    ----------
    home : Path
        Workspace.

    Returns
    -------
    list of dict
    """
    try:
        cards = json.loads((home / "models" / "cards.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [card for card in cards if isinstance(card, dict)] if isinstance(cards, list) else []


def families(home: Path) -> dict[str, Family]:
    """Valid engine families of the register.

    Parameters
    ----------
    home : Path
        Workspace.

    Returns
    -------
    dict of str to Family
    """
    return load_families(home / "register")[0]
