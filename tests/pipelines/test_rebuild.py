"""A lost warehouse made again from what was kept, table by table the one that was lost; and `check`, which looks at all of it."""

import errno
import hashlib
import json
import os
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.errors import WorkspaceError
from data_contracts.tables import TABLES
from pipelines.commands import rebuild as rebuild_module
from pipelines.commands.check import check_workspace
from pipelines.commands.rebuild import DRAFT, _linked, rebuild, rebuild_text
from pipelines.decisions.proofs import PERSON
from pipelines.decisions.quarantine_decisions import ItemDecision, record_item
from pipelines.intake.corrections import Mend, record_mend
from pipelines.intake.journal import kept_deliveries, read_journal
from pipelines.storage.packed_folder import unpack
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
    unpack(home.delivered / "one.tar.zst", home.inbox / "late")
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


@pytest.mark.parametrize("decided", ["a mend", "an item let in"])
def test_what_was_let_in_by_a_run_that_ended_before_it_wrote_it_down_is_made_again(
    home: Workspace, monkeypatch: pytest.MonkeyPatch, decided: str
) -> None:
    if decided == "a mend":
        record_mend(home, Mend("late", 2, {"van_id": "V003"}, NOW + 4 * DAY, "Ann"))
    else:
        deliver(home.inbox / "again", [row("z.csv", van="V001")], {"z.csv": recording(3)})
        steps.intake(home.root, now=NOW + 4 * DAY)
        record_item(
            home, ItemDecision(item(home, "z.csv"), "taken_in", NOW + 4 * DAY, "Ann", "the plates were swapped")
        )
    with monkeypatch.context() as patched:
        patched.setattr(steps, "note_intake", lambda *_, **__: None)
        steps.intake(home.root, now=NOW + 5 * DAY)
    steps.intake(home.root, now=NOW + 6 * DAY)
    steps.read_captures(home.root)
    before, written = tables(home), len(read_journal(home))
    rebuild(home)
    assert differing(before, tables(home)) == []
    steps.intake(home.root, now=NOW + 7 * DAY)
    assert len(read_journal(home)) == written, "nothing more to write down"


