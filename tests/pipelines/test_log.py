"""The log of a workspace: one JSON object a line, bounded, from several processes at once."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.workspace import log
from pipelines.workspace.log import log_path, note
from pipelines.workspace.step_times import step_times, timed
from pipelines.workspace.workspace import Workspace

WRITES = """
import sys
from pathlib import Path
from pipelines.workspace import log
from pipelines.workspace.workspace import Workspace
log.MOST_BYTES = 4000
for number in range(100):
    log.note(Workspace(Path(sys.argv[1])), "step", number=number, who=sys.argv[2])
"""


def lines(workspace: Workspace) -> list[dict[str, object]]:
    return [json.loads(line) for line in log_path(workspace).read_text(encoding="utf-8").splitlines()]


def test_a_line_is_one_object_whatever_it_tells(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path)
    note(workspace, "run", good=False, why="two\nlines of \udcff " + "x" * 900, seconds=1.5, week=None)
    (told,) = lines(workspace)
    assert (told["event"], told["good"], told["seconds"], told["week"]) == ("run", False, 1.5, None)
    assert str(told["why"]).startswith("two lines of")
    assert len(str(told["why"])) == 400
    assert str(told["at"]).endswith("+00:00")


def test_files_are_bounded_and_no_line_is_lost_between_processes(tmp_path: Path) -> None:
    writers = [subprocess.Popen([sys.executable, "-c", WRITES, str(tmp_path), who]) for who in "ab"]
    assert [writer.wait(60) for writer in writers] == [0, 0]
    files = sorted(log_path(Workspace(tmp_path)).parent.glob("vansnap.jsonl*"))
    assert len(files) == log.FILES
    assert all(file.stat().st_size <= 4000 for file in files)
    told = [json.loads(line) for file in files for line in file.read_text().splitlines()]
    for who in "ab":
        numbers = sorted(one["number"] for one in told if one["who"] == who)
        assert numbers == list(range(100 - len(numbers), 100))


def test_a_log_that_cant_be_written_stops_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    workspace = Workspace(tmp_path / "home")
    workspace.root.mkdir()
    workspace.reports.write_text("a file, where a folder is meant")
    note(workspace, "run", good=True)
    monkeypatch.setattr(log, "_write", full)
    note(Workspace(tmp_path), "run", good=True)
    assert capsys.readouterr() == ("", "")


def full(_path: Path, _line: str) -> None:
    raise OSError(28, "No space left on device")


def test_steps_are_timed_also_where_they_fail(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path)
    assert step_times(workspace) == {}
    with timed(workspace, "intake"):
        pass
    with pytest.raises(KeyError), timed(workspace, "reading"):
        raise KeyError
    assert list(step_times(workspace)) == ["intake", "reading"]
    assert [(one["step"], one["good"]) for one in lines(workspace)] == [("intake", True), ("reading", False)]
    (workspace.reports / "step_times.json").write_text("[1]")
    assert step_times(workspace) == {}
