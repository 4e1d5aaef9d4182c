"""`vansnap rebuild`: a lost warehouse made again from what was kept, table by table the one that was lost."""

import shutil
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
    assert differing(before, tables(home)) == ["deliveries", "manifest_rows", "quarantine"]


def test_a_rebuild_that_is_cut_off_leaves_everything_as_it_was(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tables(home)
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
