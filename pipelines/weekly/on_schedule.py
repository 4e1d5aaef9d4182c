"""What `vansnap serve` does: the orchestrator's server, the schedule, the runs that were missed, and each run by the schedule."""

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import VansnapError
from pipelines.weekly.flows import AfterRun, failure_line, find_room, noted, orchestrator_environment, then, weekly_flow
from pipelines.weekly.guard import guard_this_run
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.serving import check_port_free, serving_at, wait_until_healthy
from pipelines.workspace.last_runs import last_runs, missed_run, note_start
from pipelines.workspace.log import note
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import ScheduleSettings, load_settings
from pipelines.workspace.waiting import when_free
from pipelines.workspace.workspace import Workspace, open_workspace

# A new home takes 10-30 s to start on two cores.
_STARTUP_LIMIT_S = 180
_HELD_S = 7200.0
"""How long a scheduled run waits for whoever holds the workspace: longer than a run by hand or a backup takes. Of our choosing."""
_MEANWHILE_S = 3600.0
_ENDING_S = 5.0
"""How long this process has to end too where both were told to. Of our choosing."""


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
        with then(workspace, after), ExitStack() as held:
            with noted(workspace, "did not start: "):
                held.enter_context(hold(root))
            with noted(workspace) as ended:
                note_start(workspace)
                find_room(workspace)
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
        scheduled_run(root, _hold, lambda: weekly_flow()(str(root), None, True), after)

    _drop_earlier_plans(scheduled.name)
    _make_up_for_a_missed_run(Workspace(root), schedule)  # last of all: what is due from now on, the orchestrator sees
    scheduled.serve(
        name="weekly",
        schedule=Cron(schedule.cron, timezone=schedule.timezone),
        print_starting_message=False,
    )
