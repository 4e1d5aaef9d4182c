"""The warehouse: one DuckDB file with one writer, its tables made from data_contracts/tables.py."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb
import polars as pl

from data_contracts.errors import NoRoomError, WorkspaceBusyError, WorkspaceError, first_line
from data_contracts.plurals import counted
from data_contracts.tables import TABLES, create_table_sql, polars_schema
from pipelines.storage.room import is_full, no_room, room_for
from pipelines.storage.upgrades import bring_up_to_date, keep_a_copy, kept_copies, state_of
from pipelines.workspace.workspace import Workspace

LITTLE_MEMORY = 700_000_000
"""For what sorts or writes more rows than a run should hold. Of our choosing. [bytes]"""


def open_warehouse(workspace: Workspace) -> "Warehouse":
    """The warehouse of a workspace, open for writing; made where the workspace is new.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.

    Returns
    -------
    Warehouse

    Raises
    ------
    WorkspaceError
        If it is gone while what was taken in is still there, for a new one would know nothing of it.
    """
    path = workspace.warehouse_path
    if not path.exists():
        kept = [*workspace.waveforms.glob("*.parquet"), *workspace.delivered.glob("*"), workspace.published_path]
        if there := sum(one.exists() for one in kept):
            raise WorkspaceError(
                f"{path} is missing, though {counted(there, 'file made with it is', 'files made with it are')} here: {_way_back(path)}"
            )
    return Warehouse(path)


def clear_spilled(path: Path) -> None:
    """Remove what a killed process left of rows that were too many for memory; DuckDB itself does once it next has such rows.

    Parameters
    ----------
    path : Path
        The warehouse, which nobody has open. A link beside it is not followed, and other files are left alone.
    """
    folder = path.with_name(f"{path.name}.tmp")
    if folder.is_symlink():
        return
    with suppress(OSError):  # not there, another account's, or with other files in it: no reason for a run to end
        for one in folder.glob("duckdb_temp_*"):
            one.unlink()
        folder.rmdir()


def _way_back(path: Path) -> str:
    """What to do about a warehouse that is missing or can't be opened."""
    return (
        f"put it back with `vansnap restore --from PLACE --home {path.parent}`, PLACE being where its backups are, or make it again "
        f"from what was kept with `vansnap rebuild --home {path.parent}`"
    )


