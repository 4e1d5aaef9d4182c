"""Decisions on orders: an append-only inbox that never waits for a run, and the events made of it.

A decision is one file under decisions/, written whole before anything else happens; the next run, or a
writer that waits a moment, takes it into the table of order events and moves the file to decisions/taken/.
The same decision handed in twice is one event.
"""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import FACTS_TYPE, ORDER_EVENTS, READ_FROM_WORDS, REPAIRS, WORK_ORDERS, polars_schema
from data_contracts.weeks import weeks_of
from models.work.order_states import OrderEvent, OrderStatus, check_event, replay
from pipelines.decisions.inbox import TAKEN, write_decision
from pipelines.decisions.photos import is_photo
from pipelines.decisions.proofs import PERSON, proof_statistics_of
from pipelines.storage.sentences import with_sentences
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.drafts import clear_drafts
from pipelines.workspace.log import audit
from pipelines.workspace.workspace import Workspace

T = TypeVar("T")

_SUFFIX = ".json"
_FROM_EVENTS = ("order_id", "state", "proof", "until", "found", "hours_taken", "parts_paid")


def record(workspace: Workspace, event: OrderEvent) -> Path:
    """Write a decision down; it is on disk once this returns.

    Parameters
    ----------
    workspace : Workspace
        Whose inbox of decisions.
    event : OrderEvent
        The decision.

    Returns
    -------
    Path
        Its file.
    """
    path = write_decision(workspace.decisions / f"{event.event_id}{_SUFFIX}", asdict(event))
    if event.person != PERSON:
        audit(workspace, "decided", event.person, order=event.order_id, state=event.state, decision=event.event_id)
    return path


def pending(workspace: Workspace) -> list[OrderEvent]:
    """Decisions written down and not yet taken in.

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    list of OrderEvent
        Oldest first; a file that is no decision is left out (see `vansnap check`).
    """
    return [event for _, event in _waiting(workspace) if event is not None]


def unreadable(workspace: Workspace) -> list[str]:
    """Names of files among the decisions that can't be read.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    """
    return [path.name for path, event in _waiting(workspace) if event is None]


def check_decision(event: OrderEvent, orders: Iterable[str], events: Iterable[OrderEvent]) -> None:
    """Whether a decision fits the state of its order.

    Parameters
    ----------
    event : OrderEvent
        The decision.
    orders : iterable of str
        Orders there are.
    events : iterable of OrderEvent
        All events so far, those waiting included.

    Raises
    ------
    InputError
        If the order is unknown, can't go there, or went to where it stands at a later time.
    """
    known = set(orders)
    if event.order_id not in known:
        close = sorted(order for order in known if order.startswith(event.order_id[:4]))[:3]
        hint = f"did you mean {', '.join(close)}" if close else "`vansnap orders` lists them"
        raise InputError(f"order {event.order_id} is not known: {hint}")
    status, _ = replay(events)
    stands = status.get(event.order_id, OrderStatus())
    check_event(stands, event)
    if stands.since is not None and event.at < stands.since:
        raise InputError(
            f"order {event.order_id}: {event.state} is dated {event.at:%Y-%m-%d %H:%M} UTC, before it was {stands.state} "
            f"({stands.since:%Y-%m-%d %H:%M} UTC): give a time after that"
        )


def take_in_decisions(workspace: Workspace, warehouse: Warehouse) -> int:
    """Move waiting decisions into the warehouse, and bring every order's state up to date.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller; drafts of writers that were killed go.
    warehouse : Warehouse
        Open for writing, outside a transaction.

    Returns
    -------
    int
        Decisions taken in.
    """
    clear_drafts(sorted({workspace.decisions, *(p for p in workspace.decisions.glob("*") if p.is_dir())}))
    waiting = [(path, event) for path, event in _waiting(workspace) if event is not None]
    if not waiting:
        return 0
    with warehouse.transaction():
        refused = store_events(warehouse, (*stored_events(warehouse), *(event for _, event in waiting)))
        _give_days_back(warehouse, refused, {event.event_id for _, event in waiting})
    taken = workspace.decisions / TAKEN
    taken.mkdir(exist_ok=True)
    for path, _ in waiting:
        path.replace(taken / path.name)
    return len(waiting)


def store_events(warehouse: Warehouse, told: Iterable[OrderEvent]) -> list[OrderEvent]:
    """Make the table of events hold exactly these, and bring every order's state up to date.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, inside a transaction.
    told : iterable of OrderEvent
        All events; the same event told twice is one.

    Returns
    -------
    list of OrderEvent
        Those that don't count.
    """
    events = {event.event_id: event for event in told}
    status, refused = replay(events.values())
    why = {one.event.event_id: one.why for one in refused}
    rows = [asdict(event) | {"event_id": name, "refused": why.get(name)} for name, event in events.items()]
    warehouse.replace("order_events", pl.DataFrame(rows, schema=polars_schema(ORDER_EVENTS)))
    bring_orders_up_to_date(warehouse, status)
    return [one.event for one in refused]


