"""An older warehouse brought up to date: a copy of it first, then all in one transaction. A newer one is left alone."""

import os
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Literal

import duckdb

from data_contracts.errors import WorkspaceError, first_line
from data_contracts.tables import TABLES, Table, create_table_sql, duckdb_type
from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.room import room_for, size_of
from pipelines.workspace.drafts import draft_of
from pipelines.workspace.version import VERSION, is_newer

FIRST_SCHEMA = 1
"""Version of a warehouse before any migration; the first is pipelines/sql/0002_NAME.sql."""
KEPT = "before-upgrade"
"""Ending of the copy that an upgrade makes first, before its moment; the newest stays."""
_BOOK = (
    "CREATE TABLE IF NOT EXISTS schema_version (version BIGINT NOT NULL)",
    "ALTER TABLE schema_version ADD COLUMN IF NOT EXISTS vansnap VARCHAR",
)
"""Which schema and which version brought the file up to date, a row each time."""


State = Literal["new", "current", "outdated"]
Checks = set[tuple[frozenset[str], frozenset[str]]]
"""Columns and words of each CHECK of a table."""


def state_of(connection: duckdb.DuckDBPyConnection, path: Path) -> State:
    """Whether a warehouse was written by this version, or by an earlier one.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the file open.
    path : Path
        Of the file.

    Returns
    -------
    str
        "new" where the file holds no table.

    Raises
    ------
    WorkspaceError
        If it was written by a newer version.
    """
    there = _columns(connection)
    if not there:
        return "new"
    schema, version = _written_by(connection, there)
    newest = max(_migrations(), default=FIRST_SCHEMA)
    if schema > newest or is_newer(version):
        schemas = f" (schema {schema}, this one knows {newest})" if schema > newest else ""
        raise _too_new(path, version, schemas)
    if (schema, version) != (newest, VERSION):
        return "outdated"
    _refuse_unknown_columns(path, version, there)
    checked = _checks(connection)
    lacks = any(
        not {c.name for c in t.columns} <= there.get(t.name, set()) or checked.get(t.name, set()) != _contract_checks(t)
        for t in TABLES.values()
    )
    return "outdated" if lacks else "current"


def keep_a_copy(path: Path) -> Path:
    """Copy a warehouse that is about to be brought up to date, whole or not at all.

    Parameters
    ----------
    path : Path
        The file; open nowhere, for closing a copy would end the lock that an open one holds.

    Returns
    -------
    Path
        The copy.
    """
    copy = path.with_name(f"{path.name}.{KEPT}-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}")
    draft = draft_of(copy)
    for stale in path.parent.glob(f".{path.name}.{KEPT}-*.part"):  # of an upgrade that was killed
        stale.unlink(missing_ok=True)
    try:
        with room_for(copy, size_of(path)):
            shutil.copyfile(path, draft)
            draft.chmod(path.stat().st_mode & 0o777)
            os.utime(draft, ns=(path.stat().st_mtime_ns,) * 2)
            put_in_place(draft, copy)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    return copy


def kept_copies(path: Path) -> list[Path]:
    """Copies that upgrades of a warehouse left, oldest first.

    Parameters
    ----------
    path : Path
        The warehouse.
    """
    return sorted(path.parent.glob(f"{path.name}.{KEPT}-*"))