def test_a_rebuild_that_is_cut_off_leaves_everything_as_it_was(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    with home.held():
        files = sorted(path.relative_to(home.root) for path in home.root.rglob("*"))
    content = home.warehouse_path.read_bytes()

    def cut_off(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipelines.commands.rebuild._replay", cut_off)
    with pytest.raises(KeyboardInterrupt):
        rebuild(home)
    assert sorted(path.relative_to(home.root) for path in home.root.rglob("*")) == files
    assert home.warehouse_path.read_bytes() == content


def test_a_damaged_warehouse_is_kept_and_a_delivery_that_is_gone_is_named(home: Workspace) -> None:
    before = tables(home)
    shutil.rmtree(home.quarantine / "late")
    home.warehouse_path.write_bytes(b"no database")
    made = rebuild(home, now=NOW)
    assert made.aside == "warehouse.duckdb.before-20260401T060000Z"
    assert (home.root / made.aside).read_bytes() == b"no database"
    assert made.absent == ("late",)
    said = rebuild_text(made, home.root)
    assert made.aside in said
    assert "delivery late is in the journal, but its files are gone" in said
    assert sorted(differing(before, tables(home))) == ["deliveries", "manifest_rows", "quarantine"]


def test_a_workspace_from_before_the_journal_gets_one_with_its_next_run(home: Workspace) -> None:
    shutil.rmtree(home.waveforms / "journal")
    with pytest.raises(WorkspaceError, match="vansnap restore"):
        rebuild(home)
    deliver(home.inbox / "more", [row("z.csv", at="2026-03-03T09:00:00Z")], {"z.csv": recording(9)})
    steps.intake(home.root, now=NOW + 5 * DAY)
    entries = read_journal(home)
    assert [len(entry.deliveries) for entry in entries] == [2, 2, 1, 1]
    assert [entry.at for entry in entries] == [NOW, NOW + DAY, NOW + 3 * DAY, NOW + 5 * DAY]
    assert len(entries[-1].decisions) == 3


def test_a_run_goes_on_past_an_entry_that_can_not_be_read_and_writes_over_none(home: Workspace) -> None:
    journal = home.waveforms / "journal"
    broken = first(journal, "*.json")
    whole = broken.read_bytes()
    broken.write_text("{")
    before = {path: path.read_bytes() for path in journal.iterdir()}
    deliver(home.inbox / "more", [row("z.csv", at="2026-03-03T09:00:00Z")], {"z.csv": recording(9)})
    steps.intake(home.root, now=NOW + 5 * DAY)
    assert {path: path.read_bytes() for path in before} == before
    with pytest.raises(WorkspaceError, match=r"journal/000001\.json can't be read"):
        rebuild(home)
    broken.unlink()
    newest = max(journal.glob("*.json"))
    content = newest.read_bytes()
    deliver(home.inbox / "last", [row("z.csv", at="2026-03-04T09:00:00Z")], {"z.csv": recording(10)})
    steps.intake(home.root, now=NOW + 6 * DAY)
    assert newest.read_bytes() == content
    assert {"one", "two", "more", "last"} <= kept_deliveries(read_journal(home)).keys()
    broken.write_bytes(whole)
    steps.read_captures(home.root)
    was = tables(home)
    rebuild(home)
    assert differing(was, tables(home)) == []


def test_after_a_rebuild_no_run_is_written_down_twice(home: Workspace) -> None:
    steps.track(home.root, "2026-W10")
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("UPDATE runs SET run_id = 'of another version'")
    before = len(read_journal(home))
    steps.intake(home.root, now=NOW + 5 * DAY)
    assert len(read_journal(home)) == before


def test_proofs_made_again_take_the_place_of_those_that_were_worded_otherwise(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def proof(workspace: Workspace, name: str) -> Path:
        path = workspace.decisions / "taken" / f"{name}.json"
        path.parent.mkdir(exist_ok=True)
        path.write_text(json.dumps({"order_id": "o", "person": PERSON, "note": name}))
        return path

    def replayed(*given: Any) -> list[str]:
        for name in ("worded anew", "the same"):
            proof(given[1], name)
        return replay(*given)

    replay = rebuild_module._replay
    monkeypatch.setattr(rebuild_module, "_replay", replayed)
    others = set((home.decisions / "taken").iterdir())
    old, same = proof(home, "old"), proof(home, "the same")
    rebuild(home, now=NOW)
    assert set((home.decisions / "taken").iterdir()) == others | {same, old.with_stem("worded anew")}
    assert [path.name for path in (home.decisions / "taken-before-20260401T060000Z").iterdir()] == [old.name]


def test_a_delivery_keeps_its_name_though_the_first_of_that_name_is_gone(home: Workspace) -> None:
    before = ask(home, "SELECT delivery, source FROM deliveries ORDER BY 1").rows()
    assert ("one~2", "one") in before
    (home.delivered / "one.tar.zst").unlink()
    made = rebuild(home)
    assert made.absent == ("one",)
    assert ask(home, "SELECT delivery, source FROM deliveries ORDER BY 1").rows() == [
        each for each in before if each[0] != "one"
    ]


def test_a_file_is_copied_only_where_the_disk_knows_no_second_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, other = tmp_path / "kept", tmp_path / "other"
    kept.write_text("kept")
    other.write_text("other")
    os.link(kept, tmp_path / "there")
    with pytest.raises(FileExistsError):
        _linked(str(other), str(tmp_path / "there"))
    assert kept.read_text() == "kept"

    def refused(*_: object, **__: object) -> None:
        raise OSError(errno.EXDEV, "another disk")

    monkeypatch.setattr(os, "link", refused)
    _linked(str(kept), str(tmp_path / "copy"))
    assert (tmp_path / "copy").read_text() == "kept"


def flip(path: Path, place: float = 0.5) -> None:
    content = bytearray(path.read_bytes())
    content[int(place * (len(content) - 1))] ^= 0x10
    path.write_bytes(content)


def first(folder: Path, pattern: str) -> Path:
    return min(folder.glob(pattern))


def reworded(path: Path) -> None:
    path.write_text(path.read_text("utf-8").replace("Ann", "Bob"), "utf-8")


def as_plain(home: Workspace, name: str) -> None:
    """A delivery as versions kept it that packed none."""
    packed = home.delivered / f"{name}.tar.zst"
    unpack(packed, home.delivered / name)
    packed.unlink()


def alter(home: Workspace, place: float) -> None:
    """Change a bit, or a word, of everything kept."""
    flip(home.delivered / "other.tar.zst", place)
    as_plain(home, "one")
    flip(home.delivered / "one" / "w.csv", place)
    flip(home.delivered / "two.zip", place)
    flip(first(home.waveforms, "*.parquet"), place)
    flip(home.models / "m.skops", place)
    reworded(first(home.decisions / "taken", "*.json"))
    reworded(first(home.decisions / "mends", "*.json"))
    (home.delivered / "one" / "new.csv").write_text("x")


def lose(home: Workspace) -> None:
    """Remove one of everything kept."""
    (home.delivered / "other.tar.zst").unlink()
    as_plain(home, "one")
    (home.delivered / "one" / "x.csv").unlink()
    (home.quarantine / "late" / "w.csv").unlink()
    (home.delivered / "two.zip").unlink()
    first(home.waveforms, "*.parquet").unlink()
    (home.models / "m.skops").unlink()
    first(home.decisions / "taken", "*.json").unlink()
    first(home.decisions / "mends", "*.json").unlink()


def scribble(home: Workspace) -> None:
    """Make files of one line nonsense."""
    for path in (first(home.checks, "*.json"), first(home.waveforms / "journal", "*.json"), home.models / "cards.json"):
        path.write_text("{")


ALTERED = (
    "waveforms/delivered/other.tar.zst is no longer what was written",
    "waveforms/delivered/one/w.csv is no longer what was delivered",
    "waveforms/delivered/two.zip is no longer what was delivered",
    "waveforms/delivered/one/new.csv was added",
    "is no longer what was written (",
    "models/m.skops is no longer what was written",
    "is not what was decided",
    "is no longer what was said",
)
DAMAGES: dict[str, tuple[Callable[[Workspace], None], tuple[str, ...]]] = {
    "first bits": (lambda home: alter(home, 0.0), ALTERED),
    "bits in the middle": (lambda home: alter(home, 0.4), ALTERED),
    "last bits": (lambda home: alter(home, 1.0), ALTERED),
    "missing": (
        lose,
        (
            "waveforms/delivered/one/x.csv is missing",
            "quarantine/late/w.csv is missing",
            "delivery two: its files are gone",
            "delivery other: its files are gone",
            "is missing from waveforms/",
            "models/m.skops is missing",
            "is missing, though it is in force",
            "decisions/mends/",
        ),
    ),
    "nonsense": (scribble, ("reports/checks/", "`vansnap rebuild` needs it", "models/cards.json can't be read")),
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
    for words in told:
        assert len([line for line in findings if words in line]) == 1, (words, findings)
    assert len(findings) == len(told)
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


def test_a_deep_check_judges_anew_and_finds_what_judging_does_not_give(home: Workspace) -> None:
    week = steps.resolve_week(home.root, "2026-W10")
    steps.publish_week(home.root, week, steps.track(home.root, week))
    said: list[str] = []
    findings = check_workspace(home, deep=True, told=said.append)
    assert [line for line in findings if line.startswith("table ")] == []
    assert f"judging {week} anew" in said
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("UPDATE captures SET held = 'low_throughout' WHERE delivery = 'one'")
    (finding,) = [line for line in check_workspace(home, deep=True) if line.startswith("table ")]
    assert finding.startswith("table captures differs when judged anew, in held: run")
