"""What `vansnap check` finds in the files a workspace keeps: deliveries, decisions, photos, chunks, reports and models."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from data_contracts.errors import WorkspaceError
from data_contracts.plurals import counted
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.order_decisions import event_from, pending
from pipelines.decisions.photos import PHOTOS, is_damaged, photo_path, photos_there
from pipelines.decisions.quarantine_decisions import decision_in
from pipelines.intake.corrections import FOLDER as MENDS
from pipelines.intake.corrections import mend_id_of
from pipelines.intake.delivery import MANIFEST
from pipelines.intake.filing import digests, place_of
from pipelines.intake.journal import Kept, kept_deliveries, read_journal, unreadable_entries
from pipelines.retention.emptied import emptied, is_whole_zip
from pipelines.retention.ledger import entries, rows_of
from pipelines.storage.backups import digest_of
from pipelines.storage.models import CARDS
from pipelines.storage.packed_folder import is_packed
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace

_A_BACKUP = "put it back from a backup (`vansnap restore`)"
_AGAIN = "from a backup (`vansnap restore`), or deliver again"

NOT_COVERED = (
    "not looked at: inbox/ and orchestrator/, published.duckdb (any run makes it again), blocks of warehouse.duckdb that hold "
    "keys or nothing, and files of deliveries that were kept before there was a journal"
)


def kept_findings(workspace: Workspace, warehouse: Warehouse) -> list[str]:
    """Everything kept beside the warehouse.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
        Open.

    Returns
    -------
    list of str
        One line per finding, each with its remedy.
    """
    return [
        *_journal(workspace, warehouse),
        *_decisions(workspace, warehouse),
        *_photos(workspace, warehouse),
        *_chunks(workspace, warehouse),
        *_reports(workspace),
        *_models(workspace),
    ]


def _journal(workspace: Workspace, warehouse: Warehouse) -> Iterator[str]:
    broken = unreadable_entries(workspace)
    yield from (f"{name} can't be read: {_A_BACKUP}; `vansnap rebuild` needs it" for name in broken)
    known = {} if broken else kept_deliveries(read_journal(workspace))
    removed: dict[str, set[str]] = {}
    for entry in entries(workspace):
        for delivery, file in rows_of(entry).select("delivery", "file").iter_rows():
            removed.setdefault(delivery, set()).add(file)
    rows = warehouse.query("SELECT delivery, source, place FROM deliveries ORDER BY delivery")
    for row in rows.iter_rows(named=True):
        if row["place"] == "inbox":
            continue  # about to be moved, and told elsewhere
        path = place_of(workspace, row["delivery"], row["source"], row["place"])
        kept = known.get(row["delivery"])
        if not path.exists():
            if row["place"] == "delivered":  # what waits is told elsewhere
                yield f"delivery {row['delivery']}: its files are gone from waveforms/delivered/: put them back {_AGAIN}"
        else:
            yield from _delivery(row["place"], path, kept, removed=removed.get(row["delivery"], set()))


def _delivery(place: str, path: Path, kept: Kept | None, *, removed: set[str]) -> Iterator[str]:
    """Files of one delivery against their hashes; what waits may be mended in place, and what is kept no longer is empty."""
    where = "quarantine" if place == "quarantine" else "waveforms/delivered"
    if kept is None and not is_packed(path):
        return
    try:
        now = digests(path)
    except OSError:
        yield f"{where}/{path.name} is no longer what was written: put it back {_AGAIN}"
        return
    if kept is None:
        return
    hollow = emptied(path) if removed and place == "delivered" else set()
    for name, digest in kept.files.items():
        if name in hollow & removed or (not name and hollow & removed and is_whole_zip(path)):
            continue
        shown = f"{where}/{path.name}" + (f"/{name}" if name else "")
        if name not in now:
            yield f"{shown} is missing, or can't be read: put it back {_AGAIN}"
        elif now[name] != digest and not (place == "quarantine" and name == MANIFEST):
            yield f"{shown} is no longer what was delivered (its SHA-256 differs): put it back {_AGAIN}"
    if place == "delivered":
        yield from (
            f"{where}/{path.name}/{name} was added after the delivery was taken in: move it to a delivery of its own in the inbox"
            for name in sorted(now.keys() - kept.files.keys())
        )


def _decisions(workspace: Workspace, warehouse: Warehouse) -> Iterator[str]:
    """Files of decisions that are in force: what one says has a hash, which the warehouse and a mend's name hold."""
    rows = warehouse.query("SELECT event_id FROM order_events UNION SELECT event_id FROM item_events ORDER BY 1")
    known = set(rows["event_id"])
    found: set[str] = set()
    for path in sorted((workspace.decisions / TAKEN).glob("[!.]*.json")):
        decided = _decision_id(path)
        if decided is None:
            yield f"decisions/{TAKEN}/{path.name} can't be read: {_A_BACKUP}"
        elif decided not in known:
            yield f"decisions/{TAKEN}/{path.name} is not what was decided, or the warehouse is an older one: {_A_BACKUP}"
        found |= {path.stem, decided or ""}
    yield from (
        f"decisions/{TAKEN}/{name}.json is missing, though it is in force: {_A_BACKUP}"
        for name in rows["event_id"]
        if name not in found
    )
    for path in sorted((workspace.decisions / MENDS).glob("[!.]*.json")):
        said = _document(path)
        if said is not None and mend_id_of(said) != path.stem:
            yield f"decisions/{MENDS}/{path.name} is no longer what was said: {_A_BACKUP}, or mend the row again on the board"
    try:
        named = [name for entry in read_journal(workspace) for name in entry.decisions]
    except WorkspaceError:
        return  # told already
    yield from (
        f"decisions/{name} is missing: {_A_BACKUP}"
        for name in named
        if Path(name).parts[0] == MENDS and not (workspace.decisions / name).exists()
    )


