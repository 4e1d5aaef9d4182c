"""Depots and families compared fairly: faults listed and confirmed, and false alarms, for the time their vans were watched."""

from datetime import date

import numpy as np
import polars as pl

from data_contracts.states import COMPARED_MEASURES
from data_contracts.weeks import DAYS_A_MONTH
from models.statistics.shrunken_rates import shrunken_rates

DAYS_A_WEEK = 7


def months_watched(captures: pl.DataFrame, *, since: date) -> pl.DataFrame:
    """How long each van was watched.

    Parameters
    ----------
    captures : polars.DataFrame
        van_id, captured_at.
    since : date
        First day that counts, a Monday.

    Returns
    -------
    polars.DataFrame
        van_id, months: from the week of its first visit to that of its last, both included. A van not seen since then
        has no row.
    """
    week = pl.col("captured_at").dt.date().dt.truncate("1w")
    seen = captures.filter(pl.col("captured_at").dt.date() >= since).group_by("van_id")
    weeks = (week.max() - week.min()).dt.total_days() / DAYS_A_WEEK + 1
    return seen.agg(months=weeks * DAYS_A_WEEK / DAYS_A_MONTH).sort("van_id")


def times_listed(listed: pl.DataFrame, lists: list[str], *, since: str) -> pl.DataFrame:
    """How often each van came onto the list.

    Parameters
    ----------
    listed : polars.DataFrame
        week, van_id: every van of every list.
    lists : list of str
        Weeks that have a list, be it empty.
    since : str
        First ISO week that counts.

    Returns
    -------
    polars.DataFrame
        van_id, listed: a van that stands on one list after another came onto it once.
    """
    number = {week: place for place, week in enumerate(sorted(set(lists)))}
    spells = listed.select("week", "van_id", n=pl.col("week").replace_strict(number, return_dtype=pl.Int64)).sort(
        "van_id", "n"
    )
    came = spells.filter((pl.col("n").diff().over("van_id") > 1).fill_null(value=True), pl.col("week") >= since)
    return came.group_by("van_id").agg(listed=pl.len().cast(pl.Int64))


def compared(vans: pl.DataFrame, by: str, *, week: str) -> pl.DataFrame:
    """Rates of every depot or family, shrunk towards the fleet.

    Parameters
    ----------
    vans : polars.DataFrame
        `by`, months, and a count for each of `COMPARED_MEASURES`: one row for each van that was seen.
    by : {"depot", "family"}
    week : str
        ISO week.

    Returns
    -------
    polars.DataFrame
        Rows of `depots_compared` or `families_compared`, by name and measure.
    """
    groups = (
        vans.group_by(by)
        .agg(pl.len().cast(pl.Int64).alias("vans"), pl.sum("months"), *(pl.sum(name) for name in COMPARED_MEASURES))
        .sort(by)
    )
    parts = []
    for measure in COMPARED_MEASURES:
        rows = groups.select(
            by, pl.lit(measure).alias("measure"), "vans", "months", pl.col(measure).cast(pl.Int64).alias("count")
        ).with_columns(raw=pl.col("count") / pl.col("months"))
        parts.append(_shrunk(rows))
    return pl.concat(parts).select(pl.lit(week).alias("week"), pl.all()).sort(by, "measure")


def _shrunk(rows: pl.DataFrame) -> pl.DataFrame:
    """The same groups with their rates shrunk towards the whole; null where nothing was counted in any."""
    names = ("rate", "rate_low", "rate_high", "fleet")
    if not rows["count"].sum():
        nothing = [pl.lit(None, pl.Float64).alias(name) for name in names]
        return rows.with_columns(*nothing, pl.lit(None, pl.String).alias("differs"))
    found = shrunken_rates(rows["count"].to_numpy().astype(np.float64), rows["months"].to_numpy())
    together = np.full(rows.height, float(sum(rows["count"])) / float(sum(rows["months"])))
    values = (found.rate, found.low, found.high, together)
    return rows.with_columns(
        *(pl.Series(name, value) for name, value in zip(names, values, strict=True)),
        pl.Series("differs", found.differs, dtype=pl.String),
    )
