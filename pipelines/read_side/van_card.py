"""What the head of a van's page and of a card on the list needs: the verdict in short, its order, who decided what, codes read."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.facts.vocabulary import FACTS
from data_contracts.signals import BANK2_PREFIX
from models.work.in_short import in_short, left_alone, spreads
from pipelines.read_side import queries
from pipelines.read_side.as_promised import as_promised
from pipelines.read_side.published import Published

CODE_VISITS = 5
"""Visits over which it is counted how often a fault code was read."""
OF_THE_WAY = 0.2
"""Least share of the way to a limit from which a movement is told second. Common practice, no source (2026-11-30). [1]"""
# of `trends`; a file of an older version has no level
_LATEST = ("quantity", "value", "level", "level_u", "baseline", "z", "alarm", "limit_low", "limit_high")


def in_short_of(published: Published, listed: Sequence[Mapping[str, Any]], week: str) -> dict[str, Fact]:
    """What to say first of vans on a week's list.

    Parameters
    ----------
    published : Published
        The read side.
    listed : sequence of mapping
        Rows of `watchlist`.
    week : str
        Their ISO week.

    Returns
    -------
    dict of str to Fact
        By van; a van of whose reasons no facts are stored, or none names a quantity, is left out.
    """
    latest = _latest_of(published, listed, week)
    found = {str(one["van_id"]): in_short(_reasons(one), latest.get(one["van_id"], {})) for one in listed}
    return {van: fact for van, fact in found.items() if fact is not None}


def also_of(published: Published, listed: Mapping[str, Any], week: str, first: Fact) -> Fact | None:
    """What to say second of a van on a week's list: the next of its reasons that tells of another quantity, in short.

    Only of one beyond a limit, or whose alarm stands at the van's latest visit and that jumps from snap to snap or is well on its way
    to its limit, if it has one: weaker ones would tell of nothing to do.

    Parameters
    ----------
    published : Published
    listed : mapping
        Row of `watchlist`.
    week : str
        ISO week.
    first : Fact
        What is said first.
    """
    said, latest = first.quantity or "", _latest_of(published, [listed], week).get(listed["van_id"], {})
    others = [
        fact
        for fact in _reasons(listed)
        if fact.quantity
        and (fact.code == "limit_crossed" or _stands_out(fact, latest.get(fact.quantity, {})))
        and not fact.quantity.removeprefix(BANK2_PREFIX).startswith(said.removeprefix(BANK2_PREFIX))
    ]
    found = in_short(others, latest)
    return None if found is None or found.code == "in_short_together" else found


def _stands_out(reason: Fact, row: Mapping[str, Any]) -> bool:
    """Whether a quantity stands in alarm and has gone a good part of the way from its baseline to the limit on that side; where its
    repeats disagree, the alarm is enough: its level need not have gone anywhere."""
    if not row.get("alarm") or reason.code == "repeats_disagree":
        return bool(row.get("alarm"))
    level, baseline = row.get("level"), row.get("baseline")
    if level is None or baseline is None:
        return True
    limit = row.get("limit_high" if level > baseline else "limit_low")
    return limit is None or abs(level - baseline) >= OF_THE_WAY * abs(limit - baseline)


def listed(published: Published, week: str, vans: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Rows of a week's list by van, of some vans; those that are not on it are left out."""
    frame = published.ask(
        "SELECT * FROM watchlist WHERE week = $week AND list_contains($vans, van_id)",
        {"week": week, "vans": list(vans)},
    )
    return {str(row["van_id"]): row for row in as_promised(published, frame).iter_rows(named=True)}


def _latest_of(
    published: Published, listed: Sequence[Mapping[str, Any]], week: str
) -> dict[str, dict[str, dict[str, Any]]]:
    """The latest row of `trends` up to a week, by van and quantity."""
    rows = published.ask(
        f"""
        SELECT van_id, COLUMNS('^({"|".join(_LATEST)})$') FROM trends WHERE week <= $week AND van_id IN (SELECT unnest($vans))
        QUALIFY row_number() OVER (PARTITION BY van_id, quantity ORDER BY week DESC) = 1
        """,
        {"week": week, "vans": [row["van_id"] for row in listed]},
    )
    latest: dict[str, dict[str, dict[str, Any]]] = {}
    for row in rows.iter_rows(named=True):
        latest.setdefault(row["van_id"], {})[row["quantity"]] = row
    for one in listed:
        for name in {fact.quantity or "" for fact in _reasons(one) if fact.code == "repeats_disagree"}:
            if (known := latest.get(one["van_id"], {}).get(name)) is not None:
                known |= spreads(quantity_trend(published, str(one["van_id"]), name, week))
    return latest


