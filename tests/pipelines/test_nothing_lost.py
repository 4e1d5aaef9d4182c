"""What came is accounted for, files as well as rows, and what was said later counts, in whatever order it comes."""

import os
import shutil
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from models.work.order_states import OrderEvent
from pipelines.commands.check import check_workspace
from pipelines.decisions.order_decisions import check_decision
from pipelines.decisions.quarantine_decisions import ItemDecision, record_item, take_in_item_decisions
from pipelines.intake.accounts import accounts
from pipelines.intake.ages import Told
from pipelines.intake.corrections import Mend, record_mend
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, VANS, ask, counts, deliver, make_home, recording, row, run_intake

DAY = timedelta(days=1)
STATES = "SELECT delivery, state, coolant_c, superseded_by FROM recordings ORDER BY delivery"


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def written(delivery: Path, at: datetime) -> None:
    os.utime(delivery / "manifest.csv", (at.timestamp(), at.timestamp()))


def closed(home: Workspace) -> bool:
    with Warehouse(home.warehouse_path) as warehouse:
        return all(account.closes for account in accounts(warehouse))


@pytest.mark.parametrize("zipped", [False, True])
def test_an_original_that_comes_after_its_correction_does_not_supersede_it(home: Workspace, zipped: bool) -> None:
    made = home.root / "made"
    for name, coolant, at in (("right", "85", NOW - DAY), ("wrong", "12", NOW - 3 * DAY)):
        deliver(made / name, [row("w.csv", coolant_c=coolant)], {"w.csv": recording(1)})
        written(made / name, at)
        if zipped:
            shutil.make_archive(str(home.inbox / name), "zip", made / name)
        else:
            shutil.copytree(made / name, home.inbox / name)  # keeps the times of files
        run_intake(home)
    assert ask(home, STATES).rows() == [("right", "held", 85.0, None), ("wrong", "superseded", 12.0, "right row 1")]
    assert closed(home)
    shutil.rmtree(made)
    assert check_workspace(home) == []
    shutil.copytree(home.delivered / "wrong", home.inbox / "again") if not zipped else shutil.copy(
        home.delivered / "wrong.zip", home.inbox / "again.zip"
    )
    run_intake(home)
    assert ask(home, "SELECT duplicates FROM deliveries WHERE delivery = 'again'").item() == 1


def test_of_zips_without_dates_the_one_that_came_later_counts(home: Workspace) -> None:
    for name, coolant in (("wrong", "12"), ("right", "85")):
        made = deliver(home.root / name, [row("w.csv", coolant_c=coolant)], {"w.csv": recording(1)})
        with zipfile.ZipFile(home.inbox / f"{name}.zip", "w") as archive:
            for file in made.iterdir():
                date = (2026, 3, 2, 9, 0, 0) if name == "wrong" else (1980, 1, 1, 0, 0, 0)
                archive.writestr(zipfile.ZipInfo(file.name, date), file.read_bytes())
        run_intake(home)
    assert ask(home, STATES).rows() == [("right", "held", 85.0, None), ("wrong", "superseded", 12.0, "right row 1")]


def test_both_in_one_run_in_the_wrong_order_of_names(home: Workspace) -> None:
    for name, coolant, at in (("a", "85", NOW - DAY), ("b", "12", NOW - 3 * DAY)):
        deliver(home.inbox / name, [row("w.csv", coolant_c=coolant)], {"w.csv": recording(1)})
        written(home.inbox / name, at)
    assert [counts(account) for account in run_intake(home)] == [(1, 1, 0, 0, 0), (1, 0, 1, 0, 0)]
    assert ask(home, "SELECT delivery FROM recordings WHERE state = 'held'").item() == "a"


def test_a_row_that_waited_does_not_supersede_its_correction(home: Workspace) -> None:
    deliver(home.inbox / "wrong", [row("w.csv", van="V004", coolant_c="12")], {"w.csv": recording(1)})
    written(home.inbox / "wrong", NOW)
    run_intake(home)
    deliver(home.inbox / "right", [row("w.csv", van="V004", coolant_c="85")], {"w.csv": recording(1)})
    written(home.inbox / "right", NOW)  # as where copying sets the time: the delivery that came later counts
    vans = home.register / "vans.csv"
    vans.write_text(VANS + "V004,brook-20,north,2024-01-01,2027-01-01\n", encoding="utf-8")
    (home.quarantine / "wrong").rename(home.root / "away")  # it can't be retried until the correction is in
    run_intake(home, now=NOW + DAY)
    (home.root / "away").rename(home.quarantine / "wrong")
    run_intake(home, now=NOW + 2 * DAY)
    assert ask(home, STATES).rows() == [("right", "held", 85.0, None), ("wrong", "superseded", 12.0, "right row 1")]
    assert closed(home)


def test_a_row_that_waited_is_as_old_as_it_was_when_its_file_is_put_back(home: Workspace) -> None:
    deliver(home.inbox / "wrong", [row("w.csv", van="V004", coolant_c="12")], {"w.csv": recording(1)})
    written(home.inbox / "wrong", NOW - 3 * DAY)
    run_intake(home)
    written(home.quarantine / "wrong", NOW + DAY)  # a copy of it
    deliver(home.inbox / "right", [row("w.csv", van="V004", coolant_c="85")], {"w.csv": recording(1)})
    written(home.inbox / "right", NOW - DAY)
    vans = home.register / "vans.csv"
    vans.write_text(VANS + "V004,brook-20,north,2024-01-01,2027-01-01\n", encoding="utf-8")
    run_intake(home, now=NOW + DAY)
    assert ask(home, STATES).rows() == [("right", "held", 85.0, None), ("wrong", "superseded", 12.0, "right row 1")]
    assert closed(home)


