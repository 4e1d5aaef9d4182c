"""The journal: what each run took in and judged, written down beside the deliveries it kept.

The warehouse follows from the kept deliveries, the register, the decisions and the mends, but not from them alone: which came
first decides what supersedes what, and which orders were proposed when. The journal holds that order, and the hash of every
file that was delivered. `vansnap rebuild` makes a lost warehouse again from it, and `vansnap check` holds the kept files against it.
Entries are files numbered in the order of the runs; they never change, but for the names of decisions in which a person was forgotten.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from types import MappingProxyType
from typing import Any

from data_contracts.errors import WorkspaceError
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.photos import photo_path, photos_of
from pipelines.intake.corrections import FOLDER as MENDS
from pipelines.intake.filing import digests, place_of
from pipelines.storage.atomic_files import write_atomically
from pipelines.storage.warehouse import Warehouse, clear_spilled
from pipelines.workspace.drafts import clear_drafts
from pipelines.workspace.log import log_path
from pipelines.workspace.workspace import Workspace

FOLDER = "journal"
"""Within waveforms/."""


@dataclass(frozen=True)
class Kept:
    """A delivery as the journal knows it.

    Attributes
    ----------
    source : str
        Its name as it lay in the inbox.
    content_id : str
        As in the table `deliveries`.
    files : mapping of str to str
        SHA-256 of every file by its path within the delivery; of a zip its own, under the empty name.
    """

    source: str
    content_id: str
    files: Mapping[str, str]


def clear_left_drafts(workspace: Workspace) -> None:
    """Remove drafts that killed processes left in the workspace's own folders, and what the warehouse put on the disk meanwhile.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller, its warehouse closed.
    """
    logs = log_path(workspace).parent
    clear_drafts((workspace.root, workspace.waveforms / FOLDER, workspace.models, workspace.reports, logs))
    clear_spilled(workspace.warehouse_path)


@dataclass(frozen=True)
class Entry:
    """What one run did.

    Attributes
    ----------
    at : datetime
        Time of the run.
    decisions : tuple of str
        Files, within decisions/, that were there then and not at the entry before.
    deliveries : mapping of str to Kept
        Taken in by it, or looked at again.
    week : str
        ISO week it judged; empty: it took in only.
    run_id : str
        Of the run that judged.
    """

    at: datetime
    decisions: tuple[str, ...] = ()
    deliveries: Mapping[str, Kept] = field(default_factory=dict)
    week: str = ""
    run_id: str = ""


def read_journal(workspace: Workspace) -> list[Entry]:
    """All entries in the order of the runs.

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    list of Entry

    Raises
    ------
    WorkspaceError
        If one can't be read.
    """
    return [_read(path) for path in _files(workspace)]


def unreadable_entries(workspace: Workspace) -> list[str]:
    """Names, within the workspace, of entries that can't be read.

    Parameters
    ----------
    workspace : Workspace
    """
    broken = []
    for path in _files(workspace):
        try:
            _read(path)
        except WorkspaceError:
            broken.append(str(path.relative_to(workspace.root)))
    return broken


def kept_deliveries(entries: Sequence[Entry]) -> dict[str, Kept]:
    """Deliveries of a journal as they were last looked at, oldest first.

    Parameters
    ----------
    entries : sequence of Entry
    """
    return {name: kept for entry in entries for name, kept in entry.deliveries.items()}


def _readable(workspace: Workspace) -> list[Entry]:
    """Entries that can be read: no run ends over one that can't. What it alone held is written down anew."""
    entries = []
    for path in _files(workspace):
        try:
            entries.append(_read(path))
        except WorkspaceError:
            continue
    return entries


def note_intake(
    workspace: Workspace,
    warehouse: Warehouse,
    looked_at: Sequence[str],
    *,
    now: datetime,
    packed: Mapping[str, Mapping[str, str]] = MappingProxyType({}),
) -> None:
    """Write down what an intake took in, and what earlier ones did that the journal lacks.

    Decisions nobody wrote down are, also where no row changed: a run that was cut off may have taken in what they let in.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open, outside a transaction.
    looked_at : sequence of str
        Deliveries whose rows changed.
    now : datetime
        Time of the run.
    packed : mapping of str to mapping of str to str
        `digests` of deliveries, where they are known already.
    """
    _catch_up(workspace, warehouse, now=now, packed=packed)
    entries = _readable(workspace)
    written = entries[-1].deliveries if entries and entries[-1].at == now else {}
    again = [name for name in looked_at if name not in written]
    fresh = _fresh_decisions(workspace, entries)
    if again or fresh:
        rows = {row["delivery"]: row for row in _deliveries(warehouse)}
        held = {name: _kept(workspace, rows[name], packed) for name in again}
        _write(workspace, Entry(now, fresh, held))


def note_run(workspace: Workspace, warehouse: Warehouse) -> None:
    """Write down the runs that judged and are not in the journal yet.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open, outside a transaction.
    """
    _catch_up(workspace, warehouse, now=None, packed={})


