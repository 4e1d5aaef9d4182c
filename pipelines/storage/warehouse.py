"""The warehouse: one DuckDB file with one writer, its tables made from data_contracts/tables.py."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb
import polars as pl

from data_contracts.errors import NoRoomError, WorkspaceBusyError, WorkspaceError, first_line
from data_contracts.plurals import counted
from data_contracts.tables import TABLES, Table, create_table_sql, duckdb_type, polars_schema
from pipelines.storage.room import is_full, no_room, room_for
from pipelines.workspace.workspace import Workspace

_A_WAY_BACK = "put it back with `vansnap restore`, or make it again from what was kept with `vansnap rebuild`"
FIRST_SCHEMA = 1
"""Version of a warehouse before any migration; the first is pipelines/sql/0002_NAME.sql."""


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
                f"{path} is missing, though {counted(there, 'file made with it is', 'files made with it are')} here: {_A_WAY_BACK}"
            )
    return Warehouse(path)


class Warehouse:
    """Typed access to warehouse.duckdb; the only thing that writes to it.

    Opening applies numbered migrations and makes missing tables, columns and checks, all in one transaction, so an
    older warehouse is brought up to date by the first run of a newer version.

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
            raise WorkspaceError(f"{path} can't be opened ({first_line(error)}): {_A_WAY_BACK}") from error
        except duckdb.Error as error:
            raise WorkspaceError(f"{path} can't be opened ({first_line(error)}): {_A_WAY_BACK}") from error
        try:
            self.connection.execute("SET TimeZone = 'UTC'")
            self.connection.execute("SET enable_progress_bar = false")
            with room_for(path):
                self._bring_up_to_date()
        except BaseException:
            self.connection.close()
            raise

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

    def _insert(self, table: str, rows: pl.DataFrame, verb: str) -> None:
        typed = _typed(table, rows)
        if typed.is_empty():
            return
        columns = ", ".join(f'"{c}"' for c in typed.columns)
        with self.rows("_rows", typed):
            self.connection.execute(f'{verb} "{table}" ({columns}) SELECT {columns} FROM _rows')

    def _bring_up_to_date(self) -> None:
        """Apply the migrations that are new to the file, then make what the contract has and the file lacks.

        In this order, so that a migration finds the tables as the older version left them. A new file needs none.
        """
        with self.transaction():
            new = self.query("SELECT count(*) FROM duckdb_tables()").item() == 0
            self.execute("CREATE TABLE IF NOT EXISTS schema_version (version BIGINT NOT NULL)")
            done = self.query("SELECT coalesce(max(version), 0) AS version FROM schema_version").item()
            numbered = _migrations()
            newest = max(numbered, default=FIRST_SCHEMA)
            if done > newest:
                raise WorkspaceError(
                    f"{self.path} was written by a newer version (schema {done}, this one knows {newest}): update Vansnap"
                )
            for number in sorted(n for n in numbered if n > done and not new):
                self.connection.execute(numbered[number])
            if done < newest:
                self.execute("INSERT INTO schema_version VALUES (?)", [newest])
            for table in TABLES.values():
                self._complete(table)
            self.execute(_sql("row_account.sql"))

    def _complete(self, table: Table) -> None:
        """Make a table of the contract, or the columns and checks it lacks."""
        self.execute(create_table_sql(table))
        there = set(
            self.query("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table.name])["column_name"]
        )
        for column in table.columns:
            if column.name not in there:
                self.execute(f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" {duckdb_type(column)}')
        if self._checks(table.name) != _contract_checks(table):
            self._make_anew(table)

    def _checks(self, table: str) -> set[tuple[frozenset[str], frozenset[str]]]:
        """Columns and words of every CHECK of a table in the file."""
        found = self.connection.execute(
            "SELECT constraint_column_names, expression FROM duckdb_constraints() "
            "WHERE table_name = ? AND constraint_type = 'CHECK'",
            [table],
        ).fetchall()
        return {(frozenset(columns), frozenset(re.findall(r"'([^']*)'", text))) for columns, text in found}

    def _make_anew(self, table: Table) -> None:
        """Rebuild a table with the contract's checks and copy its rows: DuckDB can't add a CHECK to an existing one.

        A column that was added to rows already there may be null in them, and goes on to.
        """
        columns = ", ".join(f'"{column.name}"' for column in table.columns)
        nullable = set(
            self.query("SELECT column_name FROM duckdb_columns() WHERE table_name = ? AND is_nullable", [table.name])[
                "column_name"
            ]
        )
        kept = tuple(replace(c, required=c.required and c.name not in nullable) for c in table.columns)
        self.execute(f'ALTER TABLE "{table.name}" RENAME TO _before')
        self.execute(create_table_sql(replace(table, columns=kept)))
        try:
            self.execute(f'INSERT INTO "{table.name}" ({columns}) SELECT {columns} FROM _before')
        except duckdb.ConstraintException as error:
            raise WorkspaceError(
                f"{self.path}, table {table.name}, holds what this version does not know ({first_line(error)}): "
                "put back the one of this version with `vansnap restore`, or update Vansnap"
            ) from error
        self.execute("DROP TABLE _before")


def _typed(table: str, rows: pl.DataFrame) -> pl.DataFrame:
    schema = polars_schema(TABLES[table])
    unknown = [c for c in rows.columns if c not in schema]
    if unknown:
        raise KeyError(f"table {table} has no column {', '.join(unknown)}")
    return rows.select(pl.col(c).cast(schema[c]) for c in rows.columns)


def _contract_checks(table: Table) -> set[tuple[frozenset[str], frozenset[str]]]:
    return {(frozenset({c.name, c.unless} - {""}), frozenset(c.words)) for c in table.columns if c.words}


def _migrations() -> dict[int, str]:
    """Number to SQL text of every file pipelines/sql/NNNN_name.sql."""
    names = (f.name for f in (resources.files("pipelines") / "sql").iterdir())
    return {int(name[:4]): _sql(name) for name in names if re.fullmatch(r"\d{4}_\w+\.sql", name)}


def _sql(name: str) -> str:
    """The text of a file of pipelines/sql."""
    return (resources.files("pipelines") / "sql" / name).read_text(encoding="utf-8")
