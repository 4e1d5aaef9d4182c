"""Whether a kernel has been compiled on this machine: by its machine code on disk, newer than its source."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

from models.statistics import compiled as kernels
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


CALLING = """
import sys

from models.reading.unpacked import third


if __name__ == "__main__":
    print(third(1.0))
"""
UNPACKED = """
from models.reading.packed import whole
from models.statistics.compiled import kernel


@kernel
def third(value):
    return whole(value) / 3.0
"""
PACKED = """
from models.statistics.compiled import kernel


@kernel
def whole(value):
    return value * {factor}
"""


def test_a_kept_folder_never_gives_the_kernels_of_another_version(tmp_path: Path) -> None:
    """A kernel holds those it calls, of other files too: its own file is as it was, the one called has changed."""
    program, kept = tmp_path / "program", tmp_path / "kept"
    for package in ("models", "models/statistics", "models/reading"):
        (program / package).mkdir(parents=True)
        (program / package / "__init__.py").touch()
    source = Path(kernels.__file__).read_text(encoding="utf-8")
    (program / "models/statistics/compiled.py").write_text(source, encoding="utf-8")
    (program / "models/reading/unpacked.py").write_text(UNPACKED)
    (program / "run.py").write_text(CALLING)

    def run(factor: float) -> str:
        (program / "models/reading/packed.py").write_text(PACKED.format(factor=factor))
        told = {**os.environ, "PYTHONPATH": str(program), kernels.FOLDER_VARIABLE: str(kept)}
        done = subprocess.run(
            [sys.executable, str(program / "run.py")], capture_output=True, text=True, check=True, env=told
        )
        return done.stdout.strip()

    assert [run(3.0), run(6.0), run(3.0)] == ["1.0", "2.0", "1.0"]
    assert len(list(kept.iterdir())) == 2, "one folder for each version"


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
