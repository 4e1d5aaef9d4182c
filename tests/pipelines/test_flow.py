"""The weekly flow under the orchestrator, once: private home, quiet, the same result as the steps."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import duckdb
import pytest

from data_contracts.errors import InputError, MissingFileError, WorkspaceBusyError, WorkspaceError
from pipelines.intake.delivery import RefusedError
from pipelines.weekly.flows import may_pass
from tests.pipelines.small_home import small_home

TRIES = """
import sys
from pipelines.cli import run
code = run(["weekly", "--home", sys.argv[1]])
assert code == 0, code
print("== retries", flush=True)
from data_contracts.errors import InputError, WorkspaceBusyError
from pipelines.weekly.flows import _tried_again
from prefect import flow
calls = []
def step(error, fine_from):
    calls.append(type(error).__name__)
    if len(calls) < fine_from:
        raise error
@flow
def tries():
    task = _tried_again("step", step).with_options(retry_delay_seconds=0)
    for error, fine_from in ((InputError("mend it"), 9), (WorkspaceBusyError("open"), 3), (OSError("gone"), 99)):
        calls.clear()
        state = task(error, fine_from, return_state=True)
        print(type(error).__name__, len(calls), state.is_completed(), flush=True)
try:
    tries()
except Exception:
    pass
"""
"""A weekly run, then a flow of made-up failures on the same server: each takes 15 to 30 s to start."""
KEPT = 4
"""Deliveries of the small fleet that are taken in."""


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
        (OSError(28, "No space left on device"), True),
        (duckdb.IOException("the disk did not answer"), True),
        (duckdb.ConstraintException("a word"), False),
    ],
)
def test_only_what_may_pass_is_tried_again(error: Exception, passes: bool) -> None:
    assert may_pass(error) is passes


@pytest.mark.orchestrator
def test_weekly_runs_the_flow_quietly(tmp_path: Path) -> None:
    workspace = small_home(tmp_path / "home")
    inbox = sorted(workspace.inbox.iterdir())
    for delivery in inbox[KEPT:]:
        shutil.rmtree(delivery) if delivery.is_dir() else delivery.unlink()
    command = [sys.executable, "-c", TRIES, str(workspace.root)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=400, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    told, retries = done.stdout.split("== retries\n")
    assert "published" in told
    assert retries.splitlines() == ["InputError 1 False", "WorkspaceBusyError 3 True", "OSError 4 False"]
    assert workspace.published_path.is_file()
    assert any(workspace.orchestrator.iterdir())
    with closing(sqlite3.connect(f"file:{workspace.orchestrator / 'prefect.db'}?mode=ro", uri=True)) as kept:
        found = dict(kept.execute("SELECT key, data FROM artifact WHERE flow_run_id IS NOT NULL"))
    assert "taken in: " in found["week"]
    accounts = json.loads(json.loads(found["deliveries"]))
    assert {account["delivery"] for account in accounts} == {path.stem for path in inbox[:KEPT]}
