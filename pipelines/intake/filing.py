"""Where a delivery's files are: the inbox, the quarantine while any of it waits, then waveforms/delivered, packed into one file."""

import hashlib
import os
import re
import shutil
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl

from pipelines.intake.delivery import RefusedError, open_delivery
from pipelines.storage.atomic_files import sync_folder
from pipelines.storage.packed_folder import ENDING, Entry, entries_of, is_packed, pack, unpack
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace

_PACKED_A_RUN = 8 * 1024**3
"""Bytes that one run packs, once it holds more: what an older version kept is packed over several. Of our choosing."""
_AT_ONCE = 4
UNPACKED, _GOING = ".unpacked", ".going"
"""Endings of hidden folders: one in the making, and one that is packed and about to be removed."""


def place_of(workspace: Workspace, delivery: str, source: str, place: str) -> Path:
    """Path of a delivery's files: its folder, its zip, or the file its folder is packed into.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    delivery : str
        Its name.
    source : str
        Its name as it lay in the inbox.
    place : {"inbox", "quarantine", "delivered"}
        Where.

    Returns
    -------
    Path
    """
    if place == "inbox":
        return workspace.inbox / source
    folder = workspace.quarantine if place == "quarantine" else workspace.delivered
    ending = (
        source[len(source) - 4 :] if source.lower().endswith(".zip") and not delivery.lower().endswith(".zip") else ""
    )
    path = folder / (delivery + ending)
    packed = _packed(path)
    return packed if place == "delivered" and is_packed(packed) else path


def _packed(path: Path) -> Path:
    return path.with_name(path.name + ENDING)


def file_away(workspace: Workspace, warehouse: Warehouse) -> None:
    """Move every delivery whose rows are committed to where it belongs.

    Run before intake it finishes what a killed run had committed but not moved, and after it moves the rest. What can't
    be moved, such as a folder of another account, stays where it is until it can; `vansnap check` says so.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.
    """
    misplaced = warehouse.query(
        """
        SELECT delivery, source, place, content_id, belongs FROM (
            SELECT *, CASE WHEN delivery IN (SELECT delivery FROM quarantine WHERE state = 'waiting')
                           THEN 'quarantine' ELSE 'delivered' END AS belongs FROM deliveries)
        WHERE place <> belongs ORDER BY taken_in_at, delivery
        """
    )
    if misplaced.is_empty():
        return
    workspace.delivered.mkdir(exist_ok=True)
    stuck = []
    for row in misplaced.iter_rows(named=True):
        here = place_of(workspace, row["delivery"], row["source"], row["place"])
        there = place_of(workspace, row["delivery"], row["source"], row["belongs"])
        if _is_there(there) or not _is_there(here):
            if row["belongs"] == "quarantine" and is_packed(here) and _is_there(there):
                if not _is_same(here, there):
                    stuck.append(row["delivery"])  # somebody put something there, or mended it: both stay
                    continue
                here.unlink()  # unpacked before a run was cut off
            continue  # moved before a run was cut off; what is in the inbox now is another delivery
        if row["place"] == "inbox" and content_of(here, row["source"]) != row["content_id"]:
            continue
        try:
            move_kept(here, there)
        except OSError:
            stuck.append(row["delivery"])
    for folder in (workspace.inbox, workspace.quarantine, workspace.delivered):
        sync_folder(folder)
    moved = misplaced.filter(~pl.col("delivery").is_in(stuck)).select("delivery", "belongs")
    with warehouse.rows("_moved", moved), warehouse.transaction():
        warehouse.execute(
            "UPDATE deliveries SET place = _moved.belongs FROM _moved WHERE deliveries.delivery = _moved.delivery"
        )


def move_kept(here: Path, there: Path) -> None:
    """Move a delivery's files; what is packed is unpacked on the way.

    Parameters
    ----------
    here, there : Path
        On one disk.

    Raises
    ------
    OSError
        If that can't be done; what was there stays.
    """
    if not is_packed(here):
        here.rename(there)
        return
    draft = there.with_name(f".{there.name}{UNPACKED}")
    shutil.rmtree(draft, ignore_errors=True)
    unpack(here, draft)
    draft.rename(there)
    sync_folder(there.parent)
    here.unlink()


def pack_delivered(workspace: Workspace, warehouse: Warehouse) -> dict[str, dict[str, str]]:
    """Pack the folders of deliveries all of which is taken in; a zip stays as it came.

    A folder goes once the packed file is on disk and was read back. What can't be packed, such as a folder of another
    account or one that somebody put a pipe into, stays as it is.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open, outside a transaction.

    Returns
    -------
    dict of str to dict of str to str
        What was packed, as `digests` tells it, by delivery.
    """
    if not workspace.delivered.is_dir():
        return {}
    for going in workspace.delivered.glob(f".*{_GOING}"):  # of a run that was cut off
        folder = going.with_name(going.name.removeprefix(".").removesuffix(_GOING))
        if not _is_there(folder):
            going.rename(folder)
    known = set(warehouse.query("SELECT delivery FROM deliveries WHERE place = 'delivered'")["delivery"])
    plain = [
        Path(one) for one in os.scandir(workspace.delivered) if one.name in known and one.is_dir(follow_symlinks=False)
    ]
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        size = 0
        waiting = {}
        for folder in sorted(plain):
            size += _size(folder)
            waiting[folder.name] = pool.submit(_pack, folder)
            if size > _PACKED_A_RUN:
                break
        packed = {delivery: _files_of(entries) for delivery, one in waiting.items() if (entries := one.result())}
    remove_drafts(workspace)
    return packed


