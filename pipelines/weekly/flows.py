"""The week as a flow: names, retries, history, schedule, and the orchestrator's private home.

Prefect reads its settings when it is imported, so `orchestrator_environment` comes first and the
import stays inside the functions. Tasks hand on keys (a week), never frames.
"""

import logging
import os
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from data_contracts.errors import VansnapError
from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.room import ask_for_room
from pipelines.weekly.guard import guard_this_run
from pipelines.weekly.recipe import PAUSES, Step, may_pass, tried_again, week_by_recipe
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.serving import check_port_free, running_server, serving_at, wait_until_healthy
from pipelines.workspace.drafts import draft_of
from pipelines.workspace.last_runs import last_runs, missed_run, note_failure, note_start, note_stopped, note_success
from pipelines.workspace.log import note
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import ScheduleSettings, load_settings
from pipelines.workspace.waiting import when_free
from pipelines.workspace.workspace import Workspace, open_workspace

AfterRun = Callable[[Workspace], None]

# A new home takes 10-30 s to start on two cores.
_STARTUP_LIMIT_S = 180
_HELD_S = 7200.0
"""How long a scheduled run waits for whoever holds the workspace: longer than a run by hand or a backup takes. Of our choosing."""
_MEANWHILE_S = 3600.0
_ENDING_S = 5.0
"""How long this process has to end too where both were told to. Of our choosing."""

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
    """
    with _then(workspace, after):
        with _noted(workspace):
            ask_for_room(workspace)
        guard_this_run()
        with workspace.held(), _noted(workspace) as ended:
            note_start(workspace)
            api = running_server(workspace)
            if api is None:
                summary = week_by_recipe(workspace.root, week, quiet=quiet, now=now, trying=tried_again)
            else:
                summary = _week_on_server(workspace, api, week, quiet=quiet, now=now)
            ended(summary.week)
    return summary


@contextmanager
def _then(workspace: Workspace, after: AfterRun | None) -> Iterator[None]:
    """Call what is to come after the run inside the block; not where nothing is noted of it, since the workspace was held."""
    before = last_runs(workspace.root)
    try:
        yield
    finally:
        if after is not None and last_runs(workspace.root) != before:
            after(workspace)


@contextmanager
def _noted(workspace: Workspace, in_front: str = "") -> Iterator[Callable[[str], None]]:
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
        summary: WeeklySummary = _weekly_flow()(str(workspace.root), week, quiet, now)
    return summary


def serve(
    workspace: Workspace, address: str, port: int, *, after: AfterRun | None = None, meanwhile: AfterRun | None = None
) -> None:
    """Start the orchestrator's own server on loopback and the weekly schedule from settings; returns when stopped. A run that was
    missed meanwhile is made up for first.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    address : str
        Address the server listens on.
    port : int
        Its port.
    after : callable, optional
        As for `run_weekly`; a function of a module, for the run is in a process of its own.
    meanwhile : callable, optional
        Called every hour.
    """
    check_port_free(address, port)
    guard_this_run()

    environment = os.environ | orchestrator_environment(workspace, scheduling=True)
    api = f"http://{address}:{port}/api"
    command = [sys.executable, "-m", "prefect", "server", "start", "--host", address, "--port", str(port)]
    log = (workspace.orchestrator / "server.log").open("ab")
    with subprocess.Popen(  # Ctrl-C is for this process, which needs the server until it has ended
        command, env=environment, stdout=log, stderr=log, start_new_session=True
    ) as server:
        try:
            wait_until_healthy(
                f"{api}/health", server, _STARTUP_LIMIT_S, log_path=workspace.orchestrator / "server.log"
            )
            os.environ.update(environment | {"PREFECT_API_URL": api})
            schedule = load_settings(workspace.settings_path).schedule
            with serving_at(workspace, api), _ending_with(server), _every(_MEANWHILE_S, workspace, meanwhile):
                _serve_schedule(workspace.root, schedule, after)
        except KeyboardInterrupt:
            pass
        finally:
            server.terminate()


@contextmanager
def _ending_with(server: subprocess.Popen[bytes]) -> Iterator[None]:
    """End this process at once, with 1, should the server end inside the block: nothing would start a run any more, and nobody be
    told. Whoever started this one can start it again.
    """
    over = threading.Event()

    def watch() -> None:
        code = server.wait()
        if not over.wait(_ENDING_S):
            print(f"vansnap: the orchestrator's server ended with {code}: start `vansnap serve` again", file=sys.stderr)
            sys.stderr.flush()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
    try:
        yield
    finally:
        over.set()


def _drop_earlier_plans(flow: str) -> None:
    """Have the orchestrator drop the runs of a flow that it planned before: those ahead it plans anew, and one that is overdue is
    made up for here; it would start it a second time.
    """
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import FlowFilter, FlowRunFilter

    of_flow = FlowFilter.model_validate({"name": {"any_": [flow]}})
    planned = FlowRunFilter.model_validate({"state": {"type": {"any_": ["SCHEDULED"]}}})
    with get_client(sync_client=True) as client:
        for run in client.read_flow_runs(flow_filter=of_flow, flow_run_filter=planned):
            client.delete_flow_run(run.id)


def _make_up_for_a_missed_run(workspace: Workspace, schedule: ScheduleSettings) -> None:
    """Run the week at once where a run was missed, in a process of its own, which says how it went."""

    def missed() -> datetime | None:
        return missed_run(last_runs(workspace.root), schedule, datetime.now(UTC))

    if missed() is None:
        return
    with suppress(VansnapError):  # the run itself says that somebody holds the workspace
        _hold(workspace.root).close()
    due = missed()
    if due is None:  # whoever held it made the run
        return
    print(f"no run has succeeded since {minute(due)}, when one was due: it is made up for now", flush=True)
    note(workspace, "run_missed", due=minute(due))
    subprocess.run([sys.executable, "-m", "pipelines.cli", "weekly", "--home", str(workspace.root)], check=False)


@contextmanager
def _every(pause_s: float, workspace: Workspace, work: AfterRun | None) -> Iterator[None]:
    """Do the work after each pause, as long as the block lasts. [s]"""
    over = threading.Event()

    def working() -> None:
        while work is not None and not over.wait(pause_s):
            work(workspace)

    threading.Thread(target=working, daemon=True).start()
    try:
        yield
    finally:
        over.set()


def _weekly_flow() -> Callable[..., Any]:
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


def _hold(root: Path) -> ExitStack:
    """Hold the workspace for the length of the block, as soon as it is free: a backup or a run by hand may hold it for long."""
    held, workspace = ExitStack(), open_workspace(root)
    when_free(lambda: held.enter_context(workspace.held()), _HELD_S)
    return held


def scheduled_run(
    root: Path, hold: Callable[[Path], ExitStack], week: Callable[[], WeeklySummary], after: AfterRun | None
) -> None:
    """A run by the schedule: waits until the workspace is free, holds it like a run by hand, and says in one line how it went.
    One that never got to hold it counts as failed, for nobody else sees that it did not start.

    Parameters
    ----------
    root : Path
        Of the workspace.
    hold : callable
        Holds it, for as long as what it returns is open.
    week : callable
        The run itself.
    after : callable, optional
        As for `run_weekly`.

    Raises
    ------
    Exception
        Whatever ended the run.
    """
    try:
        workspace = open_workspace(root)
        with _then(workspace, after), ExitStack() as held:
            with _noted(workspace, "did not start: "):
                held.enter_context(hold(root))
            with _noted(workspace) as ended:
                note_start(workspace)
                ask_for_room(workspace)
                summary = week()
                ended(summary.week)
    except Exception as error:
        print(failure_line(error), file=sys.stderr, flush=True)
        raise
    print(f"weekly run of {summary.week} done; {summary.orders} open work orders", flush=True)


def _serve_schedule(root: Path, schedule: ScheduleSettings, after: AfterRun | None) -> None:
    from prefect import flow
    from prefect.schedules import Cron

    @flow(name="weekly-scheduled")
    def scheduled() -> None:  # no parameter: whoever reaches the interface can't point it at another folder
        """One scheduled run."""
        scheduled_run(root, _hold, lambda: _weekly_flow()(str(root), None, True), after)

    _drop_earlier_plans(scheduled.name)
    _make_up_for_a_missed_run(Workspace(root), schedule)  # last of all: what is due from now on, the orchestrator sees
    scheduled.serve(
        name="weekly",
        schedule=Cron(schedule.cron, timezone=schedule.timezone),
        print_starting_message=False,
    )
