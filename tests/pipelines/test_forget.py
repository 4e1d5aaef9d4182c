"""A person's name taken out of a workspace: gone from every byte that is not a copy, nothing else changed, whatever cuts it off."""

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from data_contracts.errors import InputError
from models.work.order_states import OrderEvent
from pipelines.cli import run
from pipelines.commands.backup import back_up, restore
from pipelines.commands.check_kept import kept_findings
from pipelines.commands.decide import decide_one
from pipelines.commands.forget import forget
from pipelines.commands.rebuild import rebuild
from pipelines.decisions.order_decisions import record
from pipelines.decisions.quarantine_decisions import ItemDecision, record_item
from pipelines.intake import forgetting
from pipelines.intake.corrections import Mend, mends, record_mend
from pipelines.intake.forgetting import PLAN
from pipelines.intake.journal import read_journal
from pipelines.read_side.published import open_published
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.log import audit_lines
from pipelines.workspace.workspace import Workspace
from tests.deciding_home import deciding_home
from tests.deliveries import NOW, ask, deliver, make_home, recording, row

ANN, BOB = "Ann Baker (ann@example.org)", "Bob Miller"
DAY = timedelta(days=1)
NAMES = ("Ann Baker", "ann@example.org")


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Decisions of two people: one taken back, one postponed and taken back, findings, notes that name somebody."""
    workspace = deciding_home(tmp_path_factory.mktemp("forget") / "home", vans_per_depot=5)
    orders = open_published(workspace.root).ask("SELECT order_id FROM work_orders WHERE state = 'proposed' ORDER BY 1")
    one, two, three = orders["order_id"][:3]
    for person, told in (
        (ANN, {"order_id": one, "state": "accepted"}),
        (ANN, {"order_id": one, "state": "undo"}),
        (BOB, {"order_id": one, "state": "accepted", "note": "Ann Baker asked for it"}),
        (ANN, {"order_id": two, "state": "done", "found": "other", "note": "hose chafed", "parts": "a hose"}),
        (ANN, {"order_id": three, "state": "postponed", "until": "2027-05-01"}),
        (BOB, {"order_id": three, "state": "undo"}),
    ):
        decide_one(workspace, {"person": person, **told})
    return workspace


@pytest.fixture
def home(decided: Workspace, tmp_path: Path) -> Workspace:
    shutil.copytree(decided.root, tmp_path / "home")
    return Workspace(tmp_path / "home")


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace with a journal, a mend and a decision on an item, both by the same person."""
    home = make_home(tmp_path_factory.mktemp("mended") / "home")
    deliver(home.inbox / "one", [row("x.csv", van="V009")], {"x.csv": recording(2), "extra.csv": recording(4)})
    steps.intake(home.root, now=NOW)
    record_mend(home, Mend("one", 1, {"van_id": "V003"}, NOW + DAY, ANN))
    item = str(ask(home, "SELECT item_id FROM quarantine WHERE file = 'extra.csv'").item())
    record_item(home, ItemDecision(item, "discarded", NOW + DAY, ANN, "not a snap"))
    steps.intake(home.root, now=NOW + DAY)
    return home


def holding(workspace: Workspace, names: tuple[str, ...] = NAMES) -> list[str]:
    """Files in which the name stands, as bytes."""
    return sorted(
        str(path.relative_to(workspace.root))
        for path in workspace.root.rglob("*")
        if path.is_file() and any(name.encode() in path.read_bytes() for name in names)
    )


def state(workspace: Workspace) -> pl.DataFrame:
    return open_published(workspace.root).ask(
        "SELECT order_id, state, until, due_by, found, parts_paid FROM work_orders ORDER BY 1"
    )


def events(workspace: Workspace) -> pl.DataFrame:
    return open_published(workspace.root).ask('SELECT * FROM order_events ORDER BY "at"')


def findings(workspace: Workspace) -> list[str]:
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        return kept_findings(workspace, warehouse)


