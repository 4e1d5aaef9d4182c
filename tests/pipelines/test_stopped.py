"""A run that is stopped says so, a run that is killed leaves nothing running behind, and what fails is one line."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from unittest.mock import Mock

import duckdb
import pytest

from data_contracts.errors import InputError
from pipelines.cli import run
from pipelines.commands.failures import exit_code
from pipelines.weekly.flows import failure_line
from pipelines.weekly.guard import marked

# A run in small: guarded, with a child that would outlive it.
_RUN = """
import os, subprocess, sys, time
from pipelines.weekly.guard import guard_this_run
guard_this_run()
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
print(os.environ["VANSNAP_RUN"], child.pid, flush=True)
time.sleep(600)
"""


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_what_a_killed_run_started_ends_with_it(number: signal.Signals) -> None:
    environment = {key: value for key, value in os.environ.items() if key != "VANSNAP_RUN"}
    with subprocess.Popen([sys.executable, "-c", _RUN], stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        mark, child = process.stdout.readline().split()
        for _ in range(100):  # a child carries the mark once it runs its own program
            if int(child) in marked(mark):
                break
            time.sleep(0.05)
        assert int(child) in marked(mark)
        process.send_signal(number)
        process.wait()
        end = time.monotonic() + 30
        while marked(mark) and time.monotonic() < end:
            time.sleep(0.1)
        assert marked(mark) == []
        assert process.stdout.read() == ""  # nobody holds it any more


def test_stopping_says_so_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from pipelines.workspace import workspace

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(workspace, "make_workspace", stop)
    assert run(["init", str(tmp_path / "home")]) == 130
    assert capsys.readouterr().err == "vansnap: stopped; nothing is lost, run again when ready\n"


def test_a_failed_scheduled_run_says_why_in_one_line() -> None:
    assert "the inbox is empty" in failure_line(InputError("there is no capture yet and the inbox is empty"))
    said = failure_line(ZeroDivisionError("division\nby zero"))
    assert "ZeroDivisionError: division by zero" in said
    assert "\n" not in said


def test_what_an_account_may_not_use_is_told_from_what_is_broken(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert exit_code(PermissionError(13, "Permission denied", "/srv/vans/.lock"), []) == 2
    said = capsys.readouterr().err
    assert (
        said
        == "vansnap: this account may not use /srv/vans/.lock: use the one that runs Vansnap, or give yours the right\n"
    )

    def refused(*_: object, **__: object) -> None:
        raise duckdb.IOException('Cannot open file "published.duckdb": Permission denied')

    (tmp_path / "settings.toml").write_text("")
    (tmp_path / "published.duckdb").write_text("")
    monkeypatch.setattr("pipelines.read_side.published.duckdb.connect", lambda *_, **__: Mock(execute=refused))
    assert run(["orders", "--home", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "this account may not read" in said
    assert "weekly" not in said


def test_a_wrong_word_is_quoted_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(["nonsense"]) == 2
    assert capsys.readouterr().err == "vansnap: No such command 'nonsense' (see `vansnap --help`)\n"
    assert run(["demo", "--vans", "few", "--home", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("'few'") == 1
