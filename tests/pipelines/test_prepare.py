"""Whether a kernel has been compiled on this machine: by its machine code on disk, newer than its source."""

import importlib.util
import os
from pathlib import Path

import pytest

from models.statistics.compiled import is_compiled
from pipelines.weekly import prepare

SOURCE = """
from models.statistics.compiled import kernel


@kernel
def double(values):
    return values + values
"""


def test_a_kernel_is_compiled_until_its_source_changes(tmp_path: Path) -> None:
    path = tmp_path / "doubling.py"
    path.write_text(SOURCE)
    given = importlib.util.spec_from_file_location("doubling", path)
    assert given is not None
    assert given.loader is not None
    module = importlib.util.module_from_spec(given)
    given.loader.exec_module(module)
    assert not is_compiled(module.double)
    assert module.double(2) == 4
    assert is_compiled(module.double)
    later = path.stat().st_mtime + 60
    os.utime(path, (later, later))
    assert not is_compiled(module.double)


@pytest.mark.parametrize(("terminal", "compiled"), [(True, False), (True, True), (False, False)])
def test_the_first_use_says_why_it_takes_long(
    terminal: bool, compiled: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(prepare, "reading_is_compiled", lambda: compiled)
    monkeypatch.setattr(prepare.sys.stderr, "isatty", lambda: terminal)
    prepare.say_first_use()
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == (f"{prepare.FIRST_USE}\n" if terminal and not compiled else "")


def test_nothing_is_compiled_twice(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(prepare, "reading_is_compiled", lambda: True)
    prepare.prepare()
    assert capsys.readouterr().out == ""
