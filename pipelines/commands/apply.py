"""A decision takes effect at once unless a run holds the workspace."""

from data_contracts.errors import WorkspaceBusyError
from pipelines.decisions.order_decisions import take_in_decisions
from pipelines.decisions.quarantine_decisions import take_in_item_decisions
from pipelines.intake.forgetting import complete, finish
from pipelines.intake.journal import clear_left_drafts
from pipelines.storage.publish import publish, publish_decisions, published_run
from pipelines.storage.warehouse import open_warehouse
from pipelines.workspace.waiting import when_free
from pipelines.workspace.workspace import Workspace


def apply_now(workspace: Workspace, *, wait_s: float = 5.0) -> bool:
    """Take waiting decisions in at once and publish them, if no run holds the workspace for long.

    Parameters
    ----------
    workspace : Workspace
    wait_s : float
        How long to wait for a run that is in progress. [s]

    Returns
    -------
    bool
        False when a run was in progress all the time: it, or the next one, takes them in.
    """
    try:
        when_free(lambda: _apply(workspace), wait_s)
    except WorkspaceBusyError:
        return False
    return True


def _apply(workspace: Workspace) -> None:
    with workspace.held():
        apply_held(workspace)


def apply_held(workspace: Workspace) -> bool:
    """Take waiting decisions in and publish them, and finish a `vansnap forget` that was cut off.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller, its warehouse closed.

    Returns
    -------
    bool
        Whether one had been cut off.
    """
    clear_left_drafts(workspace)
    with open_warehouse(workspace) as warehouse:
        cut_off = finish(workspace, warehouse)
        take_in_decisions(workspace, warehouse)
        take_in_item_decisions(workspace, warehouse)
        run = published_run(workspace.published_path, whole=False)
        if run is not None and cut_off:
            publish(warehouse, workspace.published_path, week=run[0])
        elif run is not None:
            publish_decisions(warehouse, workspace.published_path, week=run[0])
    if cut_off:
        complete(workspace)
    return cut_off
