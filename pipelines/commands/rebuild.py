"""`vansnap rebuild`: the warehouse and the published file made again from what was kept.

The runs of the journal are gone through again in a draft beside the workspace, each with the deliveries, decisions and mends it
had; then the draft takes the place of what was lost. Kept deliveries are unpacked or linked into the draft, not moved: a rebuild
that is cut off leaves everything as it was.
"""

import errno
import json
import os
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import WorkspaceError, first_line
from data_contracts.plurals import counted
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.order_decisions import take_in_decisions
from pipelines.decisions.photos import PHOTOS
from pipelines.decisions.proofs import PERSON
from pipelines.decisions.quarantine_decisions import take_in_item_decisions, waiting_place
from pipelines.intake.corrections import FOLDER as MENDS
from pipelines.intake.filing import content_of, move_kept, place_of
from pipelines.intake.journal import Entry, Kept, decisions_there, kept_deliveries, read_journal
from pipelines.retention.emptied import emptied
from pipelines.retention.ledger import FOLDER as REMOVED
from pipelines.retention.ledger import entries, removed_rows
from pipelines.storage.atomic_files import sync_folder
from pipelines.storage.packed_folder import is_packed, unpack
from pipelines.storage.publish import publish
from pipelines.storage.standing_register import standing_register
from pipelines.storage.unreferenced import settle_chunks
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.progress import bar
from pipelines.weekly.read_captures import read_new_captures
from pipelines.weekly.steps import judge_again, take_in_all
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.workspace import FOLDERS, Workspace

DRAFT = ".rebuild"
"""Folder of a workspace in which it is made again."""
Told = Callable[[str], None]
_NO_LINKS = (errno.EXDEV, errno.EPERM, errno.ENOTSUP, errno.EMLINK)
"""How a disk says that it gives a file no second name there: another disk, not allowed, not supported, too many."""


@dataclass(frozen=True)
class Rebuilt:
    """What a rebuild made, and what it could not find.

    Attributes
    ----------
    deliveries, runs : int
        Gone through again.
    week : str
        Published; empty where no run had judged.
    absent : tuple of str
        Deliveries of the journal whose files are gone.
    aside : str
        Name of the warehouse that was there before; empty: none.
    """

    deliveries: int
    runs: int
    week: str
    absent: tuple[str, ...]
    aside: str


def rebuild(workspace: Workspace, *, told: Told = lambda line: None, now: datetime | None = None) -> Rebuilt:
    """Make warehouse and published file again.

    Parameters
    ----------
    workspace : Workspace
        Held by nobody.
    told : callable
        Told a line about each step.
    now : datetime or None
        Names what is set aside; None is the clock's.

    Returns
    -------
    Rebuilt

    Raises
    ------
    WorkspaceError
        If there is no journal, or one of its entries can't be read.
    """
    settings = load_settings(workspace.settings_path)
    with workspace.held():
        entries = read_journal(workspace)
        if not entries:
            raise WorkspaceError(
                f"{workspace.root} has no journal of its runs (waveforms/journal/): put the warehouse back with `vansnap restore`"
            )
        draft = _draft(workspace)
        try:
            absent = _replay(workspace, draft, settings, entries, told)
            aside = _swap(workspace, draft, now or datetime.now(UTC))
        finally:
            shutil.rmtree(draft.root, ignore_errors=True)
        week = next((entry.week for entry in reversed(entries) if entry.week), "")
        with Warehouse(workspace.warehouse_path) as warehouse:
            _put_in_their_places(workspace, warehouse)
            settle_chunks(warehouse, workspace.waveforms)
            if week:
                told(f"publishing {week}")
                publish(warehouse, workspace.published_path, week=week)
    judged = sum(1 for entry in entries if entry.week)
    return Rebuilt(len(kept_deliveries(entries)) - len(absent), judged, week, tuple(absent), aside)


