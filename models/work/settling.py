"""Vans whose engine takes too long to come back to idle after a snap, visit after visit."""

from collections.abc import Mapping

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.family import Family

SETTLE = "settle_time_s"
VISITS = 2
"""Visits running that must show it: one swing that grazes the band around idle moves the time by its whole length."""
SNAPS = 2
"""Snaps of a visit that must tell: one may have been disturbed. Common practice, no source (2026-11-30)."""
FIRST_TEST = "throttle_look"
"""What to look at first where nothing else is suspected: deposits around the plate are the usual reason. Common practice, no source
(2026-11-30)."""


def late_to_settle(captures: pl.DataFrame, repairs: pl.DataFrame, families: Mapping[str, Family]) -> dict[str, Fact]:
    """Vans that settled beyond their family's limit at their last visits.

    Parameters
    ----------
    captures : polars.DataFrame
        Of late, none sent back: van_id, family, captured_at, visit, settle_time_s, and unsettled_s: of a capture that ends before the
        engine settled, for how long after the release it was recorded. [s]
    repairs : polars.DataFrame
        van_id and done_at: what was read before a van's last repair no longer counts.
    families : mapping of str to Family
        Their limits.

    Returns
    -------
    dict of str to Fact
        Van to what is told of it: the lower of the medians of its last `VISITS` visits that tell. A visit tells by `SNAPS` snaps; one that
        ends before the engine settled, and before the limit, tells nothing.
    """
    limits = pl.DataFrame(
        [(name, family.limits.settle_time_s) for name, family in families.items()],
        schema={"family": pl.String, "limit": pl.Float64},
        orient="row",
    )
    last = repairs.group_by("van_id").agg(repaired=pl.col("done_at").max())
    beyond = pl.col("unsettled_s") > pl.col("limit")
    visits = (
        captures.join(limits, on="family")
        .join(last, on="van_id", how="left")
        .filter(pl.col("repaired").is_null() | (pl.col("captured_at") > pl.col("repaired")))
        .with_columns(level=pl.coalesce(SETTLE, pl.when(beyond).then("unsettled_s")))
        .drop_nulls("level")
        .group_by("van_id", "visit")
        .agg(pl.col("captured_at").min(), pl.col("limit").first(), pl.col("level").median(), snaps=pl.len())
        .filter(pl.col("snaps") >= SNAPS)
        .sort("van_id", "captured_at")
        .group_by("van_id", maintain_order=True)
        .agg(pl.col("limit").first(), pl.col("level").tail(VISITS))
        .filter(pl.col("level").list.len() == VISITS, pl.col("level").list.min() > pl.col("limit"))
    )
    told = visits.select("van_id", pl.col("level").list.min(), "limit").iter_rows()
    return {van_id: Fact.of("settles_late", SETTLE, level=level, limit=limit) for van_id, level, limit in told}