def hurts_most(listed: Mapping[str, Any]) -> Fact | None:
    """What comes of leaving a van of a week's list as it is; None where its first reason says nothing of it."""
    return left_alone(_reasons(listed))


def _reasons(listed: Mapping[str, Any]) -> list[Fact]:
    return [Fact.from_row(fact) for fact in listed.get("reason_facts") or [] if fact["code"] in FACTS]


def alarm_weeks(published: Published, listed: Sequence[Mapping[str, Any]], week: str) -> dict[str, tuple[str, str]]:
    """Since which week the longest of the alarms stands that stand at a van's latest visit, and of which quantity; a van without
    one is left out.

    Parameters
    ----------
    published : Published
    listed : sequence of mapping
        Rows of `watchlist`.
    week : str
        Their ISO week.
    """
    frame = published.ask(
        """
        SELECT van_id, min(alarm_since) FILTER (alarm) AS since,
               arg_min(quantity, (alarm_since, starts_with(quantity, $bank2), quantity)) FILTER (alarm) AS quantity FROM trends
        WHERE week <= $week AND list_contains($vans, van_id)
        GROUP BY van_id, week QUALIFY row_number() OVER (PARTITION BY van_id ORDER BY week DESC) = 1
        """,
        {"week": week, "vans": [row["van_id"] for row in listed], "bank2": BANK2_PREFIX},
    )
    rows = frame.select("van_id", "since", "quantity").iter_rows()
    return {van: (since, quantity) for van, since, quantity in rows if since is not None}


def quantity_trend(published: Published, van_id: str, quantity: str, week: str) -> list[dict[str, Any]]:
    """One quantity of one van up to a week, oldest first: rows of `trends`."""
    return published.ask(
        "SELECT * FROM trends WHERE van_id = $van AND quantity = $quantity AND week <= $week ORDER BY week",
        {"van": van_id, "quantity": quantity, "week": week},
    ).to_dicts()


def order_history(published: Published, van_id: str, *, limit: int = 30) -> pl.DataFrame:
    """Who decided what on a van's orders, newest first: rows of `order_events` that count, and those that were undone."""
    return published.ask(
        """
        SELECT e.* FROM order_events e JOIN work_orders o USING (order_id) WHERE o.van_id = $van
        ORDER BY e."at" DESC, e.event_id LIMIT $limit
        """,
        {"van": van_id, "limit": limit},
    )


def repaired_last(published: Published, van_id: str, week: str) -> datetime | None:
    """When a van was last repaired, up to a week; None if it never was."""
    repairs = queries.van_repairs(published, van_id).filter(pl.col("week") <= week)
    return repairs["done_at"][-1] if repairs.height else None


def last_event(published: Published, order: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The event that put an order into the state it is in: row of `order_events`; None for an order nobody decided on."""
    events = published.ask(
        """
        SELECT * FROM order_events WHERE order_id = $order AND state = $state AND refused IS NULL
        ORDER BY "at" DESC, event_id LIMIT 1
        """,
        {"order": order["order_id"], "state": order["state"]},
    )
    return events.row(0, named=True) if events.height else None


def codes_read(visits: pl.DataFrame) -> tuple[list[tuple[str, int]], int] | None:
    """Fault codes of the latest visit, each with at how many of the last visits it was read.

    Parameters
    ----------
    visits : polars.DataFrame
        As `queries.van_visits` gives them, newest first; without those before the last repair.

    Returns
    -------
    tuple of (list of (code, visits), int) or None
        The number is of the visits counted. None where the latest visit did not read the codes out.
    """
    if not visits.height or visits["fault_codes"][0] is None:
        return None
    last = [list(codes) for codes in visits["fault_codes"].head(CODE_VISITS) if codes is not None]
    return [(code, sum(code in codes for codes in last)) for code in dict.fromkeys(last[0])], len(last)