def _draft(workspace: Workspace) -> Workspace:
    """An empty workspace within the one that is made again, with its register and settings."""
    root = workspace.root / DRAFT
    shutil.rmtree(root, ignore_errors=True)
    for folder in FOLDERS:
        (root / folder).mkdir(parents=True)
    if entries(workspace):
        (root / "waveforms" / REMOVED).symlink_to(workspace.waveforms / REMOVED)
    shutil.copytree(workspace.register, root / "register", dirs_exist_ok=True)
    shutil.copy2(workspace.settings_path, root / "settings.toml")
    return Workspace(root)


def _replay(
    workspace: Workspace, draft: Workspace, settings: Settings, entries: Sequence[Entry], told: Told
) -> list[str]:
    """Go through all runs again; names of deliveries whose files are gone."""
    absent: list[str] = []
    linked: set[str] = set()
    hollow: dict[str, set[str]] = {}
    judged: set[tuple[str, datetime]] = set()
    with Warehouse(draft.warehouse_path) as warehouse:
        for number, entry in enumerate(entries, 1):
            what = (
                f"judging {entry.week}"
                if entry.week
                else f"taking in {counted(len(entry.deliveries), 'delivery', 'deliveries')}"
            )
            told(f"run {number} of {len(entries)}, {entry.at:%Y-%m-%d}: {what}")
            _lay(workspace, draft, entry.decisions)
            fresh = {name: kept for name, kept in entry.deliveries.items() if name not in linked}
            linked |= fresh.keys()
            lacking, emptied_by_name = _link(workspace, draft, fresh)
            hollow |= emptied_by_name  # all so far: what waited is taken in by a later run
            absent += lacking
            if entry.week:
                if (entry.week, entry.at) in judged:  # written down anew while its entry could not be read
                    continue
                judged.add((entry.week, entry.at))
                take_in_item_decisions(draft, warehouse)
                take_in_decisions(draft, warehouse)
                judge_again(draft, warehouse, settings, entry.week, at=entry.at)
                continue
            take_in_decisions(draft, warehouse)
            names = {kept.source: name for name, kept in fresh.items()}
            with bar("taking in") as progress:
                gone = removed_rows(workspace, hollow)
                take_in_all(draft, warehouse, settings, entry.at, progress=progress, names=names, gone=gone)
            register = standing_register(draft, warehouse).register
            with bar("reading") as progress:
                read_new_captures(draft, warehouse, register, workers=settings.intake.workers, progress=progress)
        known = {name for entry in entries for name in entry.decisions}
        _lay(workspace, draft, [name for name in decisions_there(workspace) if name not in known])
        take_in_decisions(draft, warehouse)
        take_in_item_decisions(draft, warehouse)
    return absent


def _lay(workspace: Workspace, draft: Workspace, names: Iterable[str]) -> None:
    """Hand decisions and mends to the draft as they waited; proofs are made again by the runs themselves, and photos stay where
    they are."""
    for name in names:
        source = workspace.decisions / name
        if Path(name).parts[0] == PHOTOS or not source.is_file() or _is_proof(source):
            continue
        mend = Path(name).parts[0] == MENDS
        target = draft.decisions / (name if mend else waiting_place(source))
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(source, target)


def _is_proof(path: Path) -> bool:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return "order_id" in told and told.get("person") == PERSON
    except (OSError, ValueError, TypeError, AttributeError):
        return False


def _link(
    workspace: Workspace, draft: Workspace, deliveries: Mapping[str, Kept]
) -> tuple[list[str], dict[str, set[str]]]:
    """Kept deliveries in the draft's inbox, under the names they came with; those that are gone, and emptied files of the others."""
    absent, hollow = [], {}
    for name, kept in deliveries.items():
        there = kept_path(workspace, name, kept)
        if there is None:
            absent.append(name)
            continue
        target = draft.inbox / kept.source
        try:
            hollow[name] = emptied(there) if entries(workspace) else set()
            if is_packed(there):
                unpack(there, target)
            elif there.is_dir():
                shutil.copytree(there, target, symlinks=True, copy_function=_linked)
            else:
                _linked(str(there), str(target))
        except OSError as error:
            raise WorkspaceError(
                f"delivery {name} can't be handed to the rebuild ({first_line(error)}): see to that, then run again; "
                "nothing was changed"
            ) from error
    return absent, hollow


