"""`vansnap status`: how the last runs of a workspace went."""

from datetime import UTC, datetime
from typing import Any

from pipelines.workspace.last_runs import last_runs, next_run
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace


def status_document(workspace: Workspace, *, now: datetime | None = None) -> dict[str, Any]:
    """State of the runs, for `--json`.

    Parameters
    ----------
    workspace : Workspace
    now : datetime or None
        None is the clock's.

    Returns
    -------
    dict
        Fields of `LastRuns`, and `next_at`, when the schedule starts the next run if `vansnap serve` is running.
    """
    schedule = load_settings(workspace.settings_path).schedule
    return {**vars(last_runs(workspace.root)), "next_at": next_run(schedule, now or datetime.now(UTC))}


def status_text(workspace: Workspace, *, now: datetime | None = None) -> str:
    """State of the runs, for people.

    Parameters
    ----------
    workspace : Workspace
    now : datetime or None
        None is the clock's.
    """
    state = last_runs(workspace.root)
    told = status_document(workspace, now=now)
    good = "none yet" if state.good_at is None else f"{_said(state.good_at)}, week {state.good_week}"
    lines = [f"last good run: {good}"]
    if state.failed_since is not None:
        runs = "run" if state.failures == 1 else "runs"
        lines.append(f"failing since {_said(state.failed_since)} ({state.failures} {runs}): {state.why}")
    ahead = "never by this schedule" if told["next_at"] is None else _said(told["next_at"])
    lines.append(f"next run by the schedule, while `vansnap serve` is running: {ahead}")
    return "\n".join(lines)


def _said(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"
