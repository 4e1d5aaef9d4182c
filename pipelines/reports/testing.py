"""The plan of the tests as a list on the terminal, or as a file."""

import json
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import InputError
from data_contracts.facts.rendering import sentence
from pipelines.read_side import queries, testing_queries
from pipelines.read_side.published import Published, board_settings
from pipelines.reports.paper import write_whole
from pipelines.storage.plain_text import finite, in_json, spreadsheet_csv

_ALL = 1_000_000


def planned(published: Published) -> pl.DataFrame:
    """Rows of test_plan as of the last run, by depot and rank; none where that made no plan.

    Parameters
    ----------
    published : Published
        The published file.
    """
    run = queries.last_run(published)
    return testing_queries.vans(published, "" if run is None else str(run["week"]), (), "all", limit=_ALL)


def tests_document(published: Published) -> dict[str, Any]:
    """The plan for `--json`.

    Parameters
    ----------
    published : Published
        The published file.
    """
    document: dict[str, Any] = finite({"test_plan": planned(published).to_dicts()})
    return document


def tests_text(published: Published) -> str:
    """Whom each depot tests in the plan's first week, and who is overdue, as lines for a terminal.

    Parameters
    ----------
    published : Published
        The published file.
    """
    language = board_settings(published.home).display.language
    plan = planned(published)
    if plan.is_empty():
        return "no plan of the tests was made yet: run vansnap weekly to make one"
    rows = plan.filter(pl.col("chosen") | pl.col("overdue"))
    if rows.is_empty():
        return "no van is to be tested in the coming week"
    lines = [f"{'depot':<12}  {'van':<12}  {'test by':<10}  {'overdue':<7}  {'in week':<9}  {'last seen':<10}  why"]
    lines += [
        f"{row['depot']:<12}  {row['van_id']:<12}  {row['next_test']!s:<10}  {'yes' if row['overdue'] else '':<7}  {row['test_week'] or 'none':<9}  "
        f"{row['last_seen'] or 'never'!s:<10}  {sentence(row, 'reason', language)}"
        for row in rows.iter_rows(named=True)
    ]
    return "\n".join(lines)


def write_tests(published: Published, out: Path) -> int:
    """Write the plan of the tests.

    Parameters
    ----------
    published : Published
        The published file.
    out : Path
        .csv or .json.

    Returns
    -------
    int
        Vans written.

    Raises
    ------
    InputError
        If the ending is unknown or the file can't be written.
    """
    ending = out.suffix.lower()
    if ending not in (".csv", ".json"):
        raise InputError(f"--out {out} ends in {ending or 'nothing'}: name a .csv or .json file")
    rows = planned(published)
    if ending == ".csv":
        content = spreadsheet_csv(rows).encode()
    else:
        content = json.dumps(tests_document(published), ensure_ascii=False, indent=2, default=in_json).encode()
    write_whole(out, content)
    return rows.height
