"""What `vansnap serve` and `vansnap demo` rest on: a free port, a server that answers, a quiet orchestrator, the demo's own truth."""

import http.server
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

import pytest

from data_contracts.errors import InputError, WorkspaceError
from data_contracts.weeks import week_before
from pipelines.commands import demo
from pipelines.weekly import flows, on_schedule
from pipelines.weekly.flows import failure_line, orchestrator_environment
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.serving import check_port_free, wait_until_healthy
from pipelines.workspace.last_runs import note_success
from pipelines.workspace.log import log_path
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.published_sample import make_workspace as made_up


class Answers(http.server.BaseHTTPRequestHandler):
    """Not ready at first, then well."""

    codes: ClassVar[list[int]] = []

    def do_GET(self) -> None:
        self.send_response(self.codes.pop(0) if len(self.codes) > 1 else self.codes[0])
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing."""


@pytest.fixture
def port() -> Iterator[int]:
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Answers) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


def test_a_port_in_use_is_refused_by_number(port: int) -> None:
    with pytest.raises(InputError, match=f"port {port} on 127.0.0.1 can't be used") as refused:
        check_port_free("127.0.0.1", port)
    assert "--port" in str(refused.value)
    check_port_free("127.0.0.1", 0)
    with pytest.raises(InputError, match="can't be used"):
        check_port_free("192.0.2.1", 0)  # no address of this machine


def test_a_server_is_waited_for_until_it_answers_well(port: int, tmp_path: Path) -> None:
    url, log = f"http://127.0.0.1:{port}/health", tmp_path / "server.log"
    with subprocess.Popen([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=subprocess.PIPE) as running:
        Answers.codes = [503, 200]
        wait_until_healthy(url, running, 30.0, log_path=log)
        assert len(Answers.codes) == 1
        Answers.codes = [204]
        with pytest.raises(WorkspaceError, match=rf"no answer from {url} within 0 s: read {log}"):
            wait_until_healthy(url, running, 0.3, log_path=log)
        assert running.stdin is not None
        running.stdin.close()
    with pytest.raises(WorkspaceError, match=f"the server ended with code 0: read {log}"):
        wait_until_healthy(url, running, 30.0, log_path=log)


def test_the_orchestrator_is_private_quiet_and_offline(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", {"settings.toml": ""})
    told = orchestrator_environment(workspace)
    assert Path(told["PREFECT_HOME"]).is_relative_to(tmp_path)
    assert told["DO_NOT_TRACK"] == "1"
    for name in ("SERVER_ANALYTICS", "CLOUD_ENABLE_ORCHESTRATION_TELEMETRY", "TELEMETRY_ENABLE_RESOURCE_METRICS"):
        assert next(value for key, value in told.items() if name in key) == "false"
    assert {
        told[f"PREFECT_{name}_ENABLED"] for name in ("SERVER_UI", "LOGGING_TO_API", "CLIENT_SERVER_VERSION_CHECK")
    } == {"false"}
    assert told["PREFECT_LOGGING_LEVEL"] == "CRITICAL"
    services = {name for name in told if name.startswith("PREFECT_SERVER_SERVICES_")}
    assert "PREFECT_SERVER_SERVICES_SCHEDULER_ENABLED" in services
    assert all(told[name] == "false" for name in services)
    scheduling = orchestrator_environment(workspace, scheduling=True)
    assert set(told) - set(scheduling) == services  # a schedule needs them
    assert all(scheduling[name] == told[name] for name in scheduling)


def test_every_name_told_to_the_orchestrator_is_one_of_its_settings(tmp_path: Path) -> None:
    """A name it does not know would be passed over in silence."""
    command = "import sys; from prefect.settings import get_current_settings; from prefect.settings.legacy import _get_settings_fields; "
    command += "from prefect.settings.models.root import Settings; print(*_get_settings_fields(Settings))"
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip("this version of the orchestrator lists its settings otherwise")
    known = set(done.stdout.split())
    ours = {
        name
        for name in orchestrator_environment(make_workspace(tmp_path / "home", {"settings.toml": ""}))
        if name.startswith("PREFECT_")
    }
    assert ours <= known


def test_what_waits_is_looked_at_again_as_long_as_the_schedule_is_served(tmp_path: Path) -> None:
    looked = threading.Event()
    with on_schedule._every(0.001, Workspace(tmp_path), lambda _: looked.set()):
        assert looked.wait(10)


def test_the_schedule_is_not_served_without_a_server(tmp_path: Path) -> None:
    told = (
        "import subprocess, sys, time\n"
        "from pipelines.weekly import on_schedule\n"
        "server = subprocess.Popen([sys.executable, '-c', sys.argv[1]])\n"
        "on_schedule._ENDING_S = 0.1\n"
        "with on_schedule._ending_with(server):\n"
        "    time.sleep(float(sys.argv[2]))\n"
        "server.terminate()\n"
        "server.wait()\n"
    )
    for server, pause, code in (("raise SystemExit(3)", 60, 1), ("import time; time.sleep(60)", 0, 0)):
        done = subprocess.run(
            [sys.executable, "-c", told, server, str(pause)],
            capture_output=True,
            text=True,
            timeout=50,
            check=False,
        )
        assert done.returncode == code
        assert ("server ended with 3" in done.stderr) == bool(code)


def test_a_run_that_was_due_while_nothing_served_is_made_up_for_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    workspace = make_workspace(tmp_path / "home", {"settings.toml": ""})
    schedule, ran = load_settings(workspace.settings_path).schedule, list[str]()

    def run(command: list[str], *, check: bool) -> None:
        ran.append(" ".join(command[3:]))
        note_success(workspace, "2026-W10")

    monkeypatch.setattr(subprocess, "run", run)
    on_schedule._make_up_for_a_missed_run(workspace, schedule)
    assert not ran  # of a new workspace
    note_success(workspace, "2026-W09", now=datetime.now(UTC) - timedelta(days=8))
    on_schedule._make_up_for_a_missed_run(workspace, schedule)
    on_schedule._make_up_for_a_missed_run(workspace, schedule)
    assert ran == [f"weekly --home {workspace.root}"]
    assert capsys.readouterr().out.count("it is made up for now") == 1
    assert '"run_missed"' in log_path(workspace).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (InputError("settings.toml is broken"), "(settings.toml is broken)"),
        (ZeroDivisionError("division\nby zero"), "(ZeroDivisionError: division by zero)"),
        (KeyError(), "(KeyError: KeyError)"),
        (InputError("x" * 400), f"({'x' * 300})"),
    ],
)
def test_a_scheduled_run_that_failed_is_one_line(error: Exception, reason: str) -> None:
    line = failure_line(error)
    assert reason in line
    assert "\n" not in line
    assert "nothing half-done was kept" in line


def test_the_demo_runs_two_weeks_and_says_what_it_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The week before last first, so that the list can show what changed; an earlier demo only goes if asked."""
    from sample_fleet import demo as sample

    home, ran = tmp_path / "demo", list[tuple[str, datetime]]()

    def write_demo(root: Path, seed: int, *, vans: int, weeks: int, progress: Any) -> None:
        assert (seed, vans, weeks) == (7, 20, 30)
        for week in ("2026-W12", "2026-W13"):
            (root / "inbox" / f"{week}-north").mkdir()
        (root / "truth.csv").write_text(
            "van_id,cause,onset\nN-01,injector_restricted,2026-01-05\nN-02,none,\nS-03,airflow_under_reading,2026-03-23\n"
            "N-03,lambda_slow,2026-03-30\n"
        )

    def run_weekly(workspace: Workspace, week: str, *, quiet: bool, now: datetime) -> WeeklySummary:
        ran.append((week, now))
        if not workspace.published_path.exists():
            made_up(workspace.root, vans_per_depot=4, finished_at=datetime(2026, 3, 27, tzinfo=UTC))
        return WeeklySummary(week, (), 5 if len(ran) == 1 else 0, {"now": 1}, 1, (), True)

    monkeypatch.setattr(sample, "write_demo", write_demo)
    monkeypatch.setattr(flows, "run_weekly", run_weekly)
    told = demo.run_demo(home, vans=20, weeks=30, seed=7, fresh=False)
    assert [week for week, _ in ran] == [week_before("2026-W13"), "2026-W13"]
    assert all(now >= datetime(2026, 3, 30, tzinfo=UTC) for _, now in ran)
    assert ran[0][1] - datetime.now(UTC) < timedelta(minutes=5)
    assert "read: 5 recordings" in told  # by the first run
    found = next(line for line in told.splitlines() if line.startswith("of the "))
    count, hits = (int(found.split()[n]) for n in (2, 10))
    assert 2 <= count <= 10
    assert hits == 2  # what begins after the week does not count
    assert told.splitlines()[-1].startswith(f"open the board: vansnap board --home {home}")
    with pytest.raises(InputError, match="add --fresh to replace it"):
        demo.run_demo(home, vans=20, weeks=30, seed=7, fresh=False)
    (home / "mine.txt").write_text("x")
    demo.run_demo(home, vans=20, weeks=30, seed=7, fresh=True)
    assert not (home / "mine.txt").exists()
    other = make_workspace(tmp_path / "other", {"settings.toml": ""})
    with pytest.raises(InputError):  # a workspace that is no demo stays
        demo.run_demo(other.root, vans=20, weeks=30, seed=7, fresh=True)
