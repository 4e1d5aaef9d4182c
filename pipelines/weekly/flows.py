"""The week as a flow: names, retries, history, schedule, and the orchestrator's private home.

Prefect reads its settings when it is imported, so `orchestrator_environment` comes first and the
import stays inside the functions. Tasks hand on keys (a week), never frames.
"""

import logging
import os
import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from data_contracts.errors import VansnapError
from pipelines.intake.journal import clear_left_drafts
from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.room import ask_for_room
from pipelines.weekly.guard import guard_this_run
from pipelines.weekly.recipe import PAUSES, Step, may_pass, tried_again, week_by_recipe
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.serving import running_server
from pipelines.workspace.drafts import draft_of
from pipelines.workspace.last_runs import last_runs, note_failure, note_start, note_stopped, note_success
from pipelines.workspace.log import note
from pipelines.workspace.workspace import Workspace

AfterRun = Callable[[Workspace], None]

ACCESS = "access"
"""File of the orchestrator's home with the user and password of its interface."""
_NO_ORIGIN = "http://vansnap.invalid"  # RFC 2606: a name that no page can have
_BACKGROUND_SERVICES = (
    "SCHEDULER",
    "LATE_RUNS",
    "FOREMAN",
    "PAUSE_EXPIRATIONS",
    "CANCELLATION_CLEANUP",
    "REPOSSESSOR",
    "CLEANUP_RECONCILER",
    "TRIGGERS",
)


def orchestrator_environment(workspace: Workspace, *, scheduling: bool = False) -> dict[str, str]:
    """Environment of the orchestrator: home inside the workspace, quiet, offline, and closed to whoever has no key.

    Parameters
    ----------
    workspace : Workspace
        Holds the private home.
    scheduling : bool
        Keep the services that start scheduled runs.

    Returns
    -------
    dict of str to str
    """
    key = _access_key(workspace)
    environment = {
        "PREFECT_SERVER_API_AUTH_STRING": key,
        "PREFECT_API_AUTH_STRING": key,
        "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": _NO_ORIGIN,
        "PREFECT_HOME": str(workspace.orchestrator),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
        "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_SERVER_LOGGING_LEVEL": "ERROR",
        "PREFECT_SERVER_UI_ENABLED": "false",
        "PREFECT_CLIENT_SERVER_VERSION_CHECK_ENABLED": "false",
    }
    if not scheduling:
        environment |= {f"PREFECT_SERVER_SERVICES_{name}_ENABLED": "false" for name in _BACKGROUND_SERVICES}
    return environment


def _access_key(workspace: Workspace) -> str:
    """User and password of the orchestrator's interface, made once; only the account that runs Vansnap can read them."""
    path = workspace.orchestrator / ACCESS
    if not path.exists():
        draft = draft_of(path)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            file.write(f"vansnap:{secrets.token_urlsafe(32)}")
        put_in_place(draft, path)
    return path.read_text(encoding="utf-8").strip()


def run_weekly(
    workspace: Workspace,
    week: str | None,
    *,
    quiet: bool,
    now: datetime | None = None,
    after: AfterRun | None = None,
) -> WeeklySummary:
    """Run the week: plainly, or under the workspace's own server where `vansnap serve` runs, which then keeps its history.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    week : str or None
        ISO week to publish as of; None is the week of the newest capture.
    quiet : bool
        Show no progress.
    now : datetime or None
        Time of the run; None is the clock's.
    after : callable, optional
        Called once the run has ended, well or not, and the workspace is free.

    Returns
    -------
    WeeklySummary

    Raises
    ------
    WorkspaceBusyError
        If another run holds the workspace.
    NoRoomError
        If the disk has no room for it.
    """
    with then(workspace, after):
        guard_this_run()
        with workspace.held(), noted(workspace) as ended:
            find_room(workspace)
            note_start(workspace)
            api = running_server(workspace)
            if api is None:
                summary = week_by_recipe(workspace.root, week, quiet=quiet, now=now, trying=tried_again)
            else:
                summary = _week_on_server(workspace, api, week, quiet=quiet, now=now)
            ended(summary.week)
    return summary