def test_the_name_is_in_no_file_and_the_orders_stand_where_they_stood(home: Workspace) -> None:
    before, was = state(home), events(home)
    assert holding(home) != []
    told = forget(home, "ann@example.org", in_texts=True)
    assert holding(home) == []
    assert state(home).equals(before)
    now = events(home)
    same = ["order_id", "state", "at", "until", "found", "parts", "due"]
    assert now.select(same).equals(was.select(same))
    (alias,) = set(now["person"]) - {BOB}
    assert alias.startswith("person-")
    assert alias in told
    assert now["person"].to_list() == [alias, alias, BOB, alias, alias, BOB]
    assert now["note"][2] == f"{alias} asked for it"
    assert now["refused"][0].startswith(f"taken back by {alias} on")
    assert now["undoes"][1] == now["event_id"][0]
    assert findings(home) == []
    assert [line["person"] for line in audit_lines(home)] == [alias, alias, BOB, alias, alias, BOB, alias]
    assert {line["decision"] for line in audit_lines(home) if "decision" in line} == set(now["event_id"])


def test_texts_are_left_unless_asked_and_said(home: Workspace) -> None:
    told = forget(home, "Ann Baker")
    assert "1 text of a decision may name the person" in told
    assert events(home)["note"][2] == "Ann Baker asked for it"
    assert not any("Ann Baker" in person for person in events(home)["person"])
    with pytest.raises(InputError, match="nobody of the name"):
        forget(home, ANN)


