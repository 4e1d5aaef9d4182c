"""How far a run is: told while it holds the workspace, never after."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from data_contracts.facts.rendering import render
from pipelines.commands.status import status_document, status_text
from pipelines.weekly.recipe import week_by_recipe
from pipelines.workspace import run_progress
from pipelines.workspace.run_progress import FILE, note_progress, progress_fact
from pipelines.workspace.step_times import timed
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, recording, row

NOW = datetime(2026, 3, 2, 6, 0, 30, tzinfo=UTC)
BEGUN = "2026-03-02T06:00:00+00:00"


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def noted(home: Workspace, **told: object) -> None:
    """An entry as this process makes it, but for what is told."""
    note_progress(home, "intake")
    path = home.reports / FILE
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **told}), encoding="utf-8")


def said(home: Workspace, language: str = "en", now: datetime = NOW) -> str:
    fact = progress_fact(home.root, now)
    return "" if fact is None else render(fact, language)


def test_a_count_says_how_fast_and_how_long(home: Workspace) -> None:
    with home.held():
        noted(home, begun=BEGUN, at="2026-03-02T06:00:20+00:00", done=12_400, total=40_080)
        assert said(home) == "It takes in recordings: 12,400 of 40,080, 620 a second, the rest in about 45\u00a0s."
        assert (
            said(home, "de") == "Er übernimmt Aufnahmen: 12.400 von 40.080, 620 je Sekunde, der Rest in etwa 45\u00a0s."
        )
        noted(home, begun=BEGUN, at="2026-03-02T06:00:20+00:00", done=50, total=40_080)
        assert said(home) == "It takes in recordings: 50 of 40,080, 2.5 a second, the rest in about 4.4\u00a0h."


@pytest.mark.parametrize(("at", "done"), [("2026-03-02T06:00:02+00:00", 900), ("2026-03-02T06:00:20+00:00", 0)])
def test_what_has_hardly_begun_says_no_end(home: Workspace, at: str, done: int) -> None:
    with home.held():
        noted(home, begun=BEGUN, at=at, done=done, total=40_080)
        assert said(home) == f"It takes in recordings: {done} of 40,080."


def test_what_counts_nothing_says_how_long_it_took_last_time(home: Workspace) -> None:
    with home.held():
        noted(home, stage="tracking", begun=BEGUN)
        assert said(home) == "It judges the fleet, for 30\u00a0s so far."
        noted(home, stage="tracking", begun=BEGUN, last_time=250.0)
        assert said(home) == "It judges the fleet, for 30\u00a0s so far (last time 4\u00a0min)."
        before = datetime(2026, 3, 2, 5, 59, tzinfo=UTC)
        assert "for 0\u00a0s" in said(home, now=before)  # a clock that was set back


def test_a_step_knows_its_last_time_and_leaves_nothing(home: Workspace) -> None:
    with home.held():
        with timed(home, "publish"):
            assert said(home, now=datetime.now(UTC)) == "It publishes what it found, for 0\u00a0s so far."
        step = timed(home, "publish")
        step.__enter__()
        assert (
            said(home, now=datetime.now(UTC)) == "It publishes what it found, for 0\u00a0s so far (last time 0\u00a0s)."
        )
        assert step.__exit__(ValueError, ValueError("odd"), None) is False
    assert not (home.reports / FILE).exists()


def test_what_can_not_be_written_stops_no_step(home: Workspace) -> None:
    home.reports.rmdir()
    home.reports.write_text("no folder", encoding="utf-8")
    with home.held(), timed(home, "publish"):
        assert said(home) == ""


def test_a_run_that_holds_nothing_any_more_is_not_told(home: Workspace) -> None:
    note_progress(home, "reading")
    assert said(home) == ""  # it was killed, or never held it
    killed = "from pathlib import Path; from pipelines.workspace.workspace import Workspace; import sys, time\n"
    killed += "with Workspace(Path(sys.argv[1])).held(): print(flush=True); time.sleep(60)"
    other = subprocess.Popen([sys.executable, "-c", killed, str(home.root)], stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        other.stdout.readline()
        assert said(home) == ""  # somebody else does, for something else
        noted(home, process=other.pid)
        assert said(home) != ""
    finally:
        other.kill()
        other.communicate()
    assert said(home) == ""


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"stage": "reading", "begun": 3}', "\udcff"])
def test_what_can_not_be_read_tells_nothing(home: Workspace, text: str) -> None:
    home.reports.mkdir(exist_ok=True)
    (home.reports / FILE).write_bytes(os.fsencode(text))
    with home.held():
        assert progress_fact(home.root, NOW) is None


def test_counts_are_written_once_in_a_while(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [100.0]
    monkeypatch.setattr(run_progress.time, "monotonic", lambda: clock[0])
    with home.held():
        count = note_progress(home, "reading")
        seen = []
        for done in range(7):
            count(done, 6)
            seen.append(json.loads((home.reports / FILE).read_text(encoding="utf-8"))["done"])
            clock[0] += 0.4
    assert seen == [0, 0, 0, 3, 3, 3, 6]


def test_a_week_tells_what_it_does_as_it_goes(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    deliver(home.inbox / "d1", [row("1.csv")], {"1.csv": recording(1)})
    written: list[dict[str, Any]] = []
    keep = run_progress.keep_document

    def keeping(path: Path, document: dict[str, Any]) -> bool:
        written.append(dict(document))
        return keep(path, document)

    monkeypatch.setattr(run_progress, "EVERY", 0.0)
    monkeypatch.setattr(run_progress, "keep_document", keeping)

    def once(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        return step

    with home.held():
        week_by_recipe(home.root, None, quiet=True, now=NOW, trying=once)
    stages = list(dict.fromkeys(entry["stage"] for entry in written))
    assert stages == ["intake", "packing", "reading", "tracking", "publish", "retention"]
    assert {(entry["stage"], entry["done"], entry["total"]) for entry in written} >= {
        ("intake", 1, 1),
        ("reading", 1, 1),
    }
    assert not (home.reports / FILE).exists()


def test_status_says_what_goes_on(home: Workspace) -> None:
    assert status_document(home)["running"] is None
    assert "in progress" not in status_text(home)
    with home.held():
        noted(home, stage="reading", begun=BEGUN, at="2026-03-02T06:00:20+00:00", done=10, total=40)
        assert (
            "a run is in progress. It reads recordings: 10 of 40, 0.5 a second, the rest in about 60\u00a0s."
            in status_text(home, now=NOW)
        )
        assert status_document(home)["running"]["done"] == 10
