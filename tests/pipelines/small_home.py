"""A workspace filled with the committed small fleet."""

import shutil
from pathlib import Path

from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.workspace import Workspace, make_workspace

SMALL_FLEET = Path(__file__).parents[2] / "sample_fleet" / "small_fleet"


def small_home(root: Path) -> Workspace:
    """A new workspace with the small fleet's register and deliveries."""
    workspace = make_workspace(root, {"settings.toml": EXAMPLE_FILES["settings.toml"]})
    shutil.copytree(SMALL_FLEET / "register", workspace.register, dirs_exist_ok=True)
    shutil.copytree(SMALL_FLEET / "inbox", workspace.inbox, dirs_exist_ok=True)
    return workspace


def run_steps(workspace: Workspace, week: str | None = None) -> str:
    """The weekly recipe without the orchestrator; the week it stood for."""
    from pipelines.weekly import steps

    with workspace.held():
        steps.intake(workspace.root)
        steps.read_captures(workspace.root)
        standing = steps.resolve_week(workspace.root, week)
        steps.publish_week(workspace.root, standing, steps.track(workspace.root, standing))
    return standing
