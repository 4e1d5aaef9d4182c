"""A person's name taken out of what the workspace keeps: another stands in its place, everywhere the same.

What a decision, a mend or a decision on an item says is named by its hash, so each gets a new name too, and what points to it
follows: what takes it back, the journal, repairs, the log. All of it is written into one plan first; a plan that was cut off is
finished by the next run. When it is done the plan goes, and with it the name.
"""

import json
import re
import secrets
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import InputError, WorkspaceError
from data_contracts.tables import ITEM_EVENTS, polars_schema
from models.work.order_states import OrderEvent
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.order_decisions import event_from, store_events, stored_events
from pipelines.decisions.quarantine_decisions import FOLDER as WAITING_ITEMS
from pipelines.decisions.quarantine_decisions import ItemDecision, decision_from
from pipelines.intake.corrections import FOLDER as MENDS
from pipelines.intake.corrections import mend_id_of
from pipelines.intake.journal import rename_decisions
from pipelines.storage.anew import write_anew
from pipelines.storage.atomic_files import write_atomically
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.log import AUDIT, log_path, logs_held
from pipelines.workspace.workspace import Workspace

PLAN = ".forgetting.json"
"""File of a workspace: what is being changed; gone once that is done."""
FORGOTTEN = "forgotten"
"""Folder within decisions/: which file took the place of which, without the name."""
_TEXTS = ("reason", "note", "parts")
_WITH_ADDRESS = re.compile(r"(.+) \(([^()]+)\)")
_DRAWS = 2000


@dataclass(frozen=True)
class Plan:
    """What is put in the place of what.

    Attributes
    ----------
    people : mapping of str to str
        New name by the one it takes the place of.
    documents : mapping of str to mapping
        What a decision or mend says from now on, by the hash of what it said.
    renamed : mapping of str to str
        New hash by the old one.
    files : mapping of str to str
        Hash of what it said, by the path of its file within decisions/.
    """

    people: Mapping[str, str]
    documents: Mapping[str, Mapping[str, Any]]
    renamed: Mapping[str, str]
    files: Mapping[str, str]

    def moved(self) -> dict[str, str]:
        """New path of every file within decisions/, by the old one."""
        return {old: f"{Path(old).parent}/{self.renamed[said]}.json" for old, said in self.files.items()}


def forms(person: str) -> tuple[str, ...]:
    """How somebody may be named: as a whole, and by name or address alone where both are told.

    Parameters
    ----------
    person : str
        As decisions carry it, such as "Ann Baker (ann@example.org)".
    """
    whole = " ".join(person.split())
    both = _WITH_ADDRESS.fullmatch(whole)
    return (whole, both[1], both[2]) if both else (whole,)


def said_by(documents: Iterable[Mapping[str, Any]]) -> set[str]:
    """Everybody whom decisions and mends name as who made them.

    Parameters
    ----------
    documents : iterable of mapping
        What they say.
    """
    return {str(one["person"]) for one in documents}


def everything_said(workspace: Workspace, warehouse: Warehouse) -> dict[str, Mapping[str, Any]]:
    """What decisions, mends and decisions on items say, by the hash of it.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open; knows decisions whose files are gone.
    """
    found: dict[str, Mapping[str, Any]] = {event.event_id: asdict(event) for event in stored_events(warehouse)}
    for row in warehouse.query('SELECT item_id, state, "at", person, reason FROM item_events').iter_rows(named=True):
        found[ItemDecision(**row).event_id] = row
    return found | {_hash_of(document): document for _, document in _files(workspace)}


def plan_for(
    workspace: Workspace, said: Mapping[str, Mapping[str, Any]], people: Collection[str], *, in_texts: bool
) -> Plan:
    """What is to change so that people are no longer named.

    Parameters
    ----------
    workspace : Workspace
    said : mapping
        See `everything_said`.
    people : collection of str
        Names as decisions carry them, all of one person.
    in_texts : bool
        Also where reasons, notes and parts name them.

    Returns
    -------
    Plan
    """
    taken = said_by(said.values())
    for _ in range(_DRAWS):
        alias = f"person-{secrets.token_hex(3)}"
        documents, renamed = _changed(said, dict.fromkeys(people, alias), in_texts=in_texts)
        if alias not in taken and _in_the_same_order(said, renamed):
            files = {name: _hash_of(document) for name, document in _files(workspace)}
            mine = {name: one for name, one in files.items() if one in renamed}
            return Plan(dict.fromkeys(people, alias), documents, renamed, mine)
    raise WorkspaceError(
        "too many decisions on one order are of the same moment: nothing was changed; tell whoever looks after this program"
    )