def _photos(workspace: Workspace, warehouse: Warehouse) -> Iterator[str]:
    """Photos against their names, each the hash of its bytes; also those of what was taken back."""
    named = {photo for event in pending(workspace) for photo in event.photos}
    rows = warehouse.query("SELECT DISTINCT unnest(photos) AS photo FROM order_events")
    there = {path.name: path for path in photos_there(workspace)}
    try:
        journal = read_journal(workspace)
        written = {
            name
            for entry in journal
            for folder, _, name in (n.partition("/") for n in entry.decisions)
            if folder == PHOTOS
        }
    except WorkspaceError:
        written = set()  # told already
    wanted = written | {photo_path(workspace, photo).name for photo in named | set(rows["photo"])}
    for name in sorted(wanted | there.keys()):
        if name not in there:
            yield f"decisions/{PHOTOS}/{name} is missing: {_A_BACKUP}"
        elif name in wanted and is_damaged(there[name]):
            yield f"decisions/{PHOTOS}/{name} is no longer the photo that was given: {_A_BACKUP}"
        elif name not in wanted:
            yield (
                f"decisions/{PHOTOS}/{name} belongs to no decision (one that was cut off, or the warehouse is an older one): give "
                f"it again with `vansnap decide`, then remove it"
            )


def _decision_id(path: Path) -> str | None:
    """Hash of what a decision says; None where it can't be read."""
    if (item := decision_in(path)) is not None:
        return item.event_id
    try:
        return event_from(json.loads(path.read_text(encoding="utf-8"))).event_id
    except (OSError, ValueError):
        return None


def _chunks(workspace: Workspace, warehouse: Warehouse) -> Iterator[str]:
    """Chunks bit for bit: each is named by the hash of its bytes."""
    counts = warehouse.query(
        "SELECT chunk, count(*) AS n FROM waveforms WHERE removed_on IS NULL GROUP BY 1 ORDER BY 1"
    )
    for chunk, held in counts.iter_rows():
        path = workspace.waveforms / chunk
        remedy = "put it back from a backup (`vansnap restore`), or make it again (`vansnap rebuild`)"
        try:
            digest = digest_of(path)
        except FileNotFoundError:
            yield f"waveform chunk {chunk[:12]}… is missing from waveforms/ ({counted(held, 'recording', 'recordings')}): {remedy}"
            continue
        except OSError as error:
            yield f"waveform chunk {chunk[:12]}… can't be read ({error.strerror}; {counted(held, 'recording', 'recordings')}): {remedy}"
            continue
        if digest != path.stem:
            yield f"waveform chunk {chunk[:12]}… is no longer what was written ({counted(held, 'recording', 'recordings')}): {remedy}"


def _reports(workspace: Workspace) -> Iterator[str]:
    for path in sorted(workspace.reports.rglob("[!.]*.json")):
        if _document(path) is None:
            name = path.relative_to(workspace.root)
            yield f"{name} can't be read: {_A_BACKUP}, or delete it; a run writes it anew"


def _models(workspace: Workspace) -> Iterator[str]:
    """Model files against the hashes on their cards."""
    cards = workspace.models / CARDS
    if not cards.exists():
        return
    told = _document(cards)
    if not isinstance(told, list):
        yield f"models/{CARDS} can't be read: {_A_BACKUP}; the next run that judges writes it anew"
        return
    for card in told:
        name = card.get("file") if isinstance(card, Mapping) else None
        if not name:
            continue
        path = workspace.models / str(name)
        remedy = f"{_A_BACKUP}; the next run that judges writes it anew"
        if not path.is_file():
            yield f"models/{name} is missing, though a card names it: {remedy}"
        elif card.get("sha256") and hashlib.sha256(path.read_bytes()).hexdigest() != card["sha256"]:
            yield f"models/{name} is no longer what was written: {remedy}"


def _document(path: Path) -> object:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
