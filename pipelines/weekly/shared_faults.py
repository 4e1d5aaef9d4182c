"""Notices about vans that share a fault and something else: what the models need is gathered here."""

from datetime import timedelta

import polars as pl

from data_contracts.causes import CAUSES
from data_contracts.facts.fact import Fact
from data_contracts.weeks import week_of, week_start
from pipelines.storage.warehouse import Warehouse

LOOKED_BACK_WEEKS = 26
"""Weeks in which a named or found cause counts for a cluster. Common practice, no source (2026-11-29). [weeks]"""


def shared_faults(
    warehouse: Warehouse, vans: pl.DataFrame, frame: pl.DataFrame, listed: pl.DataFrame, week: str
) -> list[Fact]:
    """A notice for each cluster of a week.

    Parameters
    ----------
    warehouse : Warehouse
        Its earlier lists, and what workshops found.
    vans : polars.DataFrame
        The register, as the table `vans`.
    frame : polars.DataFrame
        Captures up to the week: van_id, captured_at, odometer_km, fuel. The fuel of a van's last capture that names one
        stands in where the register has none.
    listed : polars.DataFrame
        The week's list: van_id, leading_cause.
    week : str
        ISO week.

    Returns
    -------
    list of Fact
        A cause that the lists named counts until a workshop found another in its place.
    """
    from models.work.clusters import clusters, shared_values

    since = week_of(week_start(week) - timedelta(weeks=LOOKED_BACK_WEEKS))
    named = warehouse.query(
        """
        SELECT van_id, leading_cause AS cause FROM watchlist WHERE week > ? AND week < ?
          AND NOT EXISTS (
            SELECT 1 FROM work_orders o WHERE o.van_id = watchlist.van_id AND o.cause = leading_cause AND o.found <> o.cause
          )
        UNION SELECT van_id, found FROM work_orders WHERE week > ? AND week <= ? AND found IS NOT NULL
        """,
        [since, week, since, week],
    )
    pairs = pl.concat([named, listed.select("van_id", cause="leading_cause")]).unique()
    causes = {
        str(cause): set(van_ids)
        for cause, van_ids in pairs.filter(pl.col("cause").is_in(list(CAUSES)))
        .group_by("cause")
        .agg("van_id")
        .iter_rows()
    }
    driven, filled = _last(frame, "odometer_km"), _last(frame, "fuel")
    vans = vans.join(filled, on="van_id", how="left", suffix="_filled").with_columns(pl.coalesce("fuel", "fuel_filled"))
    family_of = dict(vans.select("van_id", "family").iter_rows())
    return [one.fact for one in clusters(family_of, shared_values(vans, dict(driven.iter_rows())), causes)]


def _last(frame: pl.DataFrame, column: str) -> pl.DataFrame:
    """What each van's last capture that names it says in a column."""
    return frame.drop_nulls(column).sort("captured_at").group_by("van_id").agg(pl.col(column).last())