class Warehouse:
    """Typed access to warehouse.duckdb; the only thing that writes to it.

    Opening an older warehouse brings it up to date: a copy is made beside it, then numbered migrations are applied and
    missing tables, columns and checks made, all in one transaction. A copy stays until the next one.

    Parameters
    ----------
    path : Path
        The file; made if it is not there.

    Raises
    ------
    WorkspaceBusyError
        If another process has it open.
    WorkspaceError
        If it is damaged, or was written by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        new = not path.exists()
        try:
            self._open()
        except BaseException:
            if new:  # half a file would be taken for a damaged one
                for half in (path, path.with_name(f"{path.name}.wal")):
                    half.unlink(missing_ok=True)
            raise

    def _open(self) -> None:
        self._connect()
        try:
            with room_for(self.path):
                state = state_of(self.connection, self.path)
                if state == "outdated":
                    self._upgrade()
                else:
                    self._make_complete(anew=state == "new")
            for older in kept_copies(self.path)[:-1]:  # the newest stays; a killed upgrade leaves more
                older.unlink(missing_ok=True)
        except BaseException:
            self.connection.close()
            raise

    def _upgrade(self) -> None:
        """Bring an older file up to date, with a copy of it beside it; whatever stops it leaves the file as it was."""
        self.connection.close()
        copy = keep_a_copy(self.path)
        try:
            self._connect()
            self._make_complete(anew=True)
        except BaseException:
            copy.unlink(missing_ok=True)  # it is what the file is
            raise

    def _make_complete(self, *, anew: bool) -> None:
        with self.transaction():
            if anew:
                bring_up_to_date(self.connection, self.path)
            self.execute(_sql("row_account.sql"))

    def _connect(self) -> None:
        path = self.path
        try:
            self.connection = duckdb.connect(str(path), config={"autoinstall_known_extensions": "false"})
        except duckdb.IOException as error:
            if "lock" in str(error).lower():
                raise WorkspaceBusyError(
                    f"{path} is open in another process: wait until it ends, then run again"
                ) from None
            if is_full(error):
                raise no_room(path) from error
            raise WorkspaceError(f"{path} can't be opened ({first_line(error)}): {_way_back(path)}") from error
        except duckdb.Error as error:
            raise WorkspaceError(f"{path} can't be opened ({first_line(error)}): {_way_back(path)}") from error
        self.connection.execute("SET TimeZone = 'UTC'")
        self.connection.execute("SET enable_progress_bar = false")

    def __enter__(self) -> "Warehouse":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None and is_full(error) and not isinstance(error, NoRoomError):
            with suppress(duckdb.Error):
                self.close()
            raise no_room(self.path) from error
        with room_for(self.path):
            self.close()

    def close(self) -> None:
        """Close the file; everything committed is on disk."""
        self.connection.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit everything inside, or nothing."""
        self.connection.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            with suppress(duckdb.Error):  # a full disk may have ended it already
                self.connection.execute("ROLLBACK")
            raise
        self.connection.execute("COMMIT")

    def query(self, sql: str, parameters: Sequence[Any] | dict[str, Any] | None = None) -> pl.DataFrame:
        """Rows of one SELECT.

        Parameters
        ----------
        sql : str
            With `?` or `$name` for parameters.
        parameters : sequence or mapping, optional
            Their values.

        Returns
        -------
        DataFrame
            Moments in UTC.
        """
        rows: pl.DataFrame = self.connection.sql(sql, params=parameters).pl()
        return rows

    def parts(self, sql: str, at_once: int) -> Iterator[pl.DataFrame]:
        """Rows of one SELECT, some at a time, so that they are never in memory together; nothing else may be asked until the last is taken.

        Parameters
        ----------
        sql : str
        at_once : int
            Rows of a part, or fewer.

        Yields
        ------
        DataFrame
            As `query` gives them.
        """
        for part in self.connection.sql(sql).to_arrow_reader(at_once):
            yield pl.DataFrame(part)

    def execute(self, sql: str, parameters: Sequence[Any] | dict[str, Any] | None = None) -> None:
        """Run one statement that gives no rows.

        Parameters
        ----------
        sql : str
            One statement.
        parameters : sequence or dict, optional
            Its parameters.
        """
        self.connection.execute(sql, parameters).fetchall()

    @contextmanager
    def rows(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Make a frame visible to SQL under a name for the length of the block.

        Parameters
        ----------
        name : str
            Name SQL sees it under.
        frame : DataFrame
            The rows.
        """
        self.connection.register(name, frame.to_arrow())
        try:
            yield
        finally:
            with suppress(duckdb.TransactionException):  # aborted: the next frame of that name replaces it
                self.connection.unregister(name)

    def append(self, table: str, rows: pl.DataFrame) -> None:
        """Add rows to a table.

        Parameters
        ----------
        table : str
            A table of `data_contracts.tables.TABLES`.
        rows : DataFrame
            Columns by name; columns it lacks become null, columns the table lacks are an error.
        """
        self._insert(table, rows, "INSERT INTO")

    def upsert(self, table: str, rows: pl.DataFrame) -> None:
        """Add rows to a table, replacing rows with the same key.

        Parameters
        ----------
        table : str
            Name of the table.
        rows : DataFrame
            Rows with the table's columns.
        """
        self._insert(table, rows, "INSERT OR REPLACE INTO")

    def replace(self, table: str, rows: pl.DataFrame) -> None:
        """Make a table hold exactly these rows; call inside a transaction to do it in one step.

        Only rows that are gone, new or different are touched, so a table that grows is appended to.

        Parameters
        ----------
        table : str
            A table of `data_contracts.tables.TABLES`.
        rows : DataFrame
            Columns by name; columns it lacks become null, columns the table lacks are an error.
        """
        contract = TABLES[table]
        wanted = _typed(table, rows).select(
            pl.col(name) if name in rows.columns else pl.lit(None, kind).alias(name)
            for name, kind in polars_schema(contract).items()
        )
        unchanged = " AND ".join(
            f'r."{c.name}" {"=" if c.name in contract.key else "IS NOT DISTINCT FROM"} t."{c.name}"'
            for c in contract.columns
        )
        with self.rows("_wanted", wanted):
            self.execute(f'DELETE FROM "{table}" t WHERE NOT EXISTS (SELECT 1 FROM _wanted r WHERE {unchanged})')
            keys = ", ".join(f'"{key}"' for key in contract.key)
            self.execute(f'INSERT INTO "{table}" BY NAME SELECT * FROM _wanted ANTI JOIN "{table}" USING ({keys})')

    def make_whole(self, table: str, file: Path | None) -> None:
        """Make a table hold exactly the rows of a file, which are never in memory together; call inside a transaction.

        Parameters
        ----------
        table : str
            A table of `data_contracts.tables.TABLES`.
        file : Path or None
            Parquet with the table's columns; None is no row.
        """
        self.execute(f'DROP TABLE IF EXISTS "{table}"')
        self.execute(create_table_sql(TABLES[table]))
        if file is not None:
            with self.little_memory():
                self.execute(f"INSERT INTO \"{table}\" BY NAME SELECT * FROM read_parquet('{quoted(file)}')")

    @contextmanager
    def little_memory(self) -> Iterator[None]:
        """Do what is inside with little more memory than is in use; the rest goes to the disk, beside the file."""
        used = self.query("SELECT sum(memory_usage_bytes) FROM duckdb_memory() WHERE tag <> 'BASE_TABLE'").item()
        self.execute(f"SET memory_limit = '{(int(used or 0) + LITTLE_MEMORY) // 1000}KB'")
        try:
            yield
        finally:
            with suppress(duckdb.TransactionException):  # aborted: what follows is closing it
                self.execute("RESET memory_limit")

    def _insert(self, table: str, rows: pl.DataFrame, verb: str) -> None:
        typed = _typed(table, rows)
        if typed.is_empty():
            return
        columns = ", ".join(f'"{c}"' for c in typed.columns)
        with self.rows("_rows", typed):
            self.connection.execute(f'{verb} "{table}" ({columns}) SELECT {columns} FROM _rows')


def _typed(table: str, rows: pl.DataFrame) -> pl.DataFrame:
    schema = polars_schema(TABLES[table])
    unknown = [c for c in rows.columns if c not in schema]
    if unknown:
        raise KeyError(f"table {table} has no column {', '.join(unknown)}")
    return rows.select(pl.col(c).cast(schema[c]) for c in rows.columns)


def _sql(name: str) -> str:
    """The text of a file of pipelines/sql."""
    return (resources.files("pipelines") / "sql" / name).read_text(encoding="utf-8")


def quoted(path: Path) -> str:
    """A path as it stands between the quotes of a statement.

    Parameters
    ----------
    path : Path
    """
    return str(path).replace("'", "''")
