"""Aligned traces of some captures at a time: those of a fleet are much of what a week has to look at."""

import polars as pl


def shapes_of(shapes: pl.DataFrame | pl.LazyFrame, captures: pl.DataFrame) -> pl.DataFrame:
    """Rows of the shapes table of some captures.

    Parameters
    ----------
    shapes : polars.DataFrame or polars.LazyFrame
        Rows of the shapes table; where they have `van_id` too, only those of the vans between are looked at.
    captures : polars.DataFrame
        capture_id and van_id, of vans that follow each other.

    Returns
    -------
    polars.DataFrame
        capture_id, airflow and lambda_signal of the captures that have a row, in no order.
    """
    some = shapes.lazy()
    if "van_id" in some.collect_schema().names():
        first, last = captures["van_id"].min(), captures["van_id"].max()
        some = some.filter(pl.col("van_id").is_between(pl.lit(first), pl.lit(last)))
    wanted = captures.lazy().select("capture_id")
    return some.select("capture_id", "airflow", "lambda_signal").join(wanted, on="capture_id", how="semi").collect()
