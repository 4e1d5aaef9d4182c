"""The board's questions about work orders, one small query each."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from data_contracts.states import CANT_TELL, PLANNED_STATES
from models.work.order_states import BY_PROOF
from models.work.savings import ProvenRepair, came_back, saved_by
from pipelines.read_side.as_promised import as_promised
from pipelines.read_side.published import Published

_ORDERS_WHERE = "(len($depots) = 0 OR list_contains($depots, depot)) AND list_contains($states, state)"
_LISTED = """
    SELECT work_orders.*, listed.list_rank FROM work_orders LEFT JOIN (
        SELECT van_id, rank AS list_rank FROM watchlist
        WHERE week = (SELECT week FROM runs ORDER BY finished_at DESC, run_id LIMIT 1)
    ) AS listed USING (van_id)
"""
"""Orders, each with its van's rank on the published week's list (null: not on it). `rank` is that of the order's own week."""
_TOLD_DAY = "CASE WHEN state IN ('booked', 'postponed') THEN coalesce(until, due_by) ELSE due_by END"
"""The day an order is told with, as `data_contracts.due.due_of` has it."""
_TOLD_ALIKE = f"""
    CASE WHEN state NOT IN {PLANNED_STATES} THEN 3 WHEN until IS NULL THEN 0 WHEN state = 'booked' THEN 2
         WHEN state = 'postponed' THEN 1 ELSE 0 END
"""
"""Orders of one day that are told in the same words stand together."""
_BY_LIST = "list_rank NULLS LAST, rank, week DESC, order_id"


def order_counts(published: Published, depots: Sequence[str], states: Sequence[str]) -> dict[str, Any]:
    """How many orders are in some states, of some depots (none is all): jobs, of them safety and proposed, their hours, and the
    first day one is due, put off to or booked for."""
    return published.ask(
        f"""
        SELECT count(*) AS jobs, count(*) FILTER (safety) AS safety, count(*) FILTER (state = 'proposed') AS proposed,
               coalesce(sum(hours), 0.0) AS hours, min({_TOLD_DAY}) AS first_due
        FROM work_orders WHERE {_ORDERS_WHERE}
        """,
        {"depots": list(depots), "states": list(states)},
    ).row(0, named=True)


def jobs_worth(
    published: Published, depots: Sequence[str], states: Sequence[str] = PLANNED_STATES
) -> tuple[int, float]:
    """Orders in some states, of some depots (none is all), and what they save together against waiting to the horizon, those that cost
    more than they save left out: orders, [currency]."""
    row = published.ask(
        f"""
        SELECT count(*) AS jobs, coalesce(sum(greatest(expected_cost_avoided, 0.0) ORDER BY order_id), 0.0) AS saving
        FROM work_orders WHERE {_ORDERS_WHERE}
        """,
        {"depots": list(depots), "states": list(states)},
    ).row(0, named=True)
    return int(row["jobs"]), float(row["saving"])


def order(published: Published, order_id: str) -> dict[str, object] | None:
    """One order, or None."""
    frame = published.ask("SELECT * FROM work_orders WHERE order_id = $order", {"order": order_id})
    return as_promised(published, frame).row(0, named=True) if frame.height else None


