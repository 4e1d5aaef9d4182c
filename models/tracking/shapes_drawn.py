"""Aligned traces of some captures at a time: those of a fleet are much of what a week has to look at."""

from collections.abc import Sequence

import polars as pl


def shapes_of(shapes: pl.DataFrame | pl.LazyFrame, captures: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    """Rows of the shapes table of some captures.

    Parameters
    ----------
    shapes : polars.DataFrame or polars.LazyFrame
        Rows of the shapes table; where they have `van_id` too, only those of the vans between are looked at.
    captures : polars.DataFrame
        capture_id and van_id, of vans that follow each other.
    names : sequence of str
        Traces wanted.

    Returns
    -------
    polars.DataFrame
        capture_id and these traces of the captures that have a row, in no order.
    """
    some = shapes.lazy()
    if "van_id" in some.collect_schema().names():
        first, last = captures["van_id"].min(), captures["van_id"].max()
        some = some.filter(pl.col("van_id").is_between(pl.lit(first), pl.lit(last)))
    wanted = captures.lazy().select("capture_id")
    return some.select("capture_id", *names).join(wanted, on="capture_id", how="semi").collect()