def test_a_mend_counts_from_when_it_was_made(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("w.csv", van="V009", coolant_c="12")], {"w.csv": recording(1)})
    run_intake(home)
    deliver(home.inbox / "two", [row("w.csv", coolant_c="85")], {"w.csv": recording(1)})
    run_intake(home, now=NOW + DAY)
    record_mend(home, Mend("one", 1, {"van_id": "V001"}, NOW + 2 * DAY, "Ann"))
    run_intake(home, now=NOW + 3 * DAY)
    assert ask(home, STATES).rows() == [("one", "held", 12.0, None), ("two", "superseded", 85.0, "one row 1")]


def test_times_of_zips_and_folders_are_compared_only_beyond_the_zones() -> None:
    folder = Told(NOW, NOW - DAY)
    assert Told(NOW + DAY, NOW - 2 * DAY, zipped=True).older_than(folder)
    near = Told(NOW + DAY, NOW - DAY - timedelta(hours=10), zipped=True)
    assert not near.older_than(folder)  # it came later, and ten hours may be its zone
    assert folder.older_than(near)
    assert not Told(NOW).older_than(Told(NOW))


def test_a_recording_that_no_row_names_waits_by_its_name(home: Workspace) -> None:
    files = {
        name: recording(n) for n, name in enumerate(("w.csv", "waveforms/forgotten.csv", "waveforms/more.parquet"))
    }
    junk = {"README.txt": b"hello", ".DS_Store": b"x", "photo.jpg": b"x", "__MACOSX/w.csv": b"x"}
    deliver(home.inbox / "one", [row("w.csv")], {**files, **junk})
    (account,) = run_intake(home)
    assert counts(account) == (1, 1, 0, 0, 0)
    waits = ask(home, "SELECT file, rule, reason, row FROM quarantine WHERE state = 'waiting' ORDER BY file")
    assert waits["file"].to_list() == ["waveforms/forgotten.csv", "waveforms/more.parquet"]
    assert set(waits["rule"]) == {"unnamed_file"}
    assert all("no row names this file" in reason for reason in waits["reason"])
    findings = check_workspace(home)
    assert len(findings) == 2
    assert all(line.startswith("in quarantine: one waveforms/") for line in findings)
    assert run_intake(home) == []

    manifest = home.quarantine / "one" / "manifest.csv"
    manifest.write_text(
        manifest.read_text(encoding="utf-8") + "waveforms\\forgotten.csv,V002,2026-03-02T09:15:00Z\n", encoding="utf-8"
    )
    assert [counts(account) for account in run_intake(home)] == [(2, 2, 0, 0, 0)]
    item = ask(home, "SELECT item_id FROM quarantine WHERE state = 'waiting'").item()
    record_item(home, ItemDecision(item, "discarded", NOW, "Ann", "not a snap"))
    with Warehouse(home.warehouse_path) as warehouse:
        take_in_item_decisions(home, warehouse)
    assert run_intake(home) == []
    assert (home.delivered / "one" / "waveforms" / "more.parquet").is_file()
    assert closed(home)
    assert check_workspace(home) == []


def test_a_discarded_file_beside_a_row_that_waits_changes_nothing_at_a_retry(home: Workspace) -> None:
    deliver(home.inbox / "one", [row("w.csv", van="V009")], {"w.csv": recording(1), "other.csv": recording(2)})
    run_intake(home)
    item = ask(home, "SELECT item_id FROM quarantine WHERE file = 'other.csv'").item()
    record_item(home, ItemDecision(item, "discarded", NOW, "Ann", "not a snap"))
    with Warehouse(home.warehouse_path) as warehouse:
        take_in_item_decisions(home, warehouse)
    assert run_intake(home) == []
    assert ask(home, "SELECT file, state FROM quarantine ORDER BY file").rows() == [
        ("other.csv", "discarded"),
        ("w.csv", "waiting"),
    ]


def test_a_manifest_without_a_row_holds_every_file_back(home: Workspace) -> None:
    deliver(home.inbox / "one", [], {"w.csv": recording(1)}, zipped=True)
    (account,) = run_intake(home)
    assert counts(account) == (0, 0, 0, 0, 0)
    assert ask(home, "SELECT file, state FROM quarantine").rows() == [("w.csv", "waiting")]
    assert (home.quarantine / "one.zip").is_file()


def test_done_dated_before_accepted_is_refused_in_one_line() -> None:
    accepted = OrderEvent("WO-1", "accepted", datetime(2026, 3, 5, 9, 0, tzinfo=UTC), "Ann")
    done = OrderEvent("WO-1", "done", datetime(2026, 3, 4, 9, 0, tzinfo=UTC), "Will", found="none")
    with pytest.raises(InputError, match="done is dated 2026-03-04 09:00 UTC, before it was accepted") as refused:
        check_decision(done, ["WO-1"], [accepted])
    assert "\n" not in str(refused.value)
    check_decision(OrderEvent("WO-1", "done", accepted.at + DAY, "Will", found="none"), ["WO-1"], [accepted])
    check_decision(done, ["WO-1"], [])  # work that nobody had accepted before
