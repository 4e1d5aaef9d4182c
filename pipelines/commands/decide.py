"""`vansnap decide`: decisions and findings from the command line or a workshop's CSV."""

import getpass
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from data_contracts.errors import InputError, MissingFileError, VansnapError, WorkspaceError, first_line
from data_contracts.plurals import counted
from data_contracts.states import NOTED
from models.work.order_states import OrderEvent, OrderStatus, replay, told_as, without
from pipelines.commands.apply import apply_now
from pipelines.decisions.order_decisions import check_decision, event_from, pending, record
from pipelines.decisions.photos import keep_photos
from pipelines.decisions.proofs import PERSON
from pipelines.decisions.quarantine_decisions import ItemDecision, check_item_decision, record_item
from pipelines.intake.readers.picture import LARGEST_BYTES, plain_photo
from pipelines.read_side.published import open_published
from pipelines.workspace.workspace import Workspace

COLUMNS = ("order_id", "state", "at", "person", "reason", "until", "found", "parts", "hours", "cost", "note")
_NEEDED = ("order_id", "state")
RUNNING = "written down; a run is in progress and takes it in"
STANDS = "written down, and it stands; it takes effect once this is mended: "
"""Begins what is said where it can't take effect now; the reason follows."""


UNDO = "undo"
"""In place of a state: takes back the last decision of an order, or what was noted last."""
LONGEST_NOTE = 2000
"""Of our choosing. [characters]"""
MOST_PHOTOS = 6
"""With one decision or note. Of our choosing."""


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
    undone : OrderEvent or None
        What it took back.
    """

    event: OrderEvent
    van_id: str
    later: str = ""
    undone: OrderEvent | None = None


def decide_one(workspace: Workspace, answers: Mapping[str, Any]) -> str:
    """Record one decision.

    Parameters
    ----------
    workspace : Workspace
    answers : mapping
        Columns of `COLUMNS`; what is None is left to its default. The state `UNDO` takes back what was decided or noted last, or
        what `undoes` names by its id. `photos`: (name, bytes) of each file.

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
        if answers.get("photos"):
            raise InputError(f"item {item['item_id'][:12]} is in quarantine and takes no photos: leave --photo out")
        decision = _item_decision(answers, item, None)
        record_item(workspace, decision)
        later = _later(workspace)
        return f"item {decision.item_id[:12]} is to be {decision.state.replace('_', ' ')}" + (later and f" ({later})")
    done = decide_orders(workspace, [answers])[0]
    return _done_said(done) + (done.later and f" ({done.later})")


def _done_said(done: Decided) -> str:
    """What a decision did, or what was noted or taken back."""
    order = f"order {done.event.order_id} of {done.van_id}"
    if done.undone is not None and done.undone.state == NOTED:
        return f"the note of {done.undone.person} on {done.undone.at:%Y-%m-%d %H:%M} UTC at {order} is taken back"
    if done.event.state == NOTED:
        return f"noted at {order}"
    return f"{order} is {done.event.state}" + (" again" if done.undone else "")


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
    decided: list[tuple[OrderEvent, OrderEvent | None]] = []
    photos: list[tuple[bytes, ...]] = []
    for told in answers:
        so_far = [*events, *(event for event, _ in decided)]
        photos.append(_plain(told.get("photos") or ()))
        if told.get("state") == UNDO:
            if photos[-1]:
                raise InputError(f"order {told['order_id']}: to take back takes no photos: note them by themselves")
            event, undone = _undo(told, so_far)
        else:
            named = {"photos": [hashlib.sha256(photo).hexdigest() for photo in photos[-1]]}
            event, undone = _event({**_with_due(told, orders), **named}, None), None
        check_decision(event, orders, so_far)
        decided.append((event, undone))
    keep_photos(workspace, [photo for one in photos for photo in one])
    for event, _ in decided:
        record(workspace, event)
    later = _later(workspace)
    return [Decided(event, orders[event.order_id][0], later, undone) for event, undone in decided]


def _plain(photos: Sequence[tuple[str, bytes]]) -> tuple[bytes, ...]:
    """Photos as they are kept, each once."""
    if len(photos) > MOST_PHOTOS:
        raise InputError(f"{len(photos)} photos are given, at most {MOST_PHOTOS} go with a decision: choose the best")
    return tuple(dict.fromkeys(plain_photo(name, content) for name, content in photos))


def photo_files(paths: Sequence[Path]) -> list[tuple[str, bytes]]:
    """Name and bytes of files that are named on the command line.

    Parameters
    ----------
    paths : sequence of Path

    Returns
    -------
    list of (str, bytes)

    Raises
    ------
    InputError
        If one is not there, is no file, or can't be read.
    """
    found = []
    for path in paths:
        if not path.is_file():
            what = "is no file" if path.exists() else "is not there"
            raise MissingFileError(f"photo {path} {what}: name a JPEG, PNG or WebP file")
        try:
            with path.open("rb") as file:
                found.append((path.name, file.read(LARGEST_BYTES + 1)))
        except OSError as error:
            raise InputError(f"photo {path} can't be read ({error.strerror}): name a file you may read") from error
    return found


def _undo(told: Mapping[str, Any], events: Sequence[OrderEvent]) -> tuple[OrderEvent, OrderEvent]:
    """The event that takes back what was last told of an order, or what is named, and that itself."""
    order_id = str(told["order_id"])
    status = replay(events)[0].get(order_id, OrderStatus())
    last = told_as(status, str(told["undoes"])) if told.get("undoes") else status.last_told
    if last is None:
        raise InputError(f"order {order_id}: nothing was decided on it, so there is nothing to take back")
    before = without(status, last.event_id)
    answers = {"order_id": order_id, "state": before.state, "at": told.get("at"), "person": told.get("person")}
    answers |= {"reason": told.get("reason"), "note": told.get("note")}
    return replace(_event(answers, None), undoes=last.event_id), last


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
    return f"{counted(len(decided) + len(items), 'decision', 'decisions')} recorded" + (later and f" ({later})")


def _with_due(answers: Mapping[str, Any], orders: Mapping[str, tuple[str, date | None]]) -> dict[str, Any]:
    """A decision with the day its order was due, to be given back where it is undone."""
    return {**answers, "due": orders.get(str(answers["order_id"]), ("", None))[1]}


def _event(answers: Mapping[str, Any], person: str | None) -> OrderEvent:
    note = str(answers.get("note") or "")
    if len(note) > LONGEST_NOTE:
        raise InputError(f"the note has {len(note)} characters: at most {LONGEST_NOTE}")
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