def find_room(workspace: Workspace) -> None:
    """Clear what killed runs left, which may be as large as the fleet's readings, then refuse a run that the disk has no room for.

    Parameters
    ----------
    workspace : Workspace
        Held by the caller.

    Raises
    ------
    NoRoomError
    """
    clear_left_drafts(workspace)
    ask_for_room(workspace)


@contextmanager
def then(workspace: Workspace, after: AfterRun | None) -> Iterator[None]:
    """Call what is to come after the run inside the block; not where nothing is noted of it, since the workspace was held."""
    before = last_runs(workspace.root)
    try:
        yield
    finally:
        if after is not None and last_runs(workspace.root) != before:
            after(workspace)


@contextmanager
def noted(workspace: Workspace, in_front: str = "") -> Iterator[Callable[[str], None]]:
    """Note how the run inside the block went; it is handed a function to say which week it published."""
    start, published = time.monotonic(), ""

    def ended(week: str) -> None:
        nonlocal published
        published = week
        note_success(workspace, week)

    try:
        yield ended
    except Exception as error:
        why = in_front + reason_of(error)
        note_failure(workspace, why)
        note(workspace, "run", good=False, seconds=round(time.monotonic() - start, 1), why=why)
        raise
    except KeyboardInterrupt:
        note_stopped(workspace)
        raise
    if published:
        note(workspace, "run", good=True, seconds=round(time.monotonic() - start, 1), week=published)


def _week_on_server(
    workspace: Workspace, api: str, week: str | None, *, quiet: bool, now: datetime | None
) -> WeeklySummary:
    """The week as a flow of the workspace's own server."""
    os.environ.update(orchestrator_environment(workspace) | {"PREFECT_API_URL": api})
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings

    for name in ("prefect", "prefect.flow_runs", "prefect.task_runs", "httpx", "uvicorn"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    with temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}):
        summary: WeeklySummary = weekly_flow()(str(workspace.root), week, quiet, now)
    return summary


def weekly_flow() -> Callable[..., Any]:
    """The flow; built when called, because importing Prefect takes seconds and reads the environment."""
    from prefect import flow

    @flow(name="weekly", validate_parameters=False)
    def weekly(home: str, week: str | None = None, quiet: bool = True, now: datetime | None = None) -> WeeklySummary:
        """Intake, reading, tracking, publish: the recipe of a week."""
        summary = week_by_recipe(Path(home), week, quiet=quiet, now=now, trying=_tried_by_orchestrator)
        _keep_summary(summary)
        return summary

    return weekly


def _tried_by_orchestrator(name: str, step: Step) -> Step:
    """A step as a task, tried again as `tried_again` does, each try in the history."""
    from prefect import task
    from prefect.cache_policies import NO_CACHE

    def worth_it(_task: Any, _run: Any, state: Any) -> bool:
        return may_pass(state.result(raise_on_failure=False))

    return task(
        name=name,
        cache_policy=NO_CACHE,
        retries=len(PAUSES),
        retry_delay_seconds=list(PAUSES),
        retry_condition_fn=worth_it,
    )(step)


def _keep_summary(summary: WeeklySummary) -> None:
    """The week's summary and its deliveries as artifacts of the run, for looking up later."""
    from prefect.artifacts import create_markdown_artifact, create_table_artifact

    lines = "\n".join(f"- {line}" for line in summary.text().splitlines()[1:])
    create_markdown_artifact(
        f"# Week {summary.week}\n\n{lines}\n", key="week", description=f"What the weekly run of {summary.week} did"
    )
    if summary.intake:
        create_table_artifact(
            [vars(account) for account in summary.intake],
            key="deliveries",
            description=f"Row accounts of the deliveries taken in for {summary.week}",
        )


def failure_line(error: Exception) -> str:
    """What `vansnap serve` says about a scheduled run that failed.

    Parameters
    ----------
    error : Exception
        What ended it.

    Returns
    -------
    str
        One line: the reason, and what to do.
    """
    return f"vansnap: the scheduled run failed ({reason_of(error)}); nothing half-done was kept, run `vansnap weekly` to see it"


def reason_of(error: Exception) -> str:
    """Why a run failed, in one line.

    Parameters
    ----------
    error : Exception
        What ended it.
    """
    reason = " ".join(str(error).split())[:300] or type(error).__name__
    return reason if isinstance(error, VansnapError) else f"{type(error).__name__}: {reason}"
