"""`vansnap decide`: decisions and findings from the command line or a workshop's CSV."""

import getpass
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from data_contracts.errors import InputError, MissingFileError, VansnapError, WorkspaceError, first_line
from models.work.order_states import OrderEvent, replay, without_last
from pipelines.commands.apply import apply_now
from pipelines.decisions.order_decisions import check_decision, event_from, pending, record
from pipelines.decisions.proofs import PERSON
from pipelines.decisions.quarantine_decisions import ItemDecision, check_item_decision, record_item
from pipelines.read_side.published import open_published
from pipelines.workspace.workspace import Workspace

COLUMNS = ("order_id", "state", "at", "person", "reason", "until", "found", "parts", "hours", "cost", "note")
_NEEDED = ("order_id", "state")
RUNNING = "written down; a run is in progress and takes it in"
STANDS = "written down, and it stands; it takes effect once this is mended: "
"""Begins what is said where it can't take effect now; the reason follows."""


UNDO = "undo"
"""In place of a state: takes back the last decision of an order."""


@dataclass(frozen=True)
class Decided:
    """A decision on an order that stands from now on.

    Attributes
    ----------
    event : OrderEvent
        It.
    van_id : str
        Of the order.
    later : str
        Empty where it has taken effect; else why it does so later.
    """

    event: OrderEvent
    van_id: str
    later: str = ""


def decide_one(workspace: Workspace, answers: Mapping[str, Any]) -> str:
    """Record one decision.

    Parameters
    ----------
    workspace : Workspace
    answers : mapping
        Columns of `COLUMNS`; what is None is left to its default. The state `UNDO` takes the last decision back.

    Returns
    -------
    str
        What happened.

    Raises
    ------
    InputError
        If the order is unknown or can't go there.
    """
    item = _item_of(workspace, str(answers["order_id"]))
    if item is not None:
        decision = _item_decision(answers, item, None)
        record_item(workspace, decision)
        later = _later(workspace)
        return f"item {decision.item_id[:12]} is to be {decision.state.replace('_', ' ')}" + (later and f" ({later})")
    done = decide_orders(workspace, [answers])[0]
    again = " again" if done.event.undoes else ""
    return f"order {done.event.order_id} of {done.van_id} is {done.event.state}{again}" + (
        done.later and f" ({done.later})"
    )


def decide_orders(workspace: Workspace, answers: Sequence[Mapping[str, Any]]) -> list[Decided]:
    """Record decisions on orders; all of them fit, or none is recorded.

    Parameters
    ----------
    workspace : Workspace
    answers : sequence of mapping
        See `decide_one`.

    Returns
    -------
    list of Decided
        In the order given.

    Raises
    ------
    InputError
        If an order is unknown or can't go there.
    """
    orders, events = _known(workspace)
    decided: list[OrderEvent] = []
    for told in answers:
        undoes = told.get("state") == UNDO
        event = _undo(told, [*events, *decided]) if undoes else _event(_with_due(told, orders), None)
        check_decision(event, orders, [*events, *decided])
        decided.append(event)
    for event in decided:
        record(workspace, event)
    later = _later(workspace)
    return [Decided(event, orders[event.order_id][0], later) for event in decided]


def _undo(told: Mapping[str, Any], events: Sequence[OrderEvent]) -> OrderEvent:
    """The event that takes back the last decision of an order."""
    order_id = str(told["order_id"])
    status = replay(events)[0].get(order_id)
    if status is None or not status.events:
        raise InputError(f"order {order_id}: nothing was decided on it, so there is nothing to take back")
    last, before = status.events[-1], without_last(status)
    return replace(_event({**told, "state": before.state}, None), undoes=last.event_id)


