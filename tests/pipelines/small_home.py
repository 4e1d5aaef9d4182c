"""Workspaces filled with the committed small fleet, as it was delivered or judged already."""

import shutil
from pathlib import Path

import duckdb
import polars as pl

from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.workspace import Workspace, make_workspace
from sample_fleet.make_small import FIRST_RUN

SMALL_FLEET = Path(__file__).parents[2] / "sample_fleet" / "small_fleet"
KEPT = 4
"""Deliveries of the small fleet that are taken in where a few do."""


ONE_PROCESS = ("[intake]\nworkers = 0 ", "[intake]\nworkers = 1 ")


def small_home(root: Path, *, alone: bool = True) -> Workspace:
    """A new workspace with the small fleet's register and deliveries; alone, no process is started for what a few hundred
    recordings take here in less time than its start."""
    settings = EXAMPLE_FILES["settings.toml"]
    assert ONE_PROCESS[0] in settings
    workspace = make_workspace(root, {"settings.toml": settings.replace(*ONE_PROCESS) if alone else settings})
    shutil.copytree(SMALL_FLEET / "register", workspace.register, dirs_exist_ok=True)
    shutil.copytree(SMALL_FLEET / "inbox", workspace.inbox, dirs_exist_ok=True)
    return workspace


def first_deliveries(root: Path) -> tuple[Workspace, list[Path]]:
    """A new workspace with the small fleet's register and its first `KEPT` deliveries, and these."""
    workspace = small_home(root)
    inbox = sorted(workspace.inbox.iterdir())
    for delivery in inbox[KEPT:]:
        shutil.rmtree(delivery) if delivery.is_dir() else delivery.unlink()
    return workspace, inbox[:KEPT]


def judged_small_home(root: Path) -> Workspace:
    """The small fleet judged as of its first run, decided on, and judged again as of its last; quarantine as delivered.

    By as many processes as the machine has cores, as installed.
    """
    workspace = small_home(root, alone=False)
    run_steps(workspace, FIRST_RUN)
    lay_decisions(workspace)
    run_steps(workspace)
    return workspace


def copied_home(judged: Workspace, root: Path) -> Workspace:
    """A copy of a judged workspace for a test that writes into it."""
    shutil.copytree(judged.root, root)
    return Workspace(root)


def lay_decisions(workspace: Workspace) -> None:
    """Record the fleet's decisions as a workshop does: a CSV through `vansnap decide`, each for its van's order."""
    from pipelines.cli import run

    decisions = pl.read_csv(SMALL_FLEET / "decisions.csv", infer_schema=False)
    with duckdb.connect(str(workspace.published_path), read_only=True) as connection:
        orders = connection.sql("SELECT van_id, order_id FROM work_orders").pl()
    told = decisions.join(orders, on="van_id", how="left", maintain_order="left").drop("van_id")
    file = workspace.root / "told.csv"
    told.write_csv(file)
    assert run(["decide", "--from", str(file), "--home", str(workspace.root)]) == 0
    file.unlink()


def run_steps(workspace: Workspace, week: str | None = None) -> str:
    """The weekly recipe without the orchestrator; returns the week it published."""
    from pipelines.weekly import steps

    with workspace.held():
        steps.intake(workspace.root)
        steps.read_captures(workspace.root)
        standing = steps.resolve_week(workspace.root, week)
        steps.publish_week(workspace.root, standing, steps.track(workspace.root, standing))
    return standing
