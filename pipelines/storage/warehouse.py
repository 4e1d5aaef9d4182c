"""The warehouse: one DuckDB file with one writer, its tables made from data_contracts/tables.py."""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import Any

import duckdb
import polars as pl

from data_contracts.errors import WorkspaceBusyError, WorkspaceError
from data_contracts.tables import TABLES, create_table_sql, duckdb_type, polars_schema


class Warehouse:
    """Typed access to warehouse.duckdb; the only thing that writes to it.

    Opening makes missing tables and columns and applies numbered migrations, so an older warehouse
    is brought up to date by the first run of a newer version.

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
        try:
            self.connection = duckdb.connect(str(path), config={"autoinstall_known_extensions": "false"})
        except duckdb.IOException as error:
            if "lock" in str(error).lower():
                raise WorkspaceBusyError(
                    f"{path} is open in another process: wait until it ends, then run again"
                ) from None
            raise WorkspaceError(f"{path} can't be opened ({_first_line(error)}): restore it from a backup") from error
        except duckdb.Error as error:
            raise WorkspaceError(f"{path} can't be opened ({_first_line(error)}): restore it from a backup") from error
        try:
            self.connection.execute("SET TimeZone = 'UTC'")
            self.connection.execute("SET enable_progress_bar = false")
            self._bring_up_to_date()
        except BaseException:
            self.connection.close()
            raise

    def __enter__(self) -> "Warehouse":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
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
        """Run one statement that gives no rows."""
        self.connection.execute(sql, parameters).fetchall()

    @contextmanager
    def rows(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Let SQL see a frame under a name while the block lasts."""
        self.connection.register(name, frame.to_arrow())
        try:
            yield
        finally:
            with suppress(duckdb.TransactionException):  # aborted: the next frame of the name takes its place
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
        """Add rows to a table, replacing rows with the same key."""
        self._insert(table, rows, "INSERT OR REPLACE INTO")

    def replace(self, table: str, rows: pl.DataFrame) -> None:
        """Replace everything a table holds; call inside a transaction to do it in one step."""
        self.execute(f'DELETE FROM "{table}"')
        self._insert(table, rows, "INSERT INTO")

    def _insert(self, table: str, rows: pl.DataFrame, verb: str) -> None:
        schema = polars_schema(TABLES[table])
        unknown = [c for c in rows.columns if c not in schema]
        if unknown:
            raise KeyError(f"table {table} has no column {', '.join(unknown)}")
        if rows.is_empty():
            return
        typed = rows.select(pl.col(c).cast(schema[c]) for c in rows.columns)
        columns = ", ".join(f'"{c}"' for c in typed.columns)
        with self.rows("_rows", typed):
            self.connection.execute(f'{verb} "{table}" ({columns}) SELECT {columns} FROM _rows')

    def _bring_up_to_date(self) -> None:
        with self.transaction():
            self.execute("CREATE TABLE IF NOT EXISTS schema_version (version BIGINT NOT NULL)")
            done = self.query("SELECT coalesce(max(version), 0) AS version FROM schema_version").item()
            numbered = _migrations()
            newest = max(numbered, default=0)
            if done > newest:
                raise WorkspaceError(
                    f"{self.path} was written by a newer version (schema {done}, this one knows {newest}): update Vansnap"
                )
            for table in TABLES.values():
                self.execute(create_table_sql(table))
                there = set(
                    self.query("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table.name])[
                        "column_name"
                    ]
                )
                for column in table.columns:
                    if column.name not in there:
                        self.execute(f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" {duckdb_type(column)}')
            for number in sorted(n for n in numbered if n > done):
                self.connection.execute(numbered[number])
                self.execute("INSERT INTO schema_version VALUES (?)", [number])


def _migrations() -> dict[int, str]:
    """Number to SQL text of every file pipelines/sql/NNNN_name.sql."""
    files = (f for f in (resources.files("pipelines") / "sql").iterdir() if re.fullmatch(r"\d{4}_\w+\.sql", f.name))
    return {int(f.name[:4]): f.read_text(encoding="utf-8") for f in files}


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
