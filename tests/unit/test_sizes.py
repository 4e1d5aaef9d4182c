"""No function is too long to read at once, no file too long to keep in mind, and nothing lies at the top that doesn't belong there."""

import ast
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP = ("dashboards", "data_contracts", "models", "pipelines", "sample_fleet", "tests")
FILES = sorted(path for folder in TOP for path in (ROOT / folder).rglob("*.py"))
BESIDE = {"CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "pyproject.toml"}
MOST_IN_FUNCTION, MOST_IN_FILE = 80, 400  # lines; of our choosing


def _may_be_longer(path: Path) -> bool:
    """Lists of what the contracts name, and of words."""
    return path.is_relative_to(ROOT / "data_contracts") or path in (
        *(ROOT / "dashboards" / f"words_{language}.py" for language in ("en", "de")),
        *(ROOT / "pipelines" / "reports" / f"paper_words_{language}.py" for language in ("en", "de")),
    )


def _long_functions(source: str) -> list[str]:
    return [
        f"{node.name}: {lines} lines"
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (lines := (node.end_lineno or node.lineno) - node.lineno + 1) > MOST_IN_FUNCTION
    ]


@pytest.mark.parametrize("folder", TOP)
def test_no_function_is_over_80_lines(folder: str) -> None:
    files = [path for path in FILES if path.is_relative_to(ROOT / folder)]
    assert files
    long = {path.relative_to(ROOT).as_posix(): _long_functions(path.read_text(encoding="utf-8")) for path in files}
    assert {path: functions for path, functions in long.items() if functions} == {}


def test_no_file_is_over_400_lines_but_contracts_and_words() -> None:
    lines = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in FILES if not _may_be_longer(path)}
    assert len(lines) > 100
    assert {path.relative_to(ROOT).as_posix(): count for path, count in lines.items() if count > MOST_IN_FILE} == {}


def test_lines_are_counted_from_the_def_to_the_last_line_also_within_classes() -> None:
    def body(lines: int) -> str:
        return "class A:\n    def f(self):\n" + "        pass\n" * (lines - 1)

    assert _long_functions(body(80)) == []
    assert _long_functions(body(81)) == ["f: 81 lines"]
    assert _long_functions(body(81).replace("def f", "async def f")) == ["f: 81 lines"]


def test_at_the_top_lie_the_folders_and_what_belongs_beside_them() -> None:
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True).stdout
    top = {line.partition("/")[0] for line in listed.splitlines()}
    assert {name for name in top if not name.startswith(".") and not name.endswith(".lock")} == {*TOP, *BESIDE}