def _changed(
    said: Mapping[str, Mapping[str, Any]], people: Mapping[str, str], *, in_texts: bool
) -> tuple[dict[str, Mapping[str, Any]], dict[str, str]]:
    """What changes, by the old hash, and the new hashes; what takes something back follows it."""
    documents: dict[str, Mapping[str, Any]] = {}
    renamed: dict[str, str] = {}
    named = {person: tuple(sorted(forms(person), key=len, reverse=True)) for person in people} if in_texts else {}
    for old, document in sorted(said.items(), key=lambda one: (_moment(one[1]), bool(one[1].get("undoes")))):
        new = {**document, "person": people.get(str(document["person"]), document["person"])}
        for field in _TEXTS:
            for person, its in named.items():
                new |= {field: _without(str(new[field]), its, people[person])} if new.get(field) else {}
        if new.get("undoes"):
            new["undoes"] = renamed.get(str(new["undoes"]), new["undoes"])
        if new != document:
            documents[old], renamed[old] = new, _hash_of(new)
    return documents, renamed


def _without(text: str, named: Collection[str], alias: str) -> str:
    for one in named:
        text = re.sub(rf"(?<!\w){re.escape(one)}(?!\w)", alias, text, flags=re.IGNORECASE)
    return text


def _in_the_same_order(said: Mapping[str, Mapping[str, Any]], renamed: Mapping[str, str]) -> bool:
    """Whether decisions of the same moment on an order still come one after the other as they did: their hashes decide."""
    moments: dict[tuple[str, datetime], list[str]] = {}
    for old, document in said.items():
        if "order_id" in document:
            moments.setdefault((str(document["order_id"]), _moment(document)), []).append(old)
    ties = [sorted(olds) for olds in moments.values() if len(olds) > 1]
    return all(new == sorted(new) for new in ([renamed.get(old, old) for old in olds] for olds in ties))


def carry_out(workspace: Workspace, warehouse: Warehouse, plan: Plan) -> None:
    """Write a plan down, then do as it says, all but `complete`.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.
    plan : Plan
    """
    write_atomically(workspace.root / PLAN, json.dumps(asdict(plan), default=str, ensure_ascii=False).encode())
    finish(workspace, warehouse)