def test_a_dry_run_changes_nothing(home: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    before = {path: path.read_bytes() for path in home.decisions.rglob("*.json")}
    was = events(home)
    assert run(["forget", "--person", "Ann Baker", "--dry-run", "--home", str(home.root)]) == 0
    assert "would be replaced by another name in 5 decisions, notes and mends" in capsys.readouterr().out
    assert {path: path.read_bytes() for path in home.decisions.rglob("*.json")} == before
    assert events(home).equals(was)


@pytest.mark.parametrize(
    ("name", "why"), [("Ann", "nobody of the name 'Ann'"), ("", "is nobody"), ("vansnap", "is nobody")]
)
def test_who_is_not_meant_is_not_touched(
    home: Workspace, name: str, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["forget", "--person", name, "--home", str(home.root)]) == 2
    said = capsys.readouterr().err
    assert why in said
    assert said.count("\n") == 1


def test_two_of_one_name_are_asked_for(home: Workspace) -> None:
    order = str(events(home)["order_id"][0])
    decide_one(home, {"order_id": order, "state": "noted", "note": "x", "person": "Ann Baker (ann@example.com)"})
    with pytest.raises(InputError, match=r"may be Ann Baker \(ann@example.com\) or Ann Baker \(ann@example.org\)"):
        forget(home, "Ann Baker")
    forget(home, "ann@example.com")
    assert ANN in set(events(home)["person"])


def test_decisions_of_one_moment_keep_their_order(home: Workspace) -> None:
    order = str(open_published(home.root).ask("SELECT order_id FROM work_orders WHERE state = 'proposed'")[0, 0])
    at = "2026-11-30T05:00:00+00:00"
    for parts in "abcd":  # by their hashes, whichever comes last is what the order has
        decide_one(
            home,
            {
                "order_id": order,
                "state": "done",
                "found": "none",
                "at": at,
                "parts": parts,
                "person": ANN,
                "cost": ord(parts),
            },
        )
    before = state(home)
    forget(home, "Ann Baker")
    assert state(home).equals(before)


def test_cut_off_anywhere_the_next_run_finishes(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    before, real = state(home), forgetting.write_atomically

    class CutOffError(Exception):
        pass

    def after(writes: int) -> Callable[[Path, bytes], None]:
        left = iter(range(writes))

        def write(path: Path, content: bytes) -> None:
            if next(left, None) is None:
                raise CutOffError
            real(path, content)

        return write

    # 1: the plan is there, and the tables changed; then six files, the log, and what took whose place
    for writes in (0, 1, 3, 7, 8):
        again = Workspace(home.root.with_name(f"again-{writes}"))
        shutil.copytree(home.root, again.root)
        monkeypatch.setattr(forgetting, "write_atomically", after(writes))
        with pytest.raises(CutOffError):
            forget(again, "Ann Baker", in_texts=True)
        monkeypatch.setattr(forgetting, "write_atomically", real)
        assert (again.root / PLAN).exists() == (writes > 0)
        order = str(events(again)["order_id"][0])
        decide_one(
            again, {"order_id": order, "state": "noted", "note": "went on", "person": BOB}
        )  # takes in what waits
        assert not (again.root / PLAN).exists()
        assert state(again).equals(before)
        assert findings(again) == []
        assert bool(holding(again)) == (writes == 0)


def test_cut_off_and_called_again_it_is_done_and_says_so(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def cut_off(path: Path) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as cut:
        cut.setattr(forgetting, "write_anew", cut_off)
        with pytest.raises(KeyboardInterrupt):
            forget(home, "Ann Baker", in_texts=True)
    assert (home.root / PLAN).exists()
    assert "is done now; nobody of the name 'Ann Baker' is left" in forget(home, "Ann Baker", in_texts=True)
    assert not holding(home)
    with pytest.raises(InputError, match="nobody of the name"):
        forget(home, "Ann Baker")


def test_mends_and_items_and_what_is_rebuilt_from_them(delivered: Workspace, tmp_path: Path) -> None:
    shutil.copytree(delivered.root, tmp_path / "home")
    home = Workspace(tmp_path / "home")
    before = ask(home, "SELECT delivery, van_id FROM recordings")
    forget(home, "Ann Baker")
    assert holding(home) == []
    (mend,) = mends(home)
    (row_of_item,) = ask(home, "SELECT * FROM item_events").iter_rows(named=True)
    assert mend.person == row_of_item["person"] != ANN
    assert findings(home) == []
    rebuild(home)
    assert findings(home) == []
    assert ask(home, "SELECT delivery, van_id FROM recordings").equals(before)
    assert ask(home, "SELECT * FROM item_events").row(0, named=True) == row_of_item
    (noted,) = [entry.decisions for entry in read_journal(home) if entry.decisions]
    assert all((home.decisions / name).exists() for name in noted)


def test_what_still_holds_the_name_is_said(home: Workspace) -> None:
    settings = home.settings_path
    settings.write_text(settings.read_text(encoding="utf-8") + "\n# ask Ann Baker\n", encoding="utf-8")
    shutil.copy2(home.warehouse_path, home.root / "warehouse.duckdb.before-20261130T050000Z")
    told = forget(home, "Ann Baker")
    assert "settings.toml names the person in line" in told
    assert "warehouse.duckdb.before-20261130T050000Z may hold the name" in told
    assert "backups until they are removed" in told
    assert json.loads((home.decisions / "forgotten" / "files.json").read_text()).keys().isdisjoint(NAMES)


def test_a_backup_of_before_follows_by_itself(home: Workspace, tmp_path: Path) -> None:
    place = str(tmp_path / "place")
    back_up(home, place)
    forget(home, "Ann Baker", in_texts=True)
    before, stood = events(home), state(home)
    told = restore(home.root, place)
    assert "forgotten again by the next run" in told
    assert "decisions 0" in told
    assert holding(home) != []
    decide_one(home, {"order_id": before["order_id"][0], "state": "noted", "note": "went on", "person": BOB})
    assert holding(home) == []
    assert events(home).head(before.height).equals(before)
    assert state(home).equals(stood)
    assert findings(home) == []


def test_a_decision_that_waited_when_a_backup_was_made_comes_back_once_and_without_the_name(
    home: Workspace, tmp_path: Path
) -> None:
    place, order = str(tmp_path / "place"), events(home)["order_id"][0]
    record(home, OrderEvent(order_id=order, state="noted", at=datetime.now(UTC), person=ANN, note="went on"))
    back_up(home, place)
    forget(home, "Ann Baker", in_texts=True)
    restore(home.root, place)
    decide_one(home, {"order_id": order, "state": "noted", "note": "later", "person": BOB})
    (person,) = events(home).filter(pl.col("note") == "went on")["person"]
    assert person.startswith("person-")
    assert holding(home) == []
