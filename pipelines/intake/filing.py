"""Where a delivery's files are: the inbox, the quarantine while any of it waits, then waveforms/delivered."""

from pathlib import Path

from data_contracts.errors import WorkspaceError
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

    Run before intake it finishes what a killed run had committed but not moved, and after it moves the rest.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.

    Raises
    ------
    WorkspaceError
        If a file can't be moved.
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
    for row in misplaced.iter_rows(named=True):
        here = place_of(workspace, row["delivery"], row["source"], row["place"])
        there = place_of(workspace, row["delivery"], row["source"], row["belongs"])
        if _is_there(there) or not _is_there(here):
            continue  # moved before a run was cut off; what is in the inbox now is another delivery
        if row["place"] == "inbox" and _content_id(here, row["source"]) != row["content_id"]:
            continue
        try:
            here.rename(there)
        except OSError as error:
            raise WorkspaceError(
                f"can't move {here} to {there} ({error.strerror}): free the path, then run again"
            ) from error
    for folder in (workspace.inbox, workspace.quarantine, workspace.delivered):
        sync_folder(folder)
    with warehouse.rows("_moved", misplaced.select("delivery", "belongs")), warehouse.transaction():
        warehouse.execute(
            "UPDATE deliveries SET place = _moved.belongs FROM _moved WHERE deliveries.delivery = _moved.delivery"
        )


def _is_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()


def _content_id(path: Path, source: str) -> str:
    try:
        return open_delivery(path).content_id()
    except RefusedError:
        return source