def bring_up_to_date(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Apply the migrations that are new to the file, then make what the contract has and the file lacks.

    In this order, so that a migration finds the tables as the older version left them. A new file needs none.

    Parameters
    ----------
    connection : DuckDBPyConnection
        In a transaction, which the caller rolls back where this fails.
    path : Path
        Of the file, to name it.

    Raises
    ------
    WorkspaceError
        If the file holds what this version does not know.
    """
    there = _columns(connection)
    for statement in _BOOK:
        connection.execute(statement)
    done, version = _written_by(connection, _columns(connection)) if there else (0, "")
    numbered = _migrations()
    newest = max(numbered, default=FIRST_SCHEMA)
    for number in sorted(n for n in numbered if n > done and there):
        connection.execute(numbered[number])
    if not there or (done, version) != (newest, VERSION):
        connection.execute("INSERT INTO schema_version (version, vansnap) VALUES (?, ?)", [newest, VERSION])
    there, checked = _columns(connection), _checks(connection)
    _refuse_unknown_columns(path, version, there)
    for table in TABLES.values():
        _complete(connection, path, table, there.get(table.name), checked.get(table.name, set()))


def _columns(connection: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    """Columns of every table in the file."""
    rows = connection.execute(
        "SELECT t.table_name, c.column_name FROM duckdb_columns() c JOIN duckdb_tables() t USING (database_oid, table_oid) "
        "WHERE t.database_name = current_database()"
    )
    there: dict[str, set[str]] = {}
    for table, column in rows.fetchall():
        there.setdefault(table, set()).add(column)
    return there


def _written_by(connection: duckdb.DuckDBPyConnection, there: dict[str, set[str]]) -> tuple[int, str]:
    """Schema of a file and the version that wrote it; empty in a file from before versions were noted."""
    book = there.get("schema_version", set())
    schema, version = 0, None
    if book:
        named = "vansnap" if "vansnap" in book else "NULL"
        rows = connection.execute(f"SELECT version, {named} FROM schema_version ORDER BY rowid").fetchall()
        schema = max((int(number) for number, _ in rows), default=0)
        version = rows[-1][1] if rows else None
    return schema, str(version or "")


def _too_new(path: Path, version: str, why: str) -> WorkspaceError:
    theirs = (
        "a later state of the same Vansnap"
        if version == VERSION
        else f"Vansnap {version}"
        if version
        else "a newer Vansnap"
    )
    return WorkspaceError(
        f"{path} was written by a newer version, {theirs}{why}, and this is Vansnap {VERSION}: update Vansnap, or put a backup "
        "of this version back with `vansnap restore`; nothing was changed"
    )


def _refuse_unknown_columns(path: Path, version: str, there: dict[str, set[str]]) -> None:
    """What this version does not know it would lose, so it leaves such a file alone."""
    for table in TABLES.values():
        unknown = sorted(there.get(table.name, set()) - {column.name for column in table.columns})
        if unknown:
            raise _too_new(
                path, version, f" (table {table.name} has a column {unknown[0]} that this one does not know)"
            )


def _complete(
    connection: duckdb.DuckDBPyConnection, path: Path, table: Table, there: set[str] | None, checked: Checks
) -> None:
    """Make a table of the contract that is not there, or the columns and checks it lacks."""
    if there is None:
        connection.execute(create_table_sql(table))
        return
    for column in table.columns:
        if column.name not in there:
            connection.execute(f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" {duckdb_type(column)}')
    if checked != _contract_checks(table):
        _make_anew(connection, path, table)


def _checks(connection: duckdb.DuckDBPyConnection) -> dict[str, Checks]:
    """Columns and words of every CHECK in the file, by table."""
    rows = connection.execute(
        "SELECT table_name, constraint_column_names, expression FROM duckdb_constraints() "
        "WHERE constraint_type = 'CHECK' AND database_name = current_database()"
    )
    found: dict[str, Checks] = {}
    for table, columns, text in rows.fetchall():
        words = frozenset(re.findall(r"'([^']*)'", text))
        found.setdefault(table, set()).add((frozenset(columns), words))
    return found


def _make_anew(connection: duckdb.DuckDBPyConnection, path: Path, table: Table) -> None:
    """Rebuild a table with the contract's checks and copy its rows: DuckDB can't add a CHECK to an existing one.

    A column that was added to rows already there may be null in them, and goes on to.
    """
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    rows = connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = ? AND is_nullable", [table.name]
    )
    nullable = {str(name) for (name,) in rows.fetchall()}
    kept = tuple(replace(c, required=c.required and c.name not in nullable) for c in table.columns)
    connection.execute(f'ALTER TABLE "{table.name}" RENAME TO _before')
    connection.execute(create_table_sql(replace(table, columns=kept)))
    try:
        connection.execute(f'INSERT INTO "{table.name}" ({columns}) SELECT {columns} FROM _before')
    except duckdb.ConstraintException as error:
        raise WorkspaceError(
            f"{path}, table {table.name}, holds what this version does not know ({first_line(error)}): "
            "put back the one of this version with `vansnap restore`, or update Vansnap"
        ) from error
    connection.execute("DROP TABLE _before")


def _contract_checks(table: Table) -> Checks:
    return {(frozenset({c.name, c.unless} - {""}), frozenset(c.words)) for c in table.columns if c.words}


def _migrations() -> dict[int, str]:
    """Number to SQL text of every file pipelines/sql/NNNN_name.sql."""
    files = [f for f in (resources.files("pipelines") / "sql").iterdir() if re.fullmatch(r"\d{4}_\w+\.sql", f.name)]
    return {int(file.name[:4]): file.read_text(encoding="utf-8") for file in files}
