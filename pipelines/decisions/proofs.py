"""Proof of repairs: after `done`, three good captures say whether the quantities the repair touched came back."""

import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from statistics import fmean
from typing import Any

import polars as pl

from data_contracts.facts.rendering import joined, render
from data_contracts.jobs import JOBS
from data_contracts.tables import PROOF_STATISTICS, polars_schema
from data_contracts.weeks import week_of, week_start
from models.work.order_states import OrderEvent, OrderStatus
from models.work.repair_proof import PROOF_COLUMNS, proof_in_time, proof_statistics
from pipelines.storage.warehouse import Warehouse

PERSON = "vansnap"
"""Who a proof is signed by."""
PROVING_WEEKS = 6
"""A repair not proven by then is no longer waited for. Common practice, no source (2026-11-29)."""
IN_VAIN_WEEKS = 26
"""How long a job that did not help is not asked for again. Common practice, no source (2026-11-30)."""
MADE_WORSE = "made worse"
"""Its reason where something moved further away."""


def proofs_due(warehouse: Warehouse, trends: pl.DataFrame, repairs: pl.DataFrame) -> list[OrderEvent]:
    """Verdicts on completed orders whose van was recorded often enough after it.

    Parameters
    ----------
    warehouse : Warehouse
        Its orders, their events, and captures.
    trends : polars.DataFrame
        TRENDS of the run.
    repairs : polars.DataFrame
        REPAIRS, with what each should bring back.

    Returns
    -------
    list of OrderEvent
        Proven or not proven, at the time of the visit that shows it; the same visits give the same event. What can't be
        told yet is waited for, for `PROVING_WEEKS`; then it is not proven.
    """
    works = {row["repair_id"]: row for row in repairs.iter_rows(named=True)}
    done = warehouse.query(
        """
        SELECT e.order_id, o.van_id, max(e."at") AS "at", arg_max(e.found, (e."at", e.event_id)) AS found,
               arg_max(e.event_id, (e."at", e.event_id)) AS repair_id
        FROM order_events e JOIN work_orders o USING (order_id)
        WHERE o.state = 'done' AND e.state = 'done' AND e.refused IS NULL
        GROUP BY ALL ORDER BY e.order_id
        """
    )
    verdicts = []
    for row in done.iter_rows(named=True):
        if row["found"] in JOBS:
            mine = trends.filter(pl.col("van_id") == row["van_id"])
            event = _verdict(warehouse, mine, row, works.get(row["repair_id"], {}))
            if event is not None:
                verdicts.append(event)
    return verdicts


def jobs_in_vain(warehouse: Warehouse, week: str) -> dict[str, frozenset[str]]:
    """Causes whose job was done on a van within half a year and was not proven: it did not help, or six weeks could not tell.

    Parameters
    ----------
    warehouse : Warehouse
        Its orders.
    week : str
        ISO week.

    Returns
    -------
    dict of str to frozenset of str
        By van.
    """
    rows = warehouse.query(
        "SELECT van_id, list(DISTINCT found) FROM work_orders WHERE state = 'not_proven' AND found IS NOT NULL AND week <= $week "
        "AND week > $since GROUP BY van_id",
        {"week": week, "since": week_of(week_start(week) - timedelta(weeks=IN_VAIN_WEEKS))},
    )
    return {van_id: frozenset(found) for van_id, found in rows.iter_rows()}


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


def _verdict(
    warehouse: Warehouse, mine: pl.DataFrame, row: dict[str, object], work: Mapping[str, Any]
) -> OrderEvent | None:
    """The event of one order, by what its work touched; None while it is waited for."""
    at = row["at"]
    assert isinstance(at, datetime)
    captures = warehouse.query(f"SELECT {', '.join(PROOF_COLUMNS)} FROM captures WHERE van_id = ?", [row["van_id"]])
    stands = proof_in_time(mine, captures, at, work.get("brings_back") or (), work.get("touches") or ())
    proof = stands.proof
    if proof is None:
        return None
    seen = captures.filter(pl.col("week") == stands.week)["captured_at"].max()
    assert isinstance(seen, datetime)
    if proof.verdict == "cant_tell" and captures["captured_at"].max() < at + timedelta(weeks=PROVING_WEEKS):  # type: ignore[operator]
        return None
    return OrderEvent(
        order_id=str(row["order_id"]),
        state=proof.state,
        at=seen,
        person=PERSON,
        reason=MADE_WORSE if proof.verdict == "made_worse" else "",
        note=joined(map(render, proof.facts), "note"),
        note_facts=proof.facts,
    )
