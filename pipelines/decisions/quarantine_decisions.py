"""Decisions on items in quarantine: to discard one, or to let a claim win that contradicts what is held.

Like decisions on orders they are files first: under decisions/quarantine/ until a run, or a writer that waits a moment,
takes them into the table of item events.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import InputError
from data_contracts.states import ITEM_DECISIONS
from data_contracts.tables import ITEM_EVENTS, polars_schema
from pipelines.decisions.inbox import TAKEN, write_decision
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.log import audit
from pipelines.workspace.workspace import Workspace

FOLDER = "quarantine"


@dataclass(frozen=True)
class ItemDecision:
    """One decision on an item: new state, time, person and reason."""

    item_id: str
    state: str
    at: datetime
    person: str
    reason: str

    @property
    def event_id(self) -> str:
        """Hash of everything it says."""
        said = (self.item_id, self.state, self.at.isoformat(), self.person, self.reason)
        return hashlib.sha256("\x1f".join(said).encode()).hexdigest()[:16]


def check_item_decision(decision: ItemDecision, item: Mapping[str, Any] | None) -> None:
    """Whether a decision fits its item.

    Parameters
    ----------
    decision : ItemDecision
    item : mapping or None
        Row of the quarantine; None where there is none.

    Raises
    ------
    InputError
        Naming what does not fit.
    """
    name = f"item {decision.item_id[:12]}"
    if item is None:
        raise InputError(f"{name} is not in quarantine: `vansnap check` lists what waits")
    if item["state"] != "waiting":
        raise InputError(f"{name} is {item['state']} already: only what waits can be decided")
    if decision.state not in ITEM_DECISIONS:
        raise InputError(f"{name}: state {decision.state!r} is unknown: use {' or '.join(ITEM_DECISIONS)}")
    if decision.state == "taken_in" and item["rule"] != "claimed_twice":
        raise InputError(f"{name} is refused for {item['rule']}: mend that and it is taken in, or discard it")
    if not decision.reason.strip():
        raise InputError(f"{name}: no reason is given: say why with --reason")
    if not decision.person.strip():
        raise InputError(f"{name}: nobody is named: say who decided")


def record_item(workspace: Workspace, decision: ItemDecision) -> Path:
    """Write a decision down; it is on disk once this returns.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    decision : ItemDecision
        What was decided.
    """
    folder = workspace.decisions / FOLDER
    folder.mkdir(exist_ok=True)
    path = write_decision(folder / f"{decision.event_id}.json", asdict(decision))
    told = {"item": decision.item_id, "state": decision.state, "decision": decision.event_id}
    audit(workspace, "decided", decision.person, **told)
    return path


def take_in_item_decisions(workspace: Workspace, warehouse: Warehouse) -> int:
    """Move waiting decisions on items into the warehouse.

    An item that is discarded is so at once; a claim that is to win is taken in by the next intake.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open for writing, outside a transaction.

    Returns
    -------
    int
        Decisions taken in.
    """
    waiting = [(path, decision) for path in _files(workspace) if (decision := decision_in(path)) is not None]
    for path, decision in sorted(waiting, key=lambda one: (one[1].at, one[1].event_id)):
        items = warehouse.query("SELECT * FROM quarantine WHERE item_id = ?", [decision.item_id])
        try:
            check_item_decision(decision, items.row(0, named=True) if items.height else None)
            refused = None
        except InputError as error:
            refused = str(error)
        row = asdict(decision) | {"event_id": decision.event_id, "refused": refused}
        with warehouse.transaction():
            known = warehouse.query("SELECT 1 FROM item_events WHERE event_id = ?", [decision.event_id])
            if not known.height:
                warehouse.append("item_events", pl.DataFrame([row], schema=polars_schema(ITEM_EVENTS)))
            if refused is None and decision.state == "discarded":
                warehouse.execute("UPDATE quarantine SET state = 'discarded' WHERE item_id = ?", [decision.item_id])
        taken = workspace.decisions / TAKEN
        taken.mkdir(exist_ok=True)
        path.replace(taken / path.name)
    return len(waiting)


def unreadable_items(workspace: Workspace) -> list[str]:
    """Names, within decisions/, of files among the decisions on items that can't be read.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    """
    return [f"{FOLDER}/{path.name}" for path in _files(workspace) if decision_in(path) is None]


def winning_claims(warehouse: Warehouse) -> frozenset[str]:
    """Items whose claim wins over what is held, by a person's decision.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    """
    rows = warehouse.query("SELECT item_id FROM item_events WHERE state = 'taken_in' AND refused IS NULL")
    return frozenset(rows["item_id"])


def waiting_place(taken: Path) -> Path:
    """Where, within decisions/, a decision that was taken in would wait again.

    Parameters
    ----------
    taken : Path
        Its file, of any kind.
    """
    try:
        of_item = "item_id" in json.loads(taken.read_text(encoding="utf-8"))
    except (OSError, ValueError, TypeError):
        of_item = False  # `vansnap check` names it there
    return Path(FOLDER, taken.name) if of_item else Path(taken.name)


def _files(workspace: Workspace) -> list[Path]:
    return sorted(path for path in (workspace.decisions / FOLDER).glob("*.json") if not path.name.startswith("."))


def decision_in(path: Path) -> ItemDecision | None:
    """The decision on an item that a file holds; None where it holds none.

    Parameters
    ----------
    path : Path
        The file.
    """
    try:
        return decision_from(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def decision_from(document: Mapping[str, Any]) -> ItemDecision:
    """The decision on an item that a file or a row says.

    Parameters
    ----------
    document : mapping
        Its fields; the moment as such or in ISO 8601.

    Returns
    -------
    ItemDecision

    Raises
    ------
    KeyError, ValueError, TypeError or AttributeError
        If it says none.
    """
    at = datetime.fromisoformat(str(document["at"])).astimezone(UTC)
    return ItemDecision(
        str(document["item_id"]),
        str(document["state"]),
        at,
        str(document["person"]),
        str(document.get("reason") or ""),
    )
