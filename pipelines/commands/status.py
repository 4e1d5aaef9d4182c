"""`vansnap status`: how the last runs of a workspace went."""

from datetime import UTC, datetime
from typing import Any

from data_contracts.facts.rendering import render
from pipelines.notify.outbox import Waiting, what_waits
from pipelines.workspace.last_runs import last_runs, next_run
from pipelines.workspace.moments import minute
from pipelines.workspace.run_progress import progress_fact, run_progress
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace

WHEN_HELD_BACK = "sent from tomorrow (UTC) by the next run, by `vansnap serve` within the hour, or by `vansnap notify`"
WHEN_TRIED_AGAIN = "tried again with the next run, by `vansnap serve` every hour, or by `vansnap notify`"


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
        Fields of `LastRuns`; `running`: fields of `RunProgress`, null where no run goes on; `next_at`, when the schedule starts the next run if `vansnap serve` is running; and `messages`:
        what waits to be sent, fields of `Waiting`.
    """
    schedule = load_settings(workspace.settings_path).schedule
    running = run_progress(workspace.root)
    return {
        **vars(last_runs(workspace.root)),
        "running": None if running is None else vars(running),
        "next_at": next_run(schedule, now or datetime.now(UTC)),
        "messages": vars(what_waits(workspace)),
    }


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
    good = "none yet" if state.good_at is None else f"{minute(state.good_at)}, week {state.good_week}"
    lines = [f"last good run: {good}"]
    doing = progress_fact(workspace.root, now or datetime.now(UTC))
    if doing is not None:
        lines.append(f"a run is in progress. {render(doing)}")
    if state.failed_since is not None:
        runs = "run" if state.failures == 1 else "runs"
        lines.append(f"failing since {minute(state.failed_since)} ({state.failures} {runs}): {state.why}")
    ahead = "never by this schedule" if told["next_at"] is None else minute(told["next_at"])
    lines.append(f"next run by the schedule, while `vansnap serve` is running: {ahead}")
    return "\n".join([*lines, *_messages(what_waits(workspace))])


def _messages(waits: Waiting) -> list[str]:
    lines = []
    if waits.held_back:
        lines.append(f"messages held back: {waits.held_back} (most_a_day); {WHEN_HELD_BACK}")
    if waits.unsent:
        since = "" if waits.since is None else f" since {minute(waits.since)}"
        why = f" ({waits.why})" if waits.why else ""
        lines.append(f"messages that could not be sent: {waits.unsent}{since}{why}; {WHEN_TRIED_AGAIN}")
    return lines