def remove_drafts(workspace: Workspace) -> None:
    """Remove what runs that were cut off left of packing and unpacking kept deliveries.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    """
    for draft in workspace.delivered.glob(".*.part"):
        draft.unlink()
    for folder in (workspace.delivered, workspace.quarantine):
        for unpacked in folder.glob(f".*{UNPACKED}"):
            shutil.rmtree(unpacked, ignore_errors=True)


def _size(folder: Path) -> int:
    """Bytes in a folder; 0 where something of it can't be asked, for then it is not packed either."""
    try:
        return sum(path.lstat().st_size for path in folder.rglob("*"))
    except OSError:
        return 0


def _pack(folder: Path) -> dict[str, Entry]:
    """Pack a folder and remove it; of one that is packed already, what a run that was cut off left of it.

    It is removed under a name that nobody writes to, once all it holds by then was found in the packed file. What that
    holds; nothing where the folder stays.
    """
    packed, going = _packed(folder), folder.with_name(f".{folder.name}{_GOING}")
    was_packed = is_packed(packed)
    try:
        there = entries_of(packed) if was_packed else pack(folder, packed)
        folder.rename(going)
        if all(there.get(name) == entry for name, entry in entries_of(going).items() if entry.kind != "folder"):
            shutil.rmtree(going)
            return there
    except (OSError, ValueError):
        was_packed = True  # what is packed is whole, as far as it could be told
    if going.is_dir() and not _is_there(folder):
        going.rename(folder)  # somebody put something there, or changed it: `vansnap check` says so
        if not was_packed:
            packed.unlink()
    return {}


def _is_same(packed: Path, folder: Path) -> bool:
    try:
        return entries_of(packed) == entries_of(folder)
    except (OSError, ValueError):
        return False


def digests(path: Path) -> dict[str, str]:
    """SHA-256 of every file of a delivery.

    Parameters
    ----------
    path : Path
        Its folder, the file that is packed into, or its zip.

    Returns
    -------
    dict of str to str
        By path within it; of a zip its own, under the empty name. Files of a folder that can't be read are left out.

    Raises
    ------
    OSError
        If the packed file is damaged.
    """
    if is_packed(path):
        return _files_of(entries_of(path))
    paths = {"": path} if path.is_file() else {p.relative_to(path).as_posix(): p for p in sorted(path.rglob("*"))}
    found = {}
    for name, file in paths.items():
        if not file.is_file() or file.is_symlink():
            continue
        try:
            with file.open("rb") as opened:
                found[name] = hashlib.file_digest(opened, "sha256").hexdigest()
        except OSError:
            continue
    return found


def _files_of(entries: Mapping[str, Entry]) -> dict[str, str]:
    return {name: entry.told for name, entry in entries.items() if entry.kind == "file"}


def _is_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()


def content_of(path: Path, source: str) -> str:
    """What a delivery holds, as `Delivery.content_id`; its name where it can't be opened.

    Parameters
    ----------
    path : Path
        Where it is.
    source : str
        Its name as it lay in the inbox.
    """
    try:
        return open_delivery(path).content_id()
    except RefusedError:
        return source


def in_progress(name: str) -> bool:
    """Whether something in the inbox is hidden or still being delivered, by its name.

    Parameters
    ----------
    name : str
        Its name.
    """
    return name.startswith(".") or name.endswith(".part")


def plainly_named(inbox: Path) -> list[Path]:
    """Complete deliveries in the inbox, by name. A name that no table, line or other folder could hold is made plain first.

    Such are names that are not UTF-8, hold control characters, or leave no room for an ending.

    Parameters
    ----------
    inbox : Path
        Its folder.
    """
    paths = []
    for path in sorted(inbox.iterdir()):
        if in_progress(path.name):
            continue
        name = _plain(path.name)
        if name != path.name:
            place = path.with_name(name)
            try:
                path = path.rename(place) if not _is_there(place) else path
            except OSError:
                continue  # another account's: it stays, and `unnameable` tells
        if path.name == name:
            paths.append(path)
    return paths


def unnameable(inbox: Path) -> list[str]:
    """Names in the inbox, as they can be printed, that no run could make plain.

    Parameters
    ----------
    inbox : Path
        Its folder.
    """
    names = [path.name for path in sorted(inbox.iterdir()) if not in_progress(path.name)]
    return [_plain(name) for name in names if _plain(name) != name]


def _plain(name: str) -> str:
    raw = os.fsencode(name)
    text = _UNPRINTABLE.sub("_", raw.decode("utf-8", "replace"))
    if len(text.encode()) > _LONGEST_NAME:
        ending = Path(text).suffix[:12]
        text = text.encode()[: _LONGEST_NAME - 24].decode("utf-8", "ignore") + ending
    return name if text == name else f"{Path(text).stem}-{hashlib.sha256(raw).hexdigest()[:8]}{Path(text).suffix}"


_LONGEST_NAME = 200  # bytes; file systems take 255, and endings such as ~2 come on top
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffd]")