def finish(workspace: Workspace, warehouse: Warehouse) -> bool:
    """Do what a plan says that was cut off, or was just written, all but `complete`; it may have been done already.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.

    Returns
    -------
    bool
        Whether there was one.
    """
    path = workspace.root / PLAN
    if not path.exists():
        return False
    try:
        plan = Plan(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        raise WorkspaceError(f"{path} can't be read: remove it, then run `vansnap forget` again") from error
    with warehouse.transaction():
        _in_tables(warehouse, plan)
    moved = plan.moved()
    for old, new in moved.items():
        content = json.dumps(plan.documents[plan.files[old]], default=str, ensure_ascii=False).encode()
        write_atomically(workspace.decisions / new, content)
    rename_decisions(workspace, moved)
    for old in moved:
        (workspace.decisions / old).unlink(missing_ok=True)
    _in_log(workspace, plan)
    _note(workspace, moved)
    return True


def complete(workspace: Workspace) -> None:
    """Leave nothing of what was changed in the warehouse's unused blocks; then the plan goes.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller, its warehouse closed.
    """
    write_anew(workspace.warehouse_path)
    (workspace.root / PLAN).unlink()


def _in_tables(warehouse: Warehouse, plan: Plan) -> None:
    events: list[OrderEvent] = []
    for event in stored_events(warehouse):
        told = plan.documents.get(event.event_id)
        events.append(event if told is None else event_from(told))
        if told is not None:
            new = events[-1]
            work = new.note if new.found == "other" else new.found
            warehouse.execute(
                "UPDATE repairs SET repair_id = ?, work = ?, parts = ?, note = ? WHERE repair_id = ?",
                [new.event_id, work, new.parts or None, new.note or None, event.event_id],
            )
    store_events(warehouse, events)
    rows = list(warehouse.query("SELECT * FROM item_events").iter_rows(named=True))
    for row in rows:
        told = plan.documents.get(row["event_id"])
        if told is not None:
            row |= {"event_id": plan.renamed[row["event_id"]], "person": told["person"], "reason": told["reason"]}
    warehouse.replace("item_events", pl.DataFrame(rows, schema=polars_schema(ITEM_EVENTS)))


def _in_log(workspace: Workspace, plan: Plan) -> None:
    """Names and hashes in the log of logins, decisions and downloads."""
    path = log_path(workspace, AUDIT)
    with logs_held(workspace):
        for file in sorted(path.parent.glob(f"{AUDIT}*")):
            lines = file.read_text(encoding="utf-8", errors="replace").splitlines()
            write_atomically(file, "".join(f"{_line(line, plan)}\n" for line in lines).encode())


def _line(line: str, plan: Plan) -> str:
    try:
        told = json.loads(line)
        person = plan.people.get(told["person"], told["person"])
        hashes = {key: plan.renamed.get(told[key], told[key]) for key in ("decision", "mend") if key in told}
    except (ValueError, KeyError, TypeError):
        return line
    return json.dumps(told | {"person": person} | hashes, ensure_ascii=False)


def _note(workspace: Workspace, moved: Mapping[str, str]) -> None:
    """Which file took the place of which, so that a backup of before can follow."""
    folder = workspace.decisions / FORGOTTEN
    folder.mkdir(exist_ok=True)
    earlier = forgotten_files(workspace)
    now = {old: moved.get(new, new) for old, new in earlier.items()} | dict(moved)
    write_atomically(folder / "files.json", json.dumps(now, indent=1).encode())


def forgotten_files(workspace: Workspace) -> dict[str, str]:
    """Which file, within decisions/, stands in the place of which that named somebody.

    Parameters
    ----------
    workspace : Workspace
    """
    try:
        told = json.loads((workspace.decisions / FORGOTTEN / "files.json").read_text(encoding="utf-8"))
        return {str(old): str(new) for old, new in told.items()}
    except (OSError, ValueError, AttributeError):
        return {}


def follow(restored: Workspace, former: Workspace) -> frozenset[str]:
    """Plan for a workspace from a backup what was forgotten since in the one it takes the place of.

    Parameters
    ----------
    restored : Workspace
        Of before.
    former : Workspace
        In which people were forgotten.

    Returns
    -------
    frozenset of str
        Files, within decisions/ of the former, that will stand in the place of ones of the restored.
    """
    then, now = dict(_files(restored, ("", WAITING_ITEMS, TAKEN, MENDS))), dict(_files(former))
    there = {Path(name).name: name for name in then}  # a decision that waited then has been taken in since
    forgotten = {there.get(Path(old).name, ""): new for old, new in forgotten_files(former).items() if new in now}
    pairs = {old: new for old, new in forgotten.items() if old}
    if not pairs:
        return frozenset()
    hashes = {old: _hash_of(then[old]) for old in pairs}
    people = {str(then[old]["person"]): str(now[new]["person"]) for old, new in pairs.items()}
    plan = Plan(
        people={old: new for old, new in people.items() if old != new},
        documents={hashes[old]: now[new] for old, new in pairs.items()},
        renamed={hashes[old]: _hash_of(now[new]) for old, new in pairs.items()},
        files=hashes,
    )
    write_atomically(restored.root / PLAN, json.dumps(asdict(plan), default=str, ensure_ascii=False).encode())
    return frozenset(pairs.values())


def _files(workspace: Workspace, folders: Collection[str] = (TAKEN, MENDS)) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Files within decisions/ that are in force, with what they say; those that can't be read are told by `vansnap check`."""
    for folder in folders:
        for path in sorted((workspace.decisions / folder).glob("[!.]*.json")):
            try:
                document = json.loads(path.read_text(encoding="utf-8"))
                _hash_of(document)
            except (OSError, ValueError, KeyError, TypeError, AttributeError, InputError):
                continue
            yield f"{folder}/{path.name}".removeprefix("/"), document


def _hash_of(document: Mapping[str, Any]) -> str:
    if "order_id" in document:
        return event_from(document).event_id
    if "item_id" in document:
        return decision_from(document).event_id
    if not {"delivery", "person"} <= document.keys():
        raise InputError("a mend without delivery or person: see `vansnap check`")
    _moment(document)
    return mend_id_of(document)


def _moment(document: Mapping[str, Any]) -> datetime:
    return datetime.fromisoformat(str(document["at"])).astimezone(UTC)