def _give_days_back(warehouse: Warehouse, refused: Iterable[OrderEvent], new: Collection[str]) -> None:
    """An order whose postponement was just taken back is due when it was before."""
    told = {event.event_id: event for event in refused}
    for event in told.values():
        undone = told.get(event.undoes) if event.undoes and event.event_id in new else None
        if undone is not None and undone.state == "postponed" and undone.due is not None:
            warehouse.execute("UPDATE work_orders SET due_by = ? WHERE order_id = ?", [undone.due, undone.order_id])


def bring_orders_up_to_date(warehouse: Warehouse, status: Mapping[str, OrderStatus]) -> None:
    """Write what follows from the events: every order's state, finding and money, and the statistics of proofs.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, inside a transaction.
    status : mapping of str to OrderStatus
        From all events.
    """
    told = pl.DataFrame(
        [
            {
                "order_id": name,
                "state": one.state,
                "proof": one.proof,
                "until": one.until,
                "found": one.found or None,
                "hours_taken": one.hours,
                "parts_paid": one.cost,
            }
            for name, one in status.items()
        ],
        schema={name: polars_schema(WORK_ORDERS)[name] for name in _FROM_EVENTS},
    )
    changed = " OR ".join(f"work_orders.{name} IS DISTINCT FROM s.{name}" for name in _FROM_EVENTS[1:])
    sets = ", ".join(f"{name} = s.{name}" for name in _FROM_EVENTS[1:])
    with warehouse.rows("_status", told):
        these = f"work_orders.order_id = s.order_id AND ({changed})"
        moved = warehouse.query(f"SELECT work_orders.order_id FROM work_orders, _status s WHERE {these}")
        warehouse.execute(f"UPDATE work_orders SET {sets} FROM _status s WHERE {these}")
    _plan_by_the_day(warehouse, moved["order_id"].to_list())
    warehouse.execute("UPDATE work_orders SET due_by = until WHERE state = 'postponed' AND until > due_by")
    closed = f"state NOT IN {PLANNED_STATES} AND plan_note IS NOT NULL"
    warehouse.execute(f"UPDATE work_orders SET plan_week = NULL, plan_note = NULL, plan_facts = NULL WHERE {closed}")
    warehouse.replace("proof_statistics", proof_statistics_of(status))


def _plan_by_the_day(warehouse: Warehouse, order_ids: Sequence[str]) -> None:
    """Of orders just booked or postponed the week of their day, until the next run plans again: list, plan and paper agree at once."""
    rows = warehouse.query(
        """
        SELECT order_id, state, until FROM work_orders WHERE list_contains($orders, order_id) AND until IS NOT NULL AND (
            (state = 'booked' AND plan_week IS DISTINCT FROM strftime(until, '%G-W%V')) OR
            (state = 'postponed' AND plan_week < strftime(until, '%G-W%V')))
        """,
        {"orders": list(order_ids)},
    )
    if rows.is_empty():
        return
    facts = [
        [Fact.of(f"plan_{state}", day=str(until)).row()] for state, until in rows.select("state", "until").iter_rows()
    ]
    planned = rows.select(
        "order_id",
        plan_week=weeks_of(pl.col("until")),
        plan_note=pl.lit(None, pl.String),
        plan_facts=pl.Series(facts, dtype=FACTS_TYPE),
    )
    with warehouse.rows("_planned", with_sentences(planned)):
        warehouse.execute(
            "UPDATE work_orders SET plan_week = p.plan_week, plan_note = p.plan_note, plan_facts = p.plan_facts "
            "FROM _planned p WHERE work_orders.order_id = p.order_id"
        )


def stored_events(warehouse: Warehouse) -> list[OrderEvent]:
    """All events in the warehouse, oldest first.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    """
    rows = warehouse.query('SELECT * FROM order_events ORDER BY "at", event_id')
    return [event_from(row) for row in rows.iter_rows(named=True)]


