"""The step of a run that removes raw waveforms which are due."""

from datetime import UTC, datetime
from pathlib import Path

from pipelines.retention.ledger import rows_of, unfinished, waiting
from pipelines.retention.remove import delete_removed, discard_cut_off, mark_removed
from pipelines.storage.publish import publish, published_run
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.workspace.log import note
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace, open_workspace


def retain(home: Path, *, now: datetime | None = None) -> int:
    """Remove the raw waveforms that the settings keep no longer; what is published says so before anything is deleted.

    Parameters
    ----------
    home : Path
        The workspace, which the caller holds.
    now : datetime or None
        Time of the run; None is the clock's.

    Returns
    -------
    int
        Waveforms that went.
    """
    workspace = open_workspace(home)
    months = load_settings(workspace.settings_path).retention.raw_months
    if not months and not unfinished(workspace):
        return 0
    with open_warehouse(workspace) as warehouse:
        return remove(workspace, warehouse, months, now or datetime.now(UTC))


def remove(workspace: Workspace, warehouse: Warehouse, months: int, at: datetime) -> int:
    """As `retain`, with the warehouse open.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.
    warehouse : Warehouse
        Open for writing, outside a transaction.
    months : int
        For which samples are kept; 0 only finishes what was begun.
    at : datetime
        Time of the run.
    """
    discard_cut_off(workspace, warehouse)
    count = mark_removed(workspace, warehouse, months, at) if months else 0
    left = unfinished(workspace)
    if not left:
        return 0
    fresh = [entry for entry in left if waiting(entry) is None]
    if fresh:
        run = published_run(workspace.published_path, whole=False)
        if run is not None:
            publish(warehouse, workspace.published_path, week=run[0])
        going = sum(rows_of(entry)["waveform_id"].n_unique() for entry in fresh)
        note(workspace, "raw_removed", count=going)  # before, so that a run that is cut off has said so
    delete_removed(workspace, warehouse)
    return count
