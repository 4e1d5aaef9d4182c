"""The board's questions about the programme as a whole: how long parts last, and how depots and families compare."""

from typing import Literal

import polars as pl

from pipelines.read_side.published import Published

_LAST_WEEK = "week = (SELECT week FROM runs ORDER BY finished_at DESC, run_id LIMIT 1)"


def part_lives(published: Published) -> pl.DataFrame:
    """Rows of `part_lives` as of the last run, by part; of each months before km."""
    return published.ask(f"SELECT * FROM part_lives WHERE {_LAST_WEEK} ORDER BY part, unit DESC")


def compared(published: Published, by: Literal["depot", "family"]) -> pl.DataFrame:
    """Rows of `depots_compared` or `families_compared` as of the last run.

    Parameters
    ----------
    published : Published
    by : {"depot", "family"}

    Returns
    -------
    polars.DataFrame
        Its columns, with the name of depot or family in `name`; by name.
    """
    table = "depots_compared" if by == "depot" else "families_compared"
    return published.ask(
        f"SELECT * EXCLUDE ({by}), {by} AS name FROM {table} WHERE {_LAST_WEEK} ORDER BY name, measure"
    )


def both_compared(published: Published) -> pl.DataFrame:
    """Depots, then families, in one table for spreadsheets: kind, name, and the columns of both."""
    parts = [
        compared(published, by).select(pl.lit(by).alias("kind"), "name", pl.all().exclude("name"))
        for by in ("depot", "family")
    ]
    return pl.concat(parts)
