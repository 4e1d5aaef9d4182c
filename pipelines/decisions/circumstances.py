"""What is known of each van beside its readings: fault codes, repairs, duty and warranty."""

from collections.abc import Mapping, Sequence
from datetime import timedelta

import polars as pl

from data_contracts.weeks import week_end
from models.work.watchlist import Circumstances
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings

PROVING_WEEKS = 6
"""A repair not proven by then is no longer waited for. Common practice, no source (2026-11-29)."""
_GOOD_CAPTURES = 3


def circumstances_of(
    van_ids: Sequence[str],
    captures: pl.DataFrame,
    repairs: pl.DataFrame,
    codes: Mapping[str, Mapping[str, int]],
    register: Register,
    settings: Settings,
    week: str,
) -> dict[str, Circumstances]:
    """What is known of some vans beside their readings.

    Parameters
    ----------
    van_ids : sequence of str
    captures : polars.DataFrame
        Of these vans, up to the week: van_id, captured_at, grade, depot, family.
    repairs : polars.DataFrame
        van_id, done_at, work and parts; none after the week.
    codes : mapping of str to mapping of str to int
        Fault codes that stand, of each van that has one.
    register : Register
    settings : Settings
    week : str
        ISO week.

    Returns
    -------
    dict of str to Circumstances
        A repair is being proven for some weeks, until three good captures were taken after it.
    """
    since = week_end(week) - timedelta(weeks=PROVING_WEEKS)
    last = repairs.group_by("van_id").agg(done_at=pl.col("done_at").max()).filter(pl.col("done_at") > since)
    good = (
        captures.join(last, on="van_id", how="inner")
        .group_by("van_id", "done_at")
        .agg(good=((pl.col("captured_at") > pl.col("done_at")) & (pl.col("grade") != "repeat")).sum())
        .filter(pl.col("good") < _GOOD_CAPTURES)
    )
    proving = {van_id: str(done_at.date()) for van_id, done_at in good.select("van_id", "done_at").iter_rows()}
    found = {}
    for van_id in van_ids:
        van = register.vans[van_id]
        found[van_id] = Circumstances(
            codes.get(van_id, {}),
            proving.get(van_id, ""),
            settings.workshop.duty_of(van_id, van.depot, van.family),
            van.warranty_until,
        )
    return found
