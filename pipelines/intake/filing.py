"""Where a delivery's files are: the inbox, the quarantine while any of it waits, then waveforms/delivered."""

import hashlib
import os
import re
from pathlib import Path

import polars as pl

from pipelines.intake.delivery import RefusedError, open_delivery
from pipelines.storage.atomic_files import sync_folder
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace


def place_of(workspace: Workspace, delivery: str, source: str, place: str) -> Path:
    """Path of a delivery's files.

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
    return folder / (delivery + ending)


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
            continue  # moved before a run was cut off; what is in the inbox now is another delivery
        if row["place"] == "inbox" and content_of(here, row["source"]) != row["content_id"]:
            continue
        try:
            here.rename(there)
        except OSError:
            stuck.append(row["delivery"])
    for folder in (workspace.inbox, workspace.quarantine, workspace.delivered):
        sync_folder(folder)
    moved = misplaced.filter(~pl.col("delivery").is_in(stuck)).select("delivery", "belongs")
    with warehouse.rows("_moved", moved), warehouse.transaction():
        warehouse.execute(
            "UPDATE deliveries SET place = _moved.belongs FROM _moved WHERE deliveries.delivery = _moved.delivery"
        )


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