def _catch_up(
    workspace: Workspace, warehouse: Warehouse, *, now: datetime | None, packed: Mapping[str, Mapping[str, str]]
) -> None:
    """Deliveries and runs the journal lacks, in the order of their times; a run that was cut off leaves some."""
    entries = _readable(workspace)
    known = kept_deliveries(entries)
    judged = {(entry.week, entry.at) for entry in entries if entry.week}  # made again, a run has another id
    missing = [row for row in _deliveries(warehouse) if row["delivery"] not in known]
    found = [
        Entry(at, deliveries={row["delivery"]: _kept(workspace, row, packed) for row in rows})
        for at, rows in ((at, list(rows)) for at, rows in groupby(missing, key=lambda row: row["taken_in_at"]))
    ]
    runs = warehouse.query("SELECT week, run_id, finished_at FROM runs ORDER BY finished_at, week").iter_rows()
    found += [Entry(at, week=week, run_id=run) for week, run, at in runs if (week, at) not in judged]
    if len(found) > 1:  # of one run there is one; several are of runs before
        found.sort(key=lambda entry: (entry.at, entry.week))
    for number, entry in enumerate(found):
        last = number == len(found) - 1
        decisions = _fresh_decisions(workspace, entries) if last else ()
        _write(workspace, Entry(entry.at, decisions, entry.deliveries, entry.week, entry.run_id))
        entries.append(entry)


def _deliveries(warehouse: Warehouse) -> list[dict[str, Any]]:
    rows = warehouse.query("SELECT * FROM deliveries ORDER BY taken_in_at, delivery")
    return list(rows.iter_rows(named=True))


def _kept(workspace: Workspace, row: Mapping[str, Any], packed: Mapping[str, Mapping[str, str]]) -> Kept:
    files = packed.get(row["delivery"])
    if files is None:
        files = digests(place_of(workspace, row["delivery"], row["source"], row["place"]))
    return Kept(row["source"], row["content_id"], files)


def _fresh_decisions(workspace: Workspace, entries: Sequence[Entry]) -> tuple[str, ...]:
    known = {name for entry in entries for name in entry.decisions}
    fresh = [name for name in decisions_there(workspace) if name not in known]
    photos = {photo_path(workspace, photo) for name in fresh for photo in photos_of(workspace.decisions / name)}
    named = {path.relative_to(workspace.decisions).as_posix() for path in photos}
    return (*fresh, *sorted(named - known))


def decisions_there(workspace: Workspace) -> list[str]:
    """Files, within decisions/, of decisions that are taken in and of mends.

    Parameters
    ----------
    workspace : Workspace
    """
    return [
        f"{folder}/{path.name}"
        for folder in (MENDS, TAKEN)
        for path in sorted((workspace.decisions / folder).glob("[!.]*.json"))
    ]


def rename_decisions(workspace: Workspace, moved: Mapping[str, str]) -> None:
    """Let entries name decisions and mends by the files that took the place of theirs.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    moved : mapping of str to str
        New path within decisions/ by the old one.
    """
    for path in _files(workspace):
        try:
            entry = _read(path)
        except WorkspaceError:
            continue  # `vansnap check` names it
        if any(name in moved for name in entry.decisions):
            decisions = tuple(dict.fromkeys(moved.get(name, name) for name in entry.decisions))
            write_atomically(path, _told(replace(entry, decisions=decisions)))


def _files(workspace: Workspace) -> list[Path]:
    return sorted((workspace.waveforms / FOLDER).glob("[!.]*.json"))


def _write(workspace: Workspace, entry: Entry) -> None:
    """As the file after the last: what is there, read or not, is never written over."""
    folder = workspace.waveforms / FOLDER
    folder.mkdir(exist_ok=True)
    number = max((int(path.stem) for path in _files(workspace) if path.stem.isdecimal()), default=0)
    write_atomically(folder / f"{number + 1:06d}.json", _told(entry))


def _told(entry: Entry) -> bytes:
    told = {
        "at": entry.at.astimezone(UTC).isoformat(),
        "week": entry.week,
        "run_id": entry.run_id,
        "decisions": list(entry.decisions),
        "deliveries": {name: vars(kept) for name, kept in entry.deliveries.items()},
    }
    return json.dumps(told, indent=1).encode()


def _read(path: Path) -> Entry:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        deliveries = {
            str(name): Kept(
                str(kept["source"]), str(kept["content_id"]), {str(k): str(v) for k, v in kept["files"].items()}
            )
            for name, kept in told["deliveries"].items()
        }
        at = datetime.fromisoformat(told["at"]).astimezone(UTC)
        decisions = tuple(str(name) for name in told["decisions"])
        return Entry(at, decisions, deliveries, str(told["week"]), str(told["run_id"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise WorkspaceError(
            f"waveforms/{FOLDER}/{path.name} can't be read: put it back from a backup (`vansnap restore`)"
        ) from error
