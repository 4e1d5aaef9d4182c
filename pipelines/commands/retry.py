"""Retry what waits in quarantine at once, after a person has mended it."""

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from data_contracts.errors import WorkspaceBusyError
from pipelines.intake.journal import note_intake
from pipelines.intake.take_in import retry_waiting
from pipelines.storage.publish import publish, published_run
from pipelines.storage.standing_register import standing_register
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.weekly.read_captures import read_new_captures
from pipelines.workspace.workspace import Workspace


@dataclass(frozen=True)
class Outcome:
    """What a retry brought: items taken in, items that still wait, and why the first of a delivery waits."""

    taken_in: int
    waiting: int
    first_reason: str


def retry(workspace: Workspace, delivery: str) -> Outcome | None:
    """Retry what waits in quarantine at once, read what is taken in, and publish it.

    The list and the orders stay those of the last run: the next one judges the vans anew.

    Parameters
    ----------
    workspace : Workspace
    delivery : str
        The one whose mending asks for it.

    Returns
    -------
    Outcome or None
        None when a run is in progress, which takes it in.
    """
    try:
        with workspace.held(), open_warehouse(workspace) as warehouse:
            register = standing_register(workspace, warehouse).register
            before = _waiting(warehouse)
            at = datetime.now(UTC)
            changed = retry_waiting(workspace, warehouse, register, now=at)
            note_intake(workspace, warehouse, [account.delivery for account in changed], now=at)
            read_new_captures(workspace, warehouse, register, workers=1, progress=lambda done, total: None)
            after = _waiting(warehouse)
            run = published_run(workspace.published_path, whole=False)
            if run is not None:
                publish(warehouse, workspace.published_path, week=run[0])
    except WorkspaceBusyError:
        return None
    reasons = after.filter(pl.col("delivery") == delivery)["reason"].to_list()
    taken = before.join(after, on=["delivery", "file", "row"], how="anti", nulls_equal=True).height
    return Outcome(taken, after.height, reasons[0] if reasons else "")


def _waiting(warehouse: Warehouse) -> pl.DataFrame:
    return warehouse.query(
        "SELECT delivery, file, row, reason FROM quarantine WHERE state = 'waiting' AND delivery <> 'register' ORDER BY ALL"
    )
