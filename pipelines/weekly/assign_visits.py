"""Which captures of a van are one visit."""

import polars as pl

from data_contracts.limits import VISIT_GAP_HOURS
from pipelines.storage.warehouse import Warehouse


def assign_visits(warehouse: Warehouse) -> None:
    """Write the visit of every capture, whatever the order of arrival.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    """
    captures = warehouse.query("SELECT capture_id, van_id, captured_at, delivered_visit, visit AS before FROM captures")
    changed = visits(captures).join(captures.select("capture_id", "before"), on="capture_id")
    changed = changed.filter(pl.col("visit") != pl.col("before")).select("capture_id", "visit")
    if changed.is_empty():
        return
    with warehouse.rows("_visits", changed):
        warehouse.execute(
            "UPDATE captures SET visit = _visits.visit FROM _visits WHERE captures.capture_id = _visits.capture_id"
        )


def visits(captures: pl.DataFrame) -> pl.DataFrame:
    """The visit of every capture: as delivered, or captures of a van less than 2 h apart.

    A delivered word that comes back for the same van after more than a day is another visit.

    Parameters
    ----------
    captures : polars.DataFrame
        capture_id, van_id, captured_at, delivered_visit.

    Returns
    -------
    polars.DataFrame
        capture_id, visit.
    """
    word = pl.col("delivered_visit").fill_null("")
    gap = pl.when(word == "").then(pl.duration(hours=VISIT_GAP_HOURS)).otherwise(pl.duration(hours=24))
    began = pl.col("captured_at").diff().over("van_id", "word").fill_null(pl.duration(days=9999)) >= pl.col("gap")
    first = pl.col("captured_at").first().over("van_id", "word", "number").dt.strftime("%Y-%m-%dT%H:%MZ")
    return (
        captures.with_columns(word.alias("word"), gap.alias("gap"))
        .sort("van_id", "word", "captured_at", "capture_id")
        .with_columns(began.alias("began"))
        .with_columns(pl.col("began").cum_sum().over("van_id", "word").alias("number"))
        .with_columns(first.alias("first"))
        .select(
            "capture_id",
            pl.when(pl.col("word") == "")
            .then(pl.col("first"))
            .when(pl.col("number") == 1)
            .then(pl.col("word"))
            .otherwise(pl.col("word") + pl.lit(" ") + pl.col("first"))
            .alias("visit"),
        )
    )
