"""What the documents name exists, and every command, table, column and setting is documented."""

import importlib.util
import re
from pathlib import Path

import pytest
import typer

from data_contracts.tables import REGISTER_COLUMNS, TABLES
from pipelines.cli import app
from pipelines.workspace.settings import SETTINGS_TEMPLATE

ROOT = Path(__file__).parents[1]
TOP = ("dashboards", "data_contracts", "models", "pipelines", "sample_fleet", "tests")
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"] + [
    path
    for folder in TOP
    for path in sorted((ROOT / folder).rglob("README.md"))
    if "small_fleet" not in path.parts and "pages" not in path.parts
]
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def _named(text: str) -> set[str]:
    """Paths of the tree a document names: what stands in backticks or in a link, and paths from a top folder."""
    quoted = [word for span in re.findall(r"`([^`\n]+)`", text) for word in re.split(r"[\s,:]+", span)]
    linked = re.findall(r"\]\(([^)#:]+)\)", text)
    files = {word for word in quoted if re.fullmatch(r"[\w./*-]+\.(py|md|typ|sql|css|svg)", word)}
    plain = re.findall(rf"(?<![\w./-])((?:{'|'.join(TOP)})/[\w./*-]*)", text)
    return {word.rstrip(".") for word in (*files, *linked, *plain) if "NNNN" not in word}  # a number of the reader's


def _is_there(path: str, beside: Path) -> bool:
    """From the root, from the document's folder, or anywhere below it (a file a table names by its last part)."""
    if any(next(base.glob(path.rstrip("/")), None) for base in (ROOT, beside)):
        return True
    below = [ROOT / folder for folder in TOP] if beside == ROOT else [beside]
    return any(next(base.rglob(path), None) for base in below if not path.startswith(TOP))


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_path_a_document_names_is_there(document: Path) -> None:
    named = _named(document.read_text(encoding="utf-8"))
    made = {"README.md", "OUT.svg"}  # by `vansnap init` and `vansnap read --plot`
    assert sorted(path for path in named - made if not _is_there(path, document.parent)) == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_module_and_command_a_document_runs_is_there(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    for module in re.findall(r"python -m ([\w.]+)", text):
        assert importlib.util.find_spec(module.rstrip(".")) is not None, module
    for command in re.findall(r"`(?:\.venv/bin/)?vansnap (\w+)", text):
        assert command in COMMANDS, command
    targets = set(re.findall(r"^([\w-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    for target in re.findall(r"`make (\w+)`|^ {4}make (\w+)", text, re.MULTILINE):
        assert set(target) & targets, target


def test_every_command_stands_in_the_table_with_options_it_has() -> None:
    rows = re.findall(
        r"^\| `vansnap (\w+)([^|\n]*?(?:\\\|[^|\n]*)*)` \|(.*)\|$", (ROOT / "README.md").read_text(), re.M
    )
    assert sorted(name for name, *_ in rows) == sorted(COMMANDS)
    for name, arguments, what in rows:
        options = {option for parameter in COMMANDS[name].params for option in parameter.opts}
        assert set(re.findall(r"--[a-z0-9-]+", arguments + what)) <= options, name


def test_every_command_and_option_has_a_line_of_help() -> None:
    for name, command in COMMANDS.items():
        assert command.help, name
        assert [p.name for p in command.params if not getattr(p, "help", None)] == [], name


def test_every_table_and_column_is_described() -> None:
    for name, table in TABLES.items():
        assert table.row, name
        assert [column.name for column in table.columns if not column.description.strip()] == [], name
    for name, columns in REGISTER_COLUMNS.items():
        assert [column.name for column in columns if not column.description.strip()] == [], name


def test_every_setting_has_a_comment() -> None:
    lines = SETTINGS_TEMPLATE.splitlines()
    bare = [
        line
        for before, line in zip(["", *lines], lines, strict=False)
        if re.match(r"\w+ = ", line) and "#" not in line and not before.startswith("#")
    ]
    assert bare == []
