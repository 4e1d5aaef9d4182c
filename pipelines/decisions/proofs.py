"""Proof of repairs: after `done`, three good captures say whether the quantities the repair touched came back."""

import re
from collections.abc import Mapping
from datetime import timedelta
from statistics import fmean
from typing import Any

import polars as pl

from data_contracts.facts.rendering import joined, render
from data_contracts.jobs import JOBS
from data_contracts.states import CANT_TELL
from data_contracts.tables import PROOF_STATISTICS, polars_schema
from data_contracts.weeks import week_of, week_start
from models.work.order_states import PROOF_REASONS, OrderEvent, OrderStatus
from models.work.repair_proof import PROOF_COLUMNS, proof_in_time, proof_statistics
from pipelines.storage.warehouse import Warehouse

PERSON = "vansnap"
"""Who a proof is signed by."""
_NOT_TOLD, _CANT_TELL = "(o.state = 'done' OR o.proof = $cant_tell)", {"cant_tell": CANT_TELL}
IN_VAIN_WEEKS = 26
"""How long a job that did not help is not asked for again. Common practice, no source (2026-11-30)."""


def waiting_for_proof(warehouse: Warehouse) -> list[str]:
    """Vans with a completed order that is not told for good."""
    found = warehouse.query(f"SELECT DISTINCT van_id FROM work_orders o WHERE {_NOT_TOLD} ORDER BY 1", _CANT_TELL)
    return found["van_id"].to_list()


def proofs_due(warehouse: Warehouse, trends: pl.DataFrame, repairs: pl.DataFrame, week: str) -> list[OrderEvent]:
    """Verdicts on completed orders whose van was recorded often enough after it.

    Parameters
    ----------
    warehouse : Warehouse
        Its orders, their events, and captures.
    trends : polars.DataFrame
        `PROOF_TRENDS` of the run, of the vans that are asked about.
    repairs : polars.DataFrame
        REPAIRS, with what each should bring back.
    week : str
        ISO week of the run.

    Returns
    -------
    list of OrderEvent
        Proven or not proven, at the time of the visit that shows it; the same visits give the same event. What can't be
        told yet is waited for, for `PROVING_WEEKS`; then that is what is said, with the reason, until later visits tell
        or the van is repaired again.
    """
    works = {row["repair_id"]: row for row in repairs.iter_rows(named=True)}
    done = warehouse.query(
        f"""
        SELECT e.order_id, o.van_id, max(e."at") FILTER (e.state = 'done') AS "at",
               arg_max(e.found, (e."at", e.event_id)) FILTER (e.state = 'done') AS found,
               arg_max(e.event_id, (e."at", e.event_id)) FILTER (e.state = 'done') AS repair_id,
               max(e."at") FILTER (e.state = 'not_proven') AS left_open_at
        FROM order_events e JOIN work_orders o USING (order_id)
        WHERE {_NOT_TOLD} AND e.refused IS NULL
        GROUP BY ALL ORDER BY e.order_id
        """,
        _CANT_TELL,
    )
    verdicts = []
    for row in done.iter_rows(named=True):
        again = repairs.filter(pl.col("van_id") == row["van_id"], pl.col("done_at") > row["at"])
        if row["found"] in JOBS and (row["left_open_at"] is None or again.is_empty()):
            mine = trends.filter(pl.col("van_id") == row["van_id"])
            captures = warehouse.query(
                f"SELECT {', '.join(PROOF_COLUMNS)} FROM captures WHERE van_id = ? AND week <= ?",
                [row["van_id"], week],
            )
            event = _verdict(captures, mine, row, works.get(row["repair_id"], {}))
            if event is not None:
                verdicts.append(event)
    return verdicts


def jobs_not_proven(warehouse: Warehouse, week: str) -> pl.DataFrame:
    """Jobs done within half a year that were not proven: van_id, found, proof and flagged_by of their orders."""
    return warehouse.query(
        "SELECT van_id, found, proof, flagged_by FROM work_orders WHERE state = 'not_proven' AND found IS NOT NULL AND week <= $week "
        "AND week > $since ORDER BY order_id",
        {"week": week, "since": week_of(week_start(week) - timedelta(weeks=IN_VAIN_WEEKS))},
    )


def jobs_in_vain(not_proven: pl.DataFrame, trends: pl.DataFrame) -> dict[str, frozenset[str]]:
    """Causes whose job did not help a van: shown by a proof, or the proof could not tell and what brought the order is still in alarm.

    Parameters
    ----------
    not_proven : polars.DataFrame
        As `jobs_not_proven` returns.
    trends : polars.DataFrame
        TRENDS of the run.

    Returns
    -------
    dict of str to frozenset of str
        By van.
    """
    last = trends.sort("week").group_by("van_id", "quantity").last()
    stand = set(last.filter(pl.col("alarm")).select("van_id", "quantity").iter_rows())
    found: dict[str, set[str]] = {}
    for row in not_proven.iter_rows(named=True):
        van_id = row["van_id"]
        if row["proof"] != CANT_TELL or any((van_id, name) in stand for name in row["flagged_by"] or ()):
            found.setdefault(van_id, set()).add(row["found"])
    return {van_id: frozenset(causes) for van_id, causes in found.items()}


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
                if one.proof is not None:
                    verdicts.append((name, one.proof))
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
                "cant_tell": count.cant_tell if count else 0,
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
    captures: pl.DataFrame, mine: pl.DataFrame, row: Mapping[str, Any], work: Mapping[str, Any]
) -> OrderEvent | None:
    """The event of one order, by what its work touched; None while it is waited for, and where nothing new can be told.

    `captures` and `mine`, the trends, are of its van, as of the week that is judged.
    """
    at, left_open_at = row["at"], row["left_open_at"]
    stands = proof_in_time(mine, captures, at, work.get("brings_back") or (), work.get("touches") or ())
    proof = stands.proof
    seen: Any = captures["captured_at"].max()
    if proof is None or not stands.told:
        if not stands.late or left_open_at is not None:
            return None
        verdict, facts = CANT_TELL, (stands.left_open, *(proof.facts if proof else ()))
    else:
        verdict, facts = proof.verdict, proof.facts
        seen = captures.filter(pl.col("week") == stands.week)["captured_at"].max()
        if left_open_at is not None and seen <= left_open_at:
            return None
    return OrderEvent(
        order_id=str(row["order_id"]),
        state="proven" if verdict == "proven" else "not_proven",
        at=seen,
        person=PERSON,
        reason=PROOF_REASONS.get(verdict, ""),
        note=joined(map(render, facts), "note"),
        note_facts=facts,
    )
