"""A decision takes effect at once unless a run holds the workspace."""

import time

from data_contracts.errors import WorkspaceBusyError
from pipelines.decisions.order_decisions import take_in_decisions
from pipelines.decisions.quarantine_decisions import take_in_item_decisions
from pipelines.storage.publish import publish_decisions, published_run
from pipelines.storage.warehouse import open_warehouse
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
    end = time.monotonic() + wait_s
    while True:
        try:
            with workspace.held(), open_warehouse(workspace) as warehouse:
                take_in_decisions(workspace, warehouse)
                take_in_item_decisions(workspace, warehouse)
                run = published_run(workspace.published_path, whole=False)
                if run is not None:
                    publish_decisions(warehouse, workspace.published_path, week=run[0])
                return True
        except WorkspaceBusyError:
            if time.monotonic() > end:
                return False
            time.sleep(0.2)
