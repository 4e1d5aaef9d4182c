"""Read access to published.duckdb and what the register adds to it; the questions themselves are in queries.py.

A run replaces the file by a rename. `open_published` looks at the file's identity each time it is
called, so the next question after a swap is answered from the new file. Nothing is held between questions but
one idle connection per file.
"""

import json
import os
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from data_contracts.errors import MissingFileError, VansnapError, WorkspaceBusyError, WorkspaceError, first_line
from data_contracts.family import Family
from pipelines.workspace.register import load_families
from pipelines.workspace.settings import Settings, load_settings

Parameters = Mapping[str, object]
_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "python_enable_replacements": False,
}


_ADDED = {"captures": ("held", "VARCHAR")}
"""Columns that a file of the version before does not have: they are asked for as null."""


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
    """

    home: Path
    stamp: tuple[int, int, int]
    _connection: duckdb.DuckDBPyConnection
    schema: str = "published"

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
            cursor = self._connection.cursor()
            cursor.execute(f"USE {self.schema}")
            frame: pl.DataFrame = cursor.sql(sql, params=dict(parameters or {})).pl()
            return frame
        except duckdb.Error as error:
            raise WorkspaceError(
                f"published.duckdb in {self.home} can't be asked ({first_line(error)}): "
                f"publish it again with `vansnap weekly --home {self.home}`"
            ) from error

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
        If the file is damaged.
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
            f"nothing is published in {home} yet: run `vansnap weekly --home {home}`, then open the board again"
        ) from None
    stamp = (status.st_dev, status.st_ino, status.st_mtime_ns)
    with _lock:
        known = _open.get(path)
        if known is not None and known.stamp == stamp:
            return known
        # A database of its own per file: two connections to one path would share the old file's pages.
        connection = duckdb.connect(":memory:", config=_CONFIG)
        try:
            connection.execute("SET GLOBAL TimeZone = 'UTC'")  # weeks and days are UTC's, whatever the machine's zone
            connection.execute(f"ATTACH '{str(path).replace(chr(39), chr(39) * 2)}' AS published (READ_ONLY)")
        except duckdb.IOException as error:
            if "lock" in str(error):
                raise WorkspaceBusyError(
                    f"published.duckdb in {home} is held for writing by another program: close it there, or open it read-only"
                ) from error
            raise _damaged(home, error) from error
        except duckdb.Error as error:
            raise _damaged(home, error) from error
        try:
            schema = _with_added(connection)
        except duckdb.Error as error:
            raise _damaged(home, error) from error
        _open[path] = Published(home, stamp, connection, schema)
        return _open[path]


def _with_added(connection: duckdb.DuckDBPyConnection) -> str:
    """The schema to ask: the file itself, or views of its tables where an older version left a column out."""
    there: dict[str, set[str]] = {}
    for table, column in connection.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = 'published' AND NOT internal"
    ).fetchall():
        there.setdefault(table, set()).add(column)
    missing = {table: one for table, one in _ADDED.items() if table in there and one[0] not in there[table]}
    if not missing:
        return "published"
    connection.execute("CREATE SCHEMA memory.older")
    for table in there:
        name, kind = missing.get(table, ("", ""))
        added = f', NULL::{kind} AS "{name}"' if name else ""
        connection.execute(f'CREATE VIEW memory.older."{table}" AS SELECT *{added} FROM published."{table}"')
    return "memory.older"


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
