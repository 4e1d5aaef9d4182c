"""How long each step of the last run took: one small file of the workspace."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager

from pipelines.workspace.log import note
from pipelines.workspace.run_progress import forget_progress, note_progress
from pipelines.workspace.small_files import keep_document
from pipelines.workspace.workspace import Workspace

FILE = "step_times.json"
"""In reports/."""


@contextmanager
def timed(workspace: Workspace, step: str) -> Iterator[None]:
    """Note that the step inside the block goes on, and how long it took, however it ends.

    Parameters
    ----------
    workspace : Workspace
    step : str
        Its name.
    """
    note_progress(workspace, step, last_time=step_times(workspace).get(step))
    start, good = time.monotonic(), False
    try:
        yield
        good = True
    finally:
        seconds = round(time.monotonic() - start, 3)
        forget_progress(workspace)
        note(workspace, "step", step=step, good=good, seconds=seconds)
        keep_document(workspace.reports / FILE, {**step_times(workspace), step: seconds})


def step_times(workspace: Workspace) -> dict[str, float]:
    """How long each step took when it last ran; nothing where no run is on record.

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    dict of str to float
        By step. [s]
    """
    try:
        told = json.loads((workspace.reports / FILE).read_text(encoding="utf-8"))
        return {str(step): float(seconds) for step, seconds in told.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}