def noted(published: Published, order_ids: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    """What people noted at orders, alone or with a decision, the newest first.

    Parameters
    ----------
    published : Published
    order_ids : sequence of str

    Returns
    -------
    dict of str to list of dict
        By order: rows of `order_events` that count and have a note or photos; orders without are left out.
    """
    frame = published.ask(
        """
        SELECT * FROM order_events WHERE list_contains($orders, order_id) AND refused IS NULL AND NOT list_contains($by_proof, state)
        ORDER BY "at" DESC, event_id
        """,
        {"orders": list(order_ids), "by_proof": list(BY_PROOF)},
    )
    found: dict[str, list[dict[str, Any]]] = {}
    for row in frame.iter_rows(named=True):
        if row["note"] or row.get("photos"):  # a file of an older version has no photos
            found.setdefault(row["order_id"], []).append(row)
    return found


def orders(
    published: Published, depots: Sequence[str], states: Sequence[str], *, limit: int | None = None, offset: int = 0
) -> pl.DataFrame:
    """One page of orders, or all: those of vans on the published week's list in its order, then the others by their own rank.

    Columns of WORK_ORDERS as the version that published the file had them, and `list_rank`: the rank of the van on that list,
    null where it is not on it. `rank` is that of the week of the order, so several may be number 1.
    """
    page = published.ask(
        f"{_LISTED} WHERE {_ORDERS_WHERE} ORDER BY {_BY_LIST} LIMIT $limit OFFSET $offset",
        {"depots": list(depots), "states": list(states), "limit": limit, "offset": offset},
    )
    return as_promised(published, page)


def orders_by_day(
    published: Published, depots: Sequence[str], states: Sequence[str], *, limit: int, offset: int = 0
) -> pl.DataFrame:
    """One page of orders by the day they are told with, those told alike together, then as in `orders`."""
    page = published.ask(
        f"{_LISTED} WHERE {_ORDERS_WHERE} ORDER BY {_TOLD_DAY} NULLS LAST, {_TOLD_ALIKE}, {_BY_LIST} LIMIT $limit OFFSET $offset",
        {"depots": list(depots), "states": list(states), "limit": limit, "offset": offset},
    )
    return as_promised(published, page)


def plan(published: Published, depots: Sequence[str], states: Sequence[str]) -> pl.DataFrame:
    """The capacity plan: plan_week (null is left out), depot, jobs, hours; in order of week."""
    return published.ask(
        f"""
        SELECT plan_week, depot, count(*) AS jobs, sum(hours) AS hours FROM work_orders WHERE {_ORDERS_WHERE}
        GROUP BY ALL ORDER BY plan_week NULLS LAST, depot
        """,
        {"depots": list(depots), "states": list(states)},
    )


def left_out(published: Published, depots: Sequence[str], states: Sequence[str], *, limit: int = 20) -> pl.DataFrame:
    """Orders left out of the plan, with the reason; in the order of `orders`."""
    return published.ask(
        f"{_LISTED} WHERE {_ORDERS_WHERE} AND plan_week IS NULL AND plan_note IS NOT NULL ORDER BY {_BY_LIST} LIMIT $limit",
        {"depots": list(depots), "states": list(states), "limit": limit},
    )


def hours_by_depot(published: Published, depots: Sequence[str], states: Sequence[str]) -> pl.DataFrame:
    """Jobs and estimated hours per depot: depot, jobs, hours."""
    return published.ask(
        f"""
        SELECT depot, count(*) AS jobs, sum(hours) AS hours FROM work_orders WHERE {_ORDERS_WHERE}
        GROUP BY depot ORDER BY depot
        """,
        {"depots": list(depots), "states": list(states)},
    )


def worth_by_depot(published: Published, depots: Sequence[str], weeks: float) -> pl.DataFrame:
    """What waiting would cost and what proven repairs saved, per depot and in all.

    Parameters
    ----------
    published : Published
    depots : sequence of str
        None is all.
    weeks : float
        How long a fault would wait otherwise. [week]

    Returns
    -------
    polars.DataFrame
        depot; open and waiting: open orders, and what leaving them to the horizon is expected to cost, as each stated it when it was
        made [currency]; proven, saved, saved_low and saved_high: proven repairs after which the van was not back for the same, and
        what leaving what was found would have cost, with its 80 % interval, see `models.work.savings` [currency]; back: the other
        proven ones; cant_tell: repairs of which it could not be told, neither saved nor failed. In order of depot; of more than one, all together last, without a depot.
    """
    orders = published.ask(
        f"""
        SELECT COLUMNS('^({"|".join(_OF_WORTH)})$') FROM work_orders
        WHERE len($depots) = 0 OR list_contains($depots, depot) ORDER BY depot, order_id
        """,
        {"depots": list(depots)},
    )
    vans = orders.filter(state=_PROVEN)["van_id"].unique()
    back = came_back(orders.filter(pl.col("van_id").is_in(vans.implode())).to_dicts(), weeks)
    told = orders.with_columns(back=pl.col("order_id").is_in(list(back)))
    left_open = pl.col("proof") == CANT_TELL if "proof" in told.columns else pl.lit(False)
    told = told.filter(pl.col("state").is_in([*PLANNED_STATES, _PROVEN]) | left_open)
    by_depot = {str(depot): rows for (depot,), rows in told.group_by("depot", maintain_order=True)}
    rows: list[dict[str, Any]] = [{"depot": depot} | _worth_of(mine, weeks) for depot, mine in by_depot.items()]
    if len(rows) > 1:
        rows.append({"depot": None} | _worth_of(told, weeks))
    return pl.DataFrame(rows, schema=_WORTH)


_PROVEN = "proven"
_OF_WORTH = (
    "order_id",
    "van_id",
    "week",
    "depot",
    "state",
    "cause",
    "flagged_by",
    "failure_avoided",
    "running_avoided",
    "found",
    "severities",
    "duty",
    "proof",
)
"""Columns of orders; a file of an older version lacks the last three."""
_WORTH = {
    "depot": pl.String,
    "open": pl.Int64,
    "waiting": pl.Float64,
    "proven": pl.Int64,
    "back": pl.Int64,
    "cant_tell": pl.Int64,
    "saved": pl.Float64,
    "saved_low": pl.Float64,
    "saved_high": pl.Float64,
}


def _worth_of(orders: pl.DataFrame, weeks: float) -> dict[str, float]:
    """What some open and proven orders come to; columns of `worth_by_depot`."""
    proven = orders.filter(pl.col("state") == _PROVEN)
    still_open = orders.filter(pl.col("state").is_in(PLANNED_STATES))
    waiting = still_open.select("failure_avoided", "running_avoided").sum().row(0)
    held = [_repair(row) for row in proven.filter(~pl.col("back")).iter_rows(named=True)]
    saved = saved_by(held, weeks)
    return {
        "open": still_open.height,
        "waiting": sum(cost or 0.0 for cost in waiting),
        "proven": len(held),
        "back": proven.height - len(held),
        "cant_tell": orders.height - proven.height - still_open.height,
        "saved": saved.amount,
        "saved_low": saved.low,
        "saved_high": saved.high,
    }


def _repair(order: Mapping[str, Any]) -> ProvenRepair:
    sizes = {one["code"]: one["severity"] for one in order.get("severities") or ()}
    duty = order.get("duty")
    return ProvenRepair(order["found"], sizes.get(order["found"], math.nan), 1.0 if duty is None else duty)


def causes_by_week(published: Published, depots: Sequence[str]) -> pl.DataFrame:
    """Planned orders that name a cause, for the parts to have ready: plan_week, depot, cause, jobs; in order of week."""
    return published.ask(
        f"""
        SELECT plan_week, depot, cause, count(*) AS jobs FROM work_orders
        WHERE {_ORDERS_WHERE} AND plan_week IS NOT NULL AND hours > 0 GROUP BY ALL ORDER BY plan_week, depot, cause
        """,
        {"depots": list(depots), "states": list(PLANNED_STATES)},
    )