def kept_path(workspace: Workspace, delivery: str, kept: Kept) -> Path | None:
    """Where a delivery of the journal is kept; None where it is gone.

    Parameters
    ----------
    workspace : Workspace
    delivery : str
        Its name.
    kept : Kept
    """
    for place in ("delivered", "quarantine", "inbox"):
        path = place_of(workspace, delivery, kept.source, place)
        if path.exists() and (place != "inbox" or content_of(path, kept.source) == kept.content_id):
            return path
    return None


def _linked(source: str, target: str) -> None:
    """The same file under a second name, or a copy where the disk knows no second names.

    What is there already is never written into: it may be the kept file itself.
    """
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        shutil.copy2(source, target, follow_symlinks=False)


def _swap(workspace: Workspace, draft: Workspace, now: datetime) -> str:
    """Put what the draft made in place; the warehouse that was there is kept under another name, which is returned."""
    for chunk in draft.waveforms.glob("*.parquet"):
        chunk.replace(workspace.waveforms / chunk.name)  # named by its hash: the one there is the same, or damaged
    for part in ("models", "reports"):
        for source in sorted((draft.root / part).rglob("*")):
            target = workspace.root / source.relative_to(draft.root)
            if source.is_file():
                target.parent.mkdir(parents=True, exist_ok=True)
                source.replace(target)
    aside = ""
    path = workspace.warehouse_path
    for one in (path, path.with_name(f"{path.name}.wal")):
        if one.exists():
            aside = f"{path.name}.before-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"
            one.rename(one.with_name(one.name.replace(path.name, aside)))
    outdated = _bring_proofs(workspace, draft)
    draft.warehouse_path.replace(path)
    for proof in outdated:
        there = workspace.decisions / f"{TAKEN}-before-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}" / proof.name
        there.parent.mkdir(exist_ok=True)
        proof.replace(there)
    for folder in (workspace.waveforms, workspace.root):
        sync_folder(folder)
    return aside


def _bring_proofs(workspace: Workspace, draft: Workspace) -> list[Path]:
    """Put the proofs that the draft's runs made beside the other decisions; those that they did not make again."""
    mine, theirs = (one.decisions / TAKEN for one in (workspace, draft))
    made = [path for path in sorted(theirs.glob("[!.]*.json")) if _is_proof(path)]
    names = {path.name for path in made}
    outdated = [path for path in sorted(mine.glob("[!.]*.json")) if path.name not in names and _is_proof(path)]
    for path in made:
        mine.mkdir(exist_ok=True)
        path.replace(mine / path.name)
    return outdated


def _put_in_their_places(workspace: Workspace, warehouse: Warehouse) -> None:
    """Move kept deliveries to where the warehouse says they are."""
    rows = warehouse.query("SELECT delivery, source, place FROM deliveries ORDER BY delivery")
    for row in rows.iter_rows(named=True):
        wanted = place_of(workspace, row["delivery"], row["source"], row["place"])
        for place in ("delivered", "quarantine"):
            there = place_of(workspace, row["delivery"], row["source"], place)
            if there.exists() and not wanted.exists():
                wanted.parent.mkdir(exist_ok=True)
                move_kept(there, wanted)


def rebuild_text(rebuilt: Rebuilt, home: Path) -> str:
    """What a rebuild did, for people.

    Parameters
    ----------
    rebuilt : Rebuilt
    home : Path
        As the workspace was named.
    """
    lines = [
        f"made again from {counted(rebuilt.deliveries, 'kept delivery', 'kept deliveries')}: warehouse.duckdb, and {counted(rebuilt.runs, 'run', 'runs')} judged again"
    ]
    if rebuilt.week:
        lines.append(f"published as of {rebuilt.week}")
    if rebuilt.aside:
        lines.append(
            f"the warehouse that was there is kept as {rebuilt.aside}; remove it once you have looked at the new one"
        )
    lines += [
        f"delivery {name} is in the journal, but its files are gone: put them back from a backup, or deliver again"
        for name in rebuilt.absent
    ]
    lines.append(f"next: vansnap check --home {home}")
    return "\n".join(lines)