def repairs_from_orders(warehouse: Warehouse) -> pl.DataFrame:
    """Repairs that were recorded on orders: something was found and done, so a new baseline starts.

    The latest finding on an order counts: a corrected one leaves no repair.

    Parameters
    ----------
    warehouse : Warehouse

    Returns
    -------
    polars.DataFrame
        Rows of the table `repairs`, what they touched still empty.
    """
    done = warehouse.query(
        """
        SELECT e.event_id AS repair_id, o.van_id, e."at" AS done_at, CASE WHEN e.found = 'other' THEN e.note ELSE e.found END AS work, nullif(e.parts, '') AS parts,
               e.order_id AS work_order, nullif(e.note, '') AS note
        FROM (
            SELECT * FROM order_events WHERE state = 'done' AND refused IS NULL
            QUALIFY row_number() OVER (PARTITION BY order_id ORDER BY "at" DESC, event_id DESC) = 1
        ) e JOIN work_orders o USING (order_id)
        WHERE e.found <> 'none' ORDER BY e.event_id
        """
    )
    schema = polars_schema(REPAIRS)
    unread = {name: pl.lit(None) for name in READ_FROM_WORDS}
    return done.with_columns(**unread).select(pl.col(name).cast(kind) for name, kind in schema.items())


def event_from(row: Mapping[str, Any]) -> OrderEvent:
    """An event from a row of order_events or from a decision file.

    Parameters
    ----------
    row : mapping
        Columns of `order_events`; moments and days as such or in ISO 8601.

    Returns
    -------
    OrderEvent

    Raises
    ------
    InputError
        If a value is missing or of the wrong kind.
    """
    if not isinstance(row, Mapping):
        raise InputError(f"the decision is {str(row)[:60]!r}: write it again")
    missing = [name for name in ("order_id", "state", "at", "person") if row.get(name) is None]
    if missing:
        raise InputError(f"the decision has no {missing[0]}: give one")
    until, due, at = row.get("until") or None, row.get("due") or None, row["at"]
    photos = row.get("photos") or ()
    if not isinstance(photos, list | tuple) or not all(is_photo(one) for one in photos):
        raise InputError(f"photos is {str(photos)[:60]!r}: leave it out, or name each by its SHA-256")
    if not isinstance(at, datetime):
        at = made_of("at", at, datetime.fromisoformat, "write a moment such as 2026-04-30T09:15:00+02:00")
    if until is not None and not isinstance(until, date):
        until = made_of("until", until, date.fromisoformat, "write a day such as 2026-04-30")
    if due is not None and not isinstance(due, date):
        due = made_of("due", due, date.fromisoformat, "write a day such as 2026-04-30")
    return OrderEvent(
        order_id=str(row["order_id"]),
        state=str(row["state"]),
        at=at if at.utcoffset() is None else at.astimezone(UTC),
        person=str(row["person"]),
        reason=str(row.get("reason") or ""),
        until=until,
        found=str(row.get("found") or ""),
        parts=str(row.get("parts") or ""),
        hours=_amount("hours", row.get("hours")),
        cost=_amount("cost", row.get("cost")),
        note=str(row.get("note") or ""),
        note_facts=_facts(row.get("note_facts") or ()),
        undoes=str(row.get("undoes") or ""),
        due=due,
        photos=tuple(photos),
    )


def _facts(told: Any) -> tuple[Fact, ...]:
    try:
        return tuple(Fact.from_row(fact) for fact in told)
    except (AttributeError, KeyError, TypeError, ValueError):
        raise InputError(f"note_facts is {str(told)[:60]!r}: leave it out") from None


def _amount(name: str, value: object) -> float | None:
    return None if value is None or value == "" else made_of(name, value, float, "write a number with a decimal point")


def made_of(name: str, value: object, make: Callable[[str], T], remedy: str) -> T:
    """A typed text converted to a value.

    Parameters
    ----------
    name : str
        What it is called where it was typed.
    value : object
        What was typed.
    make : callable
        Takes the text; raises ValueError where it is none of the kind.
    remedy : str
        What to do then.

    Returns
    -------
    object
        What `make` returns.

    Raises
    ------
    InputError
        Naming value and remedy.
    """
    try:
        return make(str(value))
    except ValueError:
        raise InputError(f"{name} is {str(value)[:60]!r}: {remedy}") from None


def _waiting(workspace: Workspace) -> list[tuple[Path, OrderEvent | None]]:
    found: list[tuple[Path, OrderEvent | None]] = []
    for path in sorted(workspace.decisions.glob(f"*{_SUFFIX}")):
        if path.name.startswith("."):
            continue
        try:
            found.append((path, event_from(json.loads(path.read_text(encoding="utf-8")))))
        except FileNotFoundError:
            continue  # another writer has just taken it in
        except (InputError, OSError, UnicodeDecodeError, json.JSONDecodeError):
            found.append((path, None))
    return sorted(found, key=lambda item: (item[1].at.isoformat() if item[1] else "", item[0].name))