def decide_from_file(workspace: Workspace, path: Path, *, person: str | None) -> str:
    """Record every decision of a CSV; all of them fit, or none is recorded.

    Parameters
    ----------
    workspace : Workspace
    path : Path
        CSV with a header row, columns of `COLUMNS`.
    person : str or None
        Who, for rows that name nobody.

    Returns
    -------
    str
        What happened.

    Raises
    ------
    InputError
        Naming the first row that does not fit.
    """
    if not path.is_file():
        what = "is no file" if path.exists() else "is not there"
        raise MissingFileError(f"{path} {what}: name a CSV with columns {', '.join(COLUMNS)}")
    try:
        table = pl.read_csv(path, infer_schema=False, encoding="utf8")
    except (pl.exceptions.PolarsError, UnicodeDecodeError) as error:
        raise InputError(f"{path} can't be read ({first_line(error)}): save it as UTF-8 CSV with commas") from error
    missing = [name for name in _NEEDED if name not in table.columns]
    unknown = [name for name in table.columns if name not in COLUMNS]
    if missing or unknown:
        fault = f"lacks column {missing[0]}" if missing else f"has column {unknown[0]!r}"
        raise InputError(f"{path} {fault}: its columns are {', '.join(COLUMNS)}")
    orders, events = _known(workspace)
    decided: list[OrderEvent] = []
    items: list[ItemDecision] = []
    for number, row in enumerate(table.iter_rows(named=True), 1):
        try:
            item = _item_of(workspace, str(row["order_id"] or ""))
            if item is not None:
                if any(other.item_id == item["item_id"] for other in items):
                    raise InputError(f"item {item['item_id'][:12]} is decided twice: leave one row")
                items.append(_item_decision(row, item, person))
                continue
            event = _event(_with_due(row, orders), person)
            check_decision(event, orders, [*events, *decided])
        except VansnapError as error:
            raise InputError(f"{path} row {number}: {error}; nothing of the file was recorded") from error
        decided.append(event)
    for event in decided:
        record(workspace, event)
    for decision in items:
        record_item(workspace, decision)
    later = _later(workspace)
    return f"{len(decided) + len(items)} decisions recorded" + (later and f" ({later})")


def _with_due(answers: Mapping[str, Any], orders: Mapping[str, tuple[str, date | None]]) -> dict[str, Any]:
    """A decision with the day its order was due, to be given back where it is undone."""
    return {**answers, "due": orders.get(str(answers["order_id"]), ("", None))[1]}


def _event(answers: Mapping[str, Any], person: str | None) -> OrderEvent:
    return event_from({**answers, "at": answers.get("at") or datetime.now(UTC), "person": _who(answers, person)})


def _who(answers: Mapping[str, Any], person: str | None) -> str:
    who = str(answers.get("person") or person or getpass.getuser())
    if who == PERSON:
        raise InputError(f"person {who!r} signs the proofs the software makes: name somebody else with --person")
    return who


def _item_of(workspace: Workspace, name: str) -> dict[str, Any] | None:
    """The item in quarantine whose name starts with these eight or more characters, where they name no order."""
    if len(name) < 8:
        return None
    published = open_published(workspace.root)
    if published.ask("SELECT 1 FROM work_orders WHERE order_id = $name", {"name": name}).height:
        return None
    found = published.ask("SELECT * FROM quarantine WHERE starts_with(item_id, $name)", {"name": name})
    if found.height > 1:
        raise InputError(f"{found.height} items in quarantine begin with {name}: give more characters")
    return found.row(0, named=True) if found.height else None


def _item_decision(answers: Mapping[str, Any], item: Mapping[str, Any], person: str | None) -> ItemDecision:
    event = _event({**answers, "order_id": item["item_id"]}, person)
    if event.at.utcoffset() is None:
        raise InputError(f"item {item['item_id'][:12]}: time {event.at.isoformat()} has no UTC offset: give one")
    decision = ItemDecision(str(item["item_id"]), event.state, event.at, event.person, event.reason)
    check_item_decision(decision, item)
    return decision


def _known(workspace: Workspace) -> tuple[dict[str, tuple[str, date | None]], list[OrderEvent]]:
    """Van and day due of every order, and all events."""
    published = open_published(workspace.root)
    rows = published.ask("SELECT order_id, van_id, due_by FROM work_orders").iter_rows()
    stored = [event_from(row) for row in published.ask("SELECT * FROM order_events").iter_rows(named=True)]
    return {order: (van_id, due) for order, van_id, due in rows}, [*stored, *pending(workspace)]


def _later(workspace: Workspace) -> str:
    """Empty where it takes effect at once; whatever fails now, what was decided is on disk and stands."""
    try:
        return "" if apply_now(workspace) else RUNNING
    except (WorkspaceError, OSError, duckdb.Error) as error:
        return STANDS + first_line(error)
