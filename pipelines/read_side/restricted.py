"""The published file as a person restricted to depots may see it: every table is a view without other vans.

The restriction is below all queries, so a view of the board can't forget it.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import duckdb

from data_contracts.errors import WorkspaceError, first_line
from pipelines.read_side.published import Published

# Columns that tie a row to its van, or else to its depot; the first a table has is used.
_TIES = {
    "van_id": "SELECT van_id FROM published.vans WHERE depot IN ({depots})",
    "capture_id": "SELECT capture_id FROM captures",
    "order_id": "SELECT order_id FROM work_orders",
    "waveform_id": "SELECT waveform_id FROM captures",
    "depot": "{depots}",
}
OF_THE_FLEET = frozenset(
    {
        "runs",
        "learning",
        "proof_statistics",
        "repeatability",
        "forecast_record",
        "coverage",
        "part_lives",
        "families_compared",
    }
)
"""Tables about no single van, shown to everybody. Any other table without a tie is shown empty."""


_made: dict[tuple[Path, str], Published] = {}


def restricted(published: Published, depots: Sequence[str]) -> Published:
    """The same file without the vans of other depots.

    Parameters
    ----------
    published : Published
    depots : sequence of str
        Depots whose vans are shown; empty: all.

    Returns
    -------
    Published

    Raises
    ------
    WorkspaceError
        If the file can't be asked.
    """
    if not depots:
        return published
    names = sorted(set(depots))
    schema = "depots_" + hashlib.sha256("\0".join(names).encode()).hexdigest()[:16]
    made = _made.get((published.home, schema))
    if made is not None and made.is_of(published):
        return made
    listed = ", ".join("'" + name.replace("'", "''") + "'" for name in names)
    columns = published.columns()
    # Views of captures and orders first: others build on them.
    order = sorted(columns, key=lambda name: (name not in ("captures", "work_orders"), name))
    statements = [f"CREATE SCHEMA IF NOT EXISTS memory.{schema}", f"USE memory.{schema}"]
    for table in order:
        tie = next((key for key in _TIES if key in columns[table]), None)
        where = "true" if table in OF_THE_FLEET else "false"
        if tie is not None:
            where = f"{tie} IN ({_TIES[tie].format(depots=listed)})"
        statements.append(
            f'CREATE VIEW IF NOT EXISTS "{table}" AS SELECT * FROM {published.schema}."{table}" WHERE {where}'
        )
    try:
        published.execute(statements)
    except duckdb.Error as error:
        raise WorkspaceError(f"published.duckdb can't be asked ({first_line(error)}): publish it again") from error
    made = _made[published.home, schema] = replace(published, schema=f"memory.{schema}")
    return made
