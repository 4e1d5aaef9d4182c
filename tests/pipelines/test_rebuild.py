"""A lost warehouse made again from what was kept, table by table the one that was lost; and `check`, which looks at all of it."""

import hashlib
import json
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from data_contracts.errors import WorkspaceError
from data_contracts.tables import TABLES
from pipelines.commands.check import check_workspace
from pipelines.commands.rebuild import DRAFT, rebuild, rebuild_text
from pipelines.decisions.quarantine_decisions import ItemDecision, record_item
from pipelines.intake.corrections import Mend, record_mend
from pipelines.intake.journal import read_journal
from pipelines.storage.warehouse import Warehouse, open_warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, ask, deliver, make_home, recording, row

DAY = timedelta(days=1)


def tables(workspace: Workspace) -> dict[str, pl.DataFrame]:
    with Warehouse(workspace.warehouse_path) as warehouse:
        return {name: warehouse.query(f'SELECT * FROM "{name}" ORDER BY ALL') for name in TABLES}


def differing(before: dict[str, pl.DataFrame], after: dict[str, pl.DataFrame]) -> list[str]:
    return [name for name in before if not before[name].equals(after[name])]


def item(home: Workspace, file: str) -> str:
    return str(ask(home, f"SELECT item_id FROM quarantine WHERE file = '{file}' AND state = 'waiting'").item())


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace after four intakes: corrections in both orders, a mend, a discarded item, a claim that won, duplicates."""
    home = make_home(tmp_path_factory.mktemp("lived") / "home")

    def intake(day: int) -> None:
        steps.intake(home.root, now=NOW + day * DAY)
        steps.read_captures(home.root)

    deliver(
        home.inbox / "one",
        [row("w.csv", coolant_c="12"), row("x.csv", van="V009")],
        {"w.csv": recording(1), "x.csv": recording(2)},
    )
    deliver(
        home.inbox / "two", [row("y.csv", van="V002")], {"y.csv": recording(3), "extra.csv": recording(4)}, zipped=True
    )
    intake(0)
    deliver(
        home.inbox / "one", [row("w.csv", coolant_c="85")], {"w.csv": recording(1)}
    )  # the same name again, corrected
    deliver(home.inbox / "other", [row("y.csv", van="V003")], {"y.csv": recording(3)})
    record_mend(home, Mend("one", 2, {"van_id": "V003"}, NOW + DAY, "Ann"))
    record_item(home, ItemDecision(item(home, "extra.csv"), "discarded", NOW + DAY, "Ann", "not a snap"))
    intake(1)
    record_item(home, ItemDecision(item(home, "y.csv"), "taken_in", NOW + 2 * DAY, "Ann", "it was the other van"))
    intake(2)
    shutil.copytree(home.delivered / "one", home.inbox / "late")
    intake(3)
    return home


@pytest.fixture
def home(lived: Workspace, tmp_path: Path) -> Workspace:
    shutil.copytree(lived.root, tmp_path / "home")
    return Workspace(tmp_path / "home")


def test_what_was_lost_is_made_again_table_by_table(home: Workspace) -> None:
    before = tables(home)
    assert before["recordings"].filter(pl.col("state") == "superseded").height == 2
    assert set(before["quarantine"]["state"]) == {"taken_in", "discarded", "waiting"}
    files = {path: path.read_bytes() for path in home.root.rglob("*") if path.is_file() and path.suffix != ".duckdb"}
    for lost in (home.warehouse_path, *home.waveforms.glob("*.parquet")):
        lost.unlink()
    with pytest.raises(WorkspaceError, match=r"vansnap restore.*vansnap rebuild"), open_warehouse(home):
        pass
    said: list[str] = []
    made = rebuild(home, told=said.append)
    assert (made.deliveries, made.absent, made.aside) == (5, (), "")
    assert len(said) == len(read_journal(home))
    assert differing(before, tables(home)) == []
    assert {path: path.read_bytes() for path in files} == files
    assert not (home.root / DRAFT).exists()
    (finding,) = check_workspace(home)
    assert finding.startswith("in quarantine: late x.csv")
    assert differing(before, tables(home)) == []
    steps.intake(home.root, now=NOW + 4 * DAY)
    assert differing(before, tables(home)) == []


def test_a_damaged_warehouse_is_kept_beside_the_new_one(home: Workspace) -> None:
    before = tables(home)
    home.warehouse_path.write_bytes(b"no database")
    made = rebuild(home, now=NOW)
    assert made.aside == "warehouse.duckdb.before-20260401T060000Z"
    assert (home.root / made.aside).read_bytes() == b"no database"
    assert made.aside in rebuild_text(made, home.root)
    assert differing(before, tables(home)) == []


def test_a_delivery_whose_files_are_gone_is_named_and_the_rest_is_made(home: Workspace) -> None:
    before = tables(home)
    shutil.rmtree(home.quarantine / "late")
    home.warehouse_path.unlink()
    made = rebuild(home)
    assert made.absent == ("late",)
    assert "delivery late is in the journal, but its files are gone" in rebuild_text(made, home.root)
    assert sorted(differing(before, tables(home))) == ["deliveries", "manifest_rows", "quarantine"]


def test_a_rebuild_that_is_cut_off_leaves_everything_as_it_was(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(home)
    with home.held():
        files = sorted(path.relative_to(home.root) for path in home.root.rglob("*"))

    def cut_off(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("pipelines.commands.rebuild._swap", cut_off)
        with pytest.raises(KeyboardInterrupt):
            rebuild(home)
    assert sorted(path.relative_to(home.root) for path in home.root.rglob("*")) == files
    assert differing(before, tables(home)) == []


def test_a_workspace_from_before_the_journal_gets_one_with_its_next_run(home: Workspace) -> None:
    before = tables(home)
    shutil.rmtree(home.waveforms / "journal")
    with pytest.raises(WorkspaceError, match="vansnap restore"):
        rebuild(home)
    deliver(home.inbox / "more", [row("z.csv", at="2026-03-03T09:00:00Z")], {"z.csv": recording(9)})
    steps.intake(home.root, now=NOW + 5 * DAY)
    steps.read_captures(home.root)
    assert [len(entry.deliveries) for entry in read_journal(home)] == [2, 2, 1, 1]
    after = tables(home)
    assert after["deliveries"].height == before["deliveries"].height + 1
    home.warehouse_path.unlink()
    rebuild(home)
    held = "SELECT delivery, row, state FROM recordings ORDER BY ALL"
    assert ask(home, held).equals(
        after["recordings"].select("delivery", "row", "state").sort("delivery", "row", "state")
    )


def flip(path: Path, place: float = 0.5) -> None:
    content = bytearray(path.read_bytes())
    content[int(place * (len(content) - 1))] ^= 0x10
    path.write_bytes(content)


def first(folder: Path, pattern: str) -> Path:
    return min(folder.glob(pattern))


DAMAGES: dict[str, tuple[Callable[[Workspace], object], str]] = {
    "a bit of an original": (
        lambda home: flip(home.delivered / "one" / "w.csv"),
        "waveforms/delivered/one/w.csv is no longer what was delivered",
    ),
    "a bit of a zip": (
        lambda home: flip(home.delivered / "two.zip"),
        "waveforms/delivered/two.zip is no longer what was delivered",
    ),
    "an original gone": (
        lambda home: (home.delivered / "one" / "x.csv").unlink(),
        "waveforms/delivered/one/x.csv is missing",
    ),
    "an original gone while a row waits": (
        lambda home: (home.quarantine / "late" / "w.csv").unlink(),
        "quarantine/late/w.csv is missing",
    ),
    "a folder gone": (lambda home: shutil.rmtree(home.delivered / "one"), "delivery one: its files are gone"),
    "a file added": (
        lambda home: (home.delivered / "one" / "new.csv").write_text("x"),
        "waveforms/delivered/one/new.csv was added",
    ),
    "a decision altered": (
        lambda home: (path := first(home.decisions / "taken", "*.json")).write_text(
            path.read_text("utf-8").replace("Ann", "Bob"), "utf-8"
        ),
        "is not what was decided",
    ),
    "a decision gone": (
        lambda home: first(home.decisions / "taken", "*.json").unlink(),
        "is missing, though it is in force",
    ),
    "a mend altered": (
        lambda home: (path := first(home.decisions / "mends", "*.json")).write_text(
            path.read_text("utf-8").replace("Ann", "Bob"), "utf-8"
        ),
        "is no longer what was said",
    ),
    "a mend gone": (lambda home: first(home.decisions / "mends", "*.json").unlink(), "decisions/mends/"),
    "a report": (lambda home: first(home.checks, "*.json").write_text("{"), "can't be read"),
    "the journal": (
        lambda home: first(home.waveforms / "journal", "*.json").write_text("{}"),
        "`vansnap rebuild` needs it",
    ),
    "a model": (lambda home: flip(home.models / "m.skops"), "models/m.skops is no longer what was written"),
    "a model gone": (lambda home: (home.models / "m.skops").unlink(), "models/m.skops is missing"),
    **{
        f"bit {place:.0%} of a chunk": (
            lambda home, place=place: flip(first(home.waveforms, "*.parquet"), place),  # type: ignore[misc]
            "is no longer what was written",
        )
        for place in (0.0, 0.3, 0.9, 1.0)
    },
}


@pytest.mark.parametrize("what", DAMAGES)
def test_check_finds_whatever_is_damaged_or_missing(home: Workspace, what: str) -> None:
    (home.models / "m.skops").write_bytes(b"a model" * 100)
    digest = hashlib.sha256(b"a model" * 100).hexdigest()
    (home.models / "cards.json").write_text(json.dumps([{"family": "m", "file": "m.skops", "sha256": digest}, {}]))
    damage, told = DAMAGES[what]
    damage(home)
    said: list[str] = []
    findings = [line for line in check_workspace(home, told=said.append) if not line.startswith("in quarantine: ")]
    assert any(told in line for line in findings), findings
    assert all(len(line.splitlines()) == 1 and ":" in line for line in findings)
    assert "deliveries and" in said[0]
    assert "not looked at: inbox/" in said[-1]


def test_a_deep_check_finds_a_result_that_its_samples_do_not_give(home: Workspace) -> None:
    said: list[str] = []
    (finding,) = check_workspace(home, deep=True, told=said.append)
    assert finding.startswith("in quarantine: late")
    assert "reading every sample again" in said
    assert "reading every recording anew" in said
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("UPDATE captures SET odometer_km = 7 WHERE delivery = 'one'")
    findings = check_workspace(home, deep=True)
    assert [line for line in findings if line.startswith("table captures differs when read anew, in odometer_km: run")]
    assert not (home.root / DRAFT).exists()
