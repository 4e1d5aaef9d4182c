"""What a quantity usually reads in this fleet, how sure that is, which limits it has, and why it was not read."""

import polars as pl

from data_contracts.signals import QUANTITIES
from pipelines.read_side.published import Published

USUAL_WEEKS = 13
"""Weeks up to the newest over which a reading is usual. Of our choosing: the longest horizon of the forecasts."""
MIDDLE = (0.1, 0.9)
"""Quantiles of the vans between which a reading is usual. Of our choosing."""
_RECENT = f"week IN (SELECT DISTINCT week FROM captures ORDER BY week DESC LIMIT {USUAL_WEEKS})"


def usual(published: Published, quantity: str) -> pl.DataFrame:
    """What the vans that are not on the list read, family by family, each by the median of its visits.

    Parameters
    ----------
    published : Published
    quantity : str
        Name in signals.py.

    Returns
    -------
    polars.DataFrame
        family; vans, and of_all: vans of the family; low, high: quantiles `MIDDLE` of the vans; trace_u: median standard uncertainty of one trace; repeat_u: the
        same from repeat to repeat, null where it is not charted; limit_low, limit_high: median of the limits in force, null for
        none. [unit of the quantity]

    Raises
    ------
    KeyError
        If there is no such quantity.
    WorkspaceError
        If the published file is of another version, or damaged.
    """
    name = QUANTITIES[quantity].name
    return published.ask_once(
        f"""
        WITH of_van AS (
            SELECT family, van_id, median("{name}") AS value, median("{name}_u") AS trace_u
            FROM readings JOIN captures USING (capture_id)
            WHERE representative AND {_RECENT} AND "{name}" IS NOT NULL AND isfinite("{name}")
              AND van_id NOT IN (SELECT van_id FROM watchlist)
            GROUP BY family, van_id
        ), charted AS (
            SELECT family, median(repeat_u) AS repeat_u, median(limit_low) AS limit_low, median(limit_high) AS limit_high
            FROM trends JOIN vans USING (van_id) WHERE quantity = $quantity AND {_RECENT} GROUP BY family
        )
        SELECT family, count(*) AS vans, (SELECT count(*) FROM vans WHERE vans.family = of_van.family) AS of_all, quantile_cont(value, {MIDDLE[0]}) AS low, quantile_cont(value, {MIDDLE[1]}) AS high,
            median(trace_u) AS trace_u, any_value(repeat_u) AS repeat_u, any_value(limit_low) AS limit_low,
            any_value(limit_high) AS limit_high
        FROM of_van LEFT JOIN charted USING (family) GROUP BY family ORDER BY family
        """,
        {"quantity": name},
    )


def why_unread(published: Published, quantity: str) -> tuple[str, int, int] | None:
    """Why a quantity was most often not read of late, where the family's sensors give it at all.

    Parameters
    ----------
    published : Published
    quantity : str
        Name in signals.py.

    Returns
    -------
    (str, int, int) or None
        Code of `UNREAD_REASONS`, captures with it, and all captures that could have given it; None where every one did.
    """
    found = published.ask_once(
        f"""
        WITH recent AS (SELECT unread FROM readings JOIN captures USING (capture_id) WHERE {_RECENT}),
        told AS (SELECT one.reason AS reason FROM (SELECT unnest(unread) AS one FROM recent) WHERE one."name" = $quantity),
        possible AS (
            SELECT (SELECT count(*) FROM recent) - count(*) FILTER (reason = 'not_for_this_family') AS possible FROM told
        )
        SELECT reason, count(*) AS captures, any_value(possible) AS possible FROM told, possible
        WHERE reason <> 'not_for_this_family' GROUP BY reason ORDER BY captures DESC, reason LIMIT 1
        """,
        {"quantity": quantity},
    )
    return (found["reason"][0], found["captures"][0], found["possible"][0]) if found.height else None
