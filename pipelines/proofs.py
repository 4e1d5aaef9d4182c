"""Proof of repairs: after `done`, the next visit's readings say whether what was touched came back."""

from datetime import datetime

import polars as pl

from data_contracts.errors import NotEnoughDataError
from data_contracts.jobs import JOBS
from models.order_life import OrderEvent
from models.repair_proof import Level, prove_repair
from pipelines.warehouse import Warehouse

PERSON = "vansnap"
"""Who a proof is signed by."""


def proofs_due(warehouse: Warehouse) -> list[OrderEvent]:
    """Verdicts on completed orders whose van was recorded after it.

    Parameters
    ----------
    warehouse : Warehouse
        Its orders, their events, captures and trends of the run.

    Returns
    -------
    list of OrderEvent
        Proven or not proven, at the time of the visit that shows it; the same visits give the same event.
    """
    done = warehouse.query(
        """
        SELECT e.order_id, o.van_id, max(e."at") AS "at", arg_max(e.found, e."at") AS found
        FROM order_events e JOIN work_orders o USING (order_id)
        WHERE o.state = 'done' AND e.state = 'done' AND e.refused IS NULL
        GROUP BY ALL ORDER BY e.order_id
        """
    )
    trends = warehouse.query("SELECT van_id, week, quantity, value, value_u, baseline, baseline_u FROM trends")
    verdicts = []
    for row in done.iter_rows(named=True):
        if row["found"] in JOBS:
            event = _verdict(warehouse, trends.filter(pl.col("van_id") == row["van_id"]), row)
            if event is not None:
                verdicts.append(event)
    return verdicts


def _verdict(warehouse: Warehouse, mine: pl.DataFrame, row: dict[str, object]) -> OrderEvent | None:
    """The event of one order; None until its van was recorded again and something can be compared."""
    at = row["at"]
    assert isinstance(at, datetime)
    touched = JOBS[str(row["found"])].touches
    touched = (*touched, *(f"bank2_{name}" for name in touched))
    mine = mine.filter(pl.col("quantity").is_in(touched) & pl.col("value").is_not_null()).sort("week")
    visits = warehouse.query(
        "SELECT week, max(captured_at) AS seen FROM captures WHERE van_id = ? GROUP BY week", [row["van_id"]]
    )
    seen = dict(visits.iter_rows())
    after = sorted(week for week in mine["week"].unique() if week in seen and seen[week] > at)
    earlier = mine.filter(~pl.col("week").is_in(after)).group_by("quantity", maintain_order=True).last()
    if not after:
        return None
    try:
        proof = prove_repair(
            _levels(earlier, "value"),
            _levels(mine.filter(pl.col("week") == after[0]), "value"),
            _levels(earlier, "baseline"),
            touched,
        )
    except NotEnoughDataError:
        return None
    return OrderEvent(
        order_id=str(row["order_id"]),
        state=proof.state,
        at=seen[after[0]],
        person=PERSON,
        reason="made worse" if proof.verdict == "made_worse" else "",
        note=" ".join(proof.sentences),
    )


def _levels(rows: pl.DataFrame, name: str) -> dict[str, Level]:
    known = rows.drop_nulls([name, f"{name}_u"])
    return {q: Level(v, u) for q, v, u in known.select("quantity", name, f"{name}_u").iter_rows()}
