"""Proof of repairs: after `done`, the next visit's readings say whether the quantities the repair touches came back."""

import re
from collections.abc import Mapping
from datetime import datetime
from statistics import fmean

import polars as pl

from data_contracts.errors import NotEnoughDataError
from data_contracts.facts.say import joined, say
from data_contracts.jobs import JOBS
from data_contracts.tables import PROOF_STATISTICS, polars_schema
from models.work.order_states import OrderEvent, OrderStatus
from models.work.repair_proof import Level, proof_statistics, prove_repair
from pipelines.storage.warehouse import Warehouse

PERSON = "vansnap"
"""Who a proof is signed by."""
MADE_WORSE = "made worse"
"""Its reason where something moved further away."""


def proofs_due(warehouse: Warehouse, trends: pl.DataFrame) -> list[OrderEvent]:
    """Verdicts on completed orders whose van was recorded after it.

    Parameters
    ----------
    warehouse : Warehouse
        Its orders, their events, and captures.
    trends : polars.DataFrame
        TRENDS of the run.

    Returns
    -------
    list of OrderEvent
        Proven or not proven, at the time of the visit that shows it; the same visits give the same event.
    """
    done = warehouse.query(
        """
        SELECT e.order_id, o.van_id, max(e."at") AS "at", arg_max(e.found, (e."at", e.event_id)) AS found
        FROM order_events e JOIN work_orders o USING (order_id)
        WHERE o.state = 'done' AND e.state = 'done' AND e.refused IS NULL
        GROUP BY ALL ORDER BY e.order_id
        """
    )
    verdicts = []
    for row in done.iter_rows(named=True):
        if row["found"] in JOBS:
            event = _verdict(warehouse, trends.filter(pl.col("van_id") == row["van_id"]), row)
            if event is not None:
                verdicts.append(event)
    return verdicts


def proof_statistics_of(status: Mapping[str, OrderStatus]) -> pl.DataFrame:
    """How often repairs were proven, per action and per part.

    Parameters
    ----------
    status : mapping of str to OrderStatus
        From all events. An order counts under the cause whose job was done, and under every part the workshop named.

    Returns
    -------
    polars.DataFrame
        PROOF_STATISTICS.
    """
    verdicts: list[tuple[str, str]] = []
    members: dict[str, list[OrderStatus]] = {}
    for one in status.values():
        if one.found in JOBS:
            parts = {" ".join(part.split()).casefold() for part in re.split(r"[,;+]", one.parts)} - {""}
            for name in (f"action\x1f{one.found}", *(f"part\x1f{part}" for part in sorted(parts))):
                members.setdefault(name, []).append(one)
                if one.state in ("proven", "not_proven"):
                    verdicts.append((name, "made_worse" if one.events[-1].reason == MADE_WORSE else one.state))
    counted = proof_statistics(verdicts)
    rows = []
    for name, mine in sorted(members.items()):
        count = counted.get(name)
        hours = [one.hours for one in mine if one.hours is not None]
        paid = [one.cost for one in mine if one.cost is not None]
        rows.append(
            {
                "kind": name.split("\x1f")[0],
                "name": name.split("\x1f")[1],
                "proven": count.proven if count else 0,
                "not_proven": count.not_proven if count else 0,
                "made_worse": count.made_worse if count else 0,
                "waiting": sum(one.state == "done" for one in mine),
                "share_proven": count.share if count else None,
                "share_low": count.low if count else None,
                "share_high": count.high if count else None,
                "mean_hours": fmean(hours) if hours else None,
                "mean_parts_paid": fmean(paid) if paid else None,
            }
        )
    return pl.DataFrame(rows, schema=polars_schema(PROOF_STATISTICS))


def _verdict(warehouse: Warehouse, mine: pl.DataFrame, row: dict[str, object]) -> OrderEvent | None:
    """The event of one order; None until its van has been recorded again and something can be compared."""
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
        reason=MADE_WORSE if proof.verdict == "made_worse" else "",
        note=joined(map(say, proof.facts), "note"),
        note_facts=proof.facts,
    )


def _levels(rows: pl.DataFrame, name: str) -> dict[str, Level]:
    known = rows.drop_nulls([name, f"{name}_u"])
    return {q: Level(v, u) for q, v, u in known.select("quantity", name, f"{name}_u").iter_rows()}
