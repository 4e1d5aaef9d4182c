"""The workspace: made once, held by one run, free again when that run dies."""

import errno
import fcntl
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from data_contracts.errors import InputError, WorkspaceBusyError, WorkspaceError
from pipelines.cli import run
from pipelines.commands.status import status_text
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.last_runs import LastRuns, last_runs, missed_run, next_run, note_failure, note_success
from pipelines.workspace.settings import ScheduleSettings
from pipelines.workspace.workspace import FOLDERS, make_workspace, open_workspace


def test_a_new_workspace_has_every_folder_and_opens(tmp_path: Path) -> None:
    made = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    assert {path.name for path in made.root.iterdir() if path.is_dir()} == set(FOLDERS)
    assert open_workspace(tmp_path / "home") == made


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(InputError, match="not empty"):
        make_workspace(tmp_path, EXAMPLE_FILES)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_folder_that_is_no_workspace_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WorkspaceError, match="vansnap init"):
        open_workspace(tmp_path)


def test_one_run_at_a_time_and_the_lock_dies_with_its_holder(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, time; from pathlib import Path; from pipelines.workspace.workspace import Workspace\n"
            "with Workspace(Path(sys.argv[1])).held():\n    print('held', flush=True); time.sleep(60)",
            str(workspace.root),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline().strip() == "held"
    with pytest.raises(WorkspaceBusyError, match=str(holder.pid)), workspace.held():
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with workspace.held():
        assert (workspace.root / ".lock").exists()


def test_who_only_asks_for_a_moment_keeps_no_run_from_starting(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    with workspace.held():
        pass
    with (workspace.root / ".lock").open("rb") as lock, ThreadPoolExecutor(1) as other:
        fcntl.flock(lock, fcntl.LOCK_SH)
        other.submit(lambda: (time.sleep(0.05), fcntl.flock(lock, fcntl.LOCK_UN)))
        with workspace.held():
            assert workspace.held_by(os.getpid())


def test_what_a_command_writes_is_closed_to_others(tmp_path: Path) -> None:
    def modes(umask: int) -> set[int]:
        home = tmp_path / f"{umask:o}"
        before = os.umask(umask)
        try:
            assert run(["init", str(home)]) == 0
            with open_workspace(home).held():
                pass
            assert os.umask(umask) == umask  # the caller's own is put back
        finally:
            os.umask(before)
        return {path.stat().st_mode & 0o777 for path in (home, *home.rglob("*"))}

    assert modes(0o022) == {0o750, 0o640}
    assert modes(0o000) == {0o750, 0o640}
    assert modes(0o077) == {0o700, 0o600}


def test_the_report_of_a_failure_lies_in_the_workspace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    make_workspace(tmp_path / "home", EXAMPLE_FILES)
    monkeypatch.setattr("pipelines.commands.status.status_text", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "elsewhere"))
    (tmp_path / "elsewhere").mkdir()
    for given in (["--home", str(tmp_path / "home")], [f"--home={tmp_path / 'home'}"]):
        assert run(["status", *given]) == 4
        said = capsys.readouterr().err
        assert str(tmp_path / "home" / "reports" / "failures") in said
        assert said.count("\n") == 1
    reports = list((tmp_path / "home" / "reports" / "failures").iterdir())
    assert len(reports) == 2
    assert all("division by zero" in report.read_text() for report in reports)
    assert all(report.stat().st_mode & 0o077 in (0, 0o040) for report in reports)
    assert not list((tmp_path / "elsewhere").iterdir())


def test_the_state_of_the_last_runs_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    workspace = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    assert last_runs(workspace.root) == LastRuns()
    assert run(["status", "--home", str(workspace.root)]) == 0
    assert "last good run: none yet" in capsys.readouterr().out
    at = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
    note_success(workspace, "2026-W09", now=at)
    for days in (7, 14):
        note_failure(workspace, "the register\nis not there: put it back", now=at + timedelta(days=days))
    state = last_runs(workspace.root)
    assert state == LastRuns(at, "2026-W09", at + timedelta(days=7), 2, "the register is not there: put it back")
    told = status_text(workspace, now=at + timedelta(days=15)).splitlines()
    assert told == [
        "last good run: 2026-03-02 05:00 UTC, week 2026-W09",
        "failing since 2026-03-09 05:00 UTC (2 runs): the register is not there: put it back",
        "next run by the schedule, while `vansnap serve` is running: 2026-03-23 05:00 UTC",
    ]
    note_success(workspace, "2026-W12", now=at + timedelta(days=21))
    assert not last_runs(workspace.root).failing
    (workspace.reports / "last_runs.json").write_text("[]")
    assert last_runs(workspace.root) == LastRuns()


def test_the_next_run_is_told_in_the_zone_of_the_schedule() -> None:
    now = datetime(2026, 3, 27, 12, 0, tzinfo=UTC)  # summer time begins in Lisbon on 29 March
    schedule = ScheduleSettings(cron="0 5 * * 1", timezone="Europe/Lisbon")
    assert next_run(schedule, now) == datetime(2026, 3, 30, 4, 0, tzinfo=UTC)
    assert next_run(ScheduleSettings(cron="0 5 31 2 *"), now) is None


@pytest.mark.parametrize(
    ("good", "failed", "missed"),
    [
        ("2026-03-23T04:00:30", None, None),  # that Monday's
        ("2026-03-25T12:00:00", None, None),  # by hand later
        ("2026-03-22T23:00:00", None, "2026-03-23T04:00:00"),  # by hand on the day before
        ("2026-03-16T04:01:00", None, "2026-03-23T04:00:00"),
        ("2026-03-16T04:01:00", "2026-03-23T04:00:10", "2026-03-23T04:00:00"),  # failed or killed
        (None, "2026-03-23T04:00:10", "2026-03-23T04:00:00"),
        (None, None, None),  # a new workspace waits for its first Monday
    ],
)
def test_a_run_is_missed_where_none_has_succeeded_since_it_was_due(
    good: str | None, failed: str | None, missed: str | None
) -> None:
    def moment(text: str | None) -> datetime | None:
        return None if text is None else datetime.fromisoformat(text).replace(tzinfo=UTC)

    schedule = ScheduleSettings(cron="0 5 * * 1", timezone="Europe/Berlin")
    now = datetime(2026, 3, 27, 12, tzinfo=UTC)  # a Friday
    state = LastRuns(moment(good), "2026-W12" if good else "", moment(failed), int(failed is not None), "")
    assert missed_run(state, schedule, now) == moment(missed)
    assert missed_run(state, ScheduleSettings(cron="0 5 31 2 *"), now) is None


def test_a_share_that_knows_no_locks_is_one_clear_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    workspace = make_workspace(tmp_path / "home", EXAMPLE_FILES)

    def refused(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr("fcntl.flock", refused)
    with pytest.raises(WorkspaceError, match="move the workspace to a local disk") as caught, workspace.held():
        pass
    assert "\n" not in str(caught.value)
