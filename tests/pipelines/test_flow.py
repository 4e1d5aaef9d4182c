"""The week run by hand, and under the orchestrator of `vansnap serve`, once: private home, quiet, kept history."""

import json
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from data_contracts.errors import InputError, MissingFileError, WorkspaceBusyError, WorkspaceError
from pipelines.intake.delivery import RefusedError
from pipelines.weekly.recipe import PAUSES, may_pass, tried_again
from pipelines.weekly.serving import SERVING, running_server
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.pipelines.small_home import first_deliveries

TRIES = """
import sys
from pipelines.cli import run
code = run(["weekly", "--home", sys.argv[1]])
assert code == 0, code
print("== retries", flush=True)
from data_contracts.errors import InputError, WorkspaceBusyError
from pipelines.weekly import flows
from prefect import flow
flows.PAUSES = (0, 0, 0)
calls = []
def step(error, fine_from):
    calls.append(type(error).__name__)
    if len(calls) < fine_from:
        raise error
@flow
def tries():
    task = flows._tried_by_orchestrator("step", step)
    for error, fine_from in ((InputError("mend it"), 9), (WorkspaceBusyError("open"), 3), (OSError("gone"), 99)):
        calls.clear()
        state = task(error, fine_from, return_state=True)
        print(type(error).__name__, len(calls), state.is_completed(), flush=True)
try:
    tries()
except Exception:
    pass
"""
"""A weekly run, then a flow of made-up failures on the same server, which takes 15 to 30 s to start."""
PLAIN = """
import sys
from pipelines.cli import run
code = run(["weekly", "--home", sys.argv[1]])
assert code == 0, code
assert not {"prefect", "fastapi", "uvicorn"} & set(sys.modules)
"""


@pytest.mark.parametrize(
    ("error", "passes"),
    [
        (InputError("a setting"), False),
        (RefusedError("bad_value", "a row"), False),
        (MissingFileError("a folder"), False),
        (WorkspaceError("a damaged file"), False),
        (KeyError("a mistake of ours"), False),
        (PermissionError(13, "Permission denied", "inbox/d"), False),
        (WorkspaceBusyError("open elsewhere"), True),
        (OSError(28, "No space left on device"), False),
        (duckdb.IOException("the disk did not answer"), True),
        (duckdb.ConstraintException("a word"), False),
    ],
)
def test_only_what_may_pass_is_tried_again(error: Exception, passes: bool) -> None:
    assert may_pass(error) is passes


def test_a_step_is_tried_again_while_it_may_pass() -> None:
    calls, waits = list[str](), list[float]()

    def step(error: Exception, fine_from: int) -> int:
        calls.append(type(error).__name__)
        if len(calls) < fine_from:
            raise error
        return len(calls)

    tried = tried_again("step", step, wait=waits.append)
    assert tried(WorkspaceBusyError("open"), 3) == 3
    assert waits == list(PAUSES[:2])
    for error, tries in ((InputError("mend it"), 1), (OSError("gone"), 1 + len(PAUSES))):
        calls.clear()
        with pytest.raises(type(error)):
            tried(error, 99)
        assert len(calls) == tries


def test_a_weekly_run_by_hand_needs_no_server(tmp_path: Path) -> None:
    workspace, _ = first_deliveries(tmp_path / "home")
    serving = workspace.orchestrator / SERVING
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        pass
    serving.write_text(
        json.dumps({"process": ended.pid, "api": "http://127.0.0.1:9/api"})
    )  # left by one that was killed
    assert running_server(workspace) is None
    done = subprocess.run(
        [sys.executable, "-c", PLAIN, str(workspace.root)], capture_output=True, text=True, timeout=400, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "published" in done.stdout
    assert not (workspace.orchestrator / "prefect.db").exists()


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"process": "x", "api": 1}', '{"process": 99999999999, "api": ""}'])
def test_what_says_nothing_of_a_server_is_none(tmp_path: Path, text: str) -> None:
    workspace = make_workspace(tmp_path / "home", {"settings.toml": ""})
    (workspace.orchestrator / SERVING).write_text(text)
    assert running_server(workspace) is None


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(workspace: Workspace) -> Iterator[subprocess.Popen[str]]:
    """`vansnap serve`, once its server answers; stopped in the end."""
    serve = [sys.executable, "-m", "pipelines.cli", "serve", "--home", str(workspace.root), "--port", str(free_port())]
    with subprocess.Popen(serve, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as serving:
        try:
            until(lambda: running_server(workspace), serving)
            yield serving
        finally:
            serving.send_signal(signal.SIGINT)


def until(so: Callable[[], object], serving: subprocess.Popen[str]) -> None:
    """Wait until something is so while it serves."""
    end = time.monotonic() + 180
    while not so():
        assert serving.poll() is None, serving.stderr and serving.stderr.read()
        assert time.monotonic() < end
        time.sleep(0.3)


@pytest.mark.orchestrator
def test_serve_keeps_the_history_of_every_run_and_starts_none_late_that_was_planned_before_it_was_killed(
    tmp_path: Path,
) -> None:
    """An overdue run is made up for by `serve` itself; the orchestrator's own plan of it would be a second one."""
    workspace, inbox = first_deliveries(tmp_path / "home")

    def history(question: str, *values: str) -> list[Any]:
        with closing(sqlite3.connect(workspace.orchestrator / "prefect.db", timeout=30)) as kept, kept:
            return kept.execute(question, values).fetchall()

    def planned() -> set[str]:
        return {run for (run,) in history("SELECT id FROM flow_run WHERE state_type = 'SCHEDULED'")}

    with served(workspace) as serving:
        until(planned, serving)
        serving.kill()
    earlier = planned()
    overdue = (datetime.now(UTC) - timedelta(days=1)).strftime("%Y-%m-%d %H:%M:%S.%f")
    history("UPDATE flow_run SET next_scheduled_start_time = ?, expected_start_time = ?", overdue, overdue)
    with served(workspace) as serving:
        until(lambda: (now := planned()) and not now & earlier, serving)
        done = subprocess.run(
            [sys.executable, "-c", TRIES, str(workspace.root)],
            capture_output=True,
            text=True,
            timeout=400,
            check=False,
        )
        left = {run for (run,) in history("SELECT id FROM flow_run")}
        if left & earlier:
            serving.kill()  # stopped, it would wait for a run that it had started late
    assert earlier
    assert not left & earlier

    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    told, retries = done.stdout.split("== retries\n")
    assert "published" in told
    assert retries.splitlines() == ["InputError 1 False", "WorkspaceBusyError 3 True", "OSError 4 False"]
    assert not (workspace.orchestrator / SERVING).exists()
    found = dict(history("SELECT key, data FROM artifact WHERE flow_run_id IS NOT NULL"))
    assert "taken in: " in found["week"]
    accounts = json.loads(json.loads(found["deliveries"]))
    assert {account["delivery"] for account in accounts} == {path.stem for path in inbox}
