"""Identity, the row account, correction, waiting vans: what delivery-format promises."""

import shutil
from pathlib import Path

import polars as pl
import pytest

from pipelines.commands.check import audit
from pipelines.intake.accounts import accounts
from pipelines.storage.warehouse import Warehouse
from pipelines.storage.waveforms import read_waveforms
from pipelines.workspace.workspace import Workspace
from tests.deliveries import FAMILIES, VANS, ask, counts, deliver, make_home, recording, row, run_intake


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def sound(workspace: Workspace) -> bool:
    """Everything adds up."""
    with Warehouse(workspace.warehouse_path) as warehouse:
        findings = audit(workspace, warehouse)
        assert findings == []
        assert all(account.closes for account in accounts(warehouse))
    return True


def state(workspace: Workspace) -> dict[str, pl.DataFrame]:
    """Everything intake writes, in a fixed order."""
    tables = ("deliveries", "manifest_rows", "recordings", "waveforms", "quarantine")
    return {table: ask(workspace, f"SELECT * FROM {table} ORDER BY ALL") for table in tables}


def test_folder_and_zip_csv_and_parquet_are_held(home: Workspace) -> None:
    files = {"waveforms/a.csv": recording(1), "waveforms/b.parquet": recording(2)}
    rows = [
        row("waveforms/a.csv", coolant_c="88.5", fault_codes="P0171;P0300", closed_loop="TRUE"),
        row("waveforms/b.parquet"),
    ]
    deliver(home.inbox / "one", rows, files)
    other = {"waveforms/c.csv": recording(3)}
    deliver(home.inbox / "two", [row(r"waveforms\c.csv", van="V002", at="2026-03-02T08:15:00Z")], other, zipped=True)
    taken = run_intake(home)
    assert [(a.delivery, *counts(a)) for a in taken] == [("one", 2, 2, 0, 0, 0), ("two", 1, 1, 0, 0, 0)]
    held = ask(home, "SELECT * FROM recordings ORDER BY delivery, row")
    assert held["coolant_c"].to_list() == [88.5, None, None]
    assert held["fault_codes"].to_list() == [["P0171", "P0300"], None, None]
    assert held["closed_loop"].to_list() == [True, None, None]
    assert held["captured_at"].dt.hour().to_list() == [8, 8, 8]  # one moment, written with two offsets
    assert [p.name for p in home.inbox.iterdir()] == []
    assert sorted(p.name for p in (home.waveforms / "delivered").iterdir()) == ["one", "two.zip"]
    assert sound(home)


def test_same_samples_in_csv_and_parquet_are_one_waveform(home: Workspace) -> None:
    deliver(home.inbox / "a", [row("w.csv")], {"w.csv": recording(1)})
    deliver(home.inbox / "b", [row("w.parquet")], {"w.parquet": recording(1)})
    assert [counts(a) for a in run_intake(home)] == [(1, 1, 0, 0, 0), (1, 0, 0, 1, 0)]
    assert sound(home)


def test_stored_samples_are_the_delivered_ones(home: Workspace) -> None:
    frame = recording(1).with_columns(lambda_v=pl.Series(range(1200)).sqrt())  # no recorder steps: kept as float32
    deliver(home.inbox / "a", [row("w.parquet")], {"w.parquet": frame})
    run_intake(home)
    with Warehouse(home.warehouse_path) as warehouse:
        (waveform_id,) = warehouse.query("SELECT waveform_id FROM waveforms")["waveform_id"]
        waveform = read_waveforms(warehouse, home.waveforms, [waveform_id])[waveform_id]
    assert waveform.waveform_id == waveform_id
    for name in ("airflow_v", "lambda_v"):
        assert waveform.channels[name].tolist() == frame[name].cast(pl.Float32).to_list()


@pytest.mark.parametrize("name", ["one", "another"])
def test_delivered_again_is_all_duplicates(home: Workspace, tmp_path: Path, name: str) -> None:
    rows = [row(f"{n}.csv", at=f"2026-03-0{n}T09:00:00Z") for n in (1, 2, 3)]
    made = deliver(tmp_path / "made", rows, {f"{n}.csv": recording(n) for n in (1, 2, 3)})
    shutil.copytree(made, home.inbox / "one")
    run_intake(home)
    before = ask(home, "SELECT * FROM recordings ORDER BY ALL")
    shutil.copytree(made, home.inbox / name)
    (again,) = run_intake(home)
    assert counts(again) == (3, 0, 0, 3, 0)
    assert ask(home, "SELECT * FROM recordings ORDER BY ALL").equals(before)
    assert sound(home)


def test_second_run_changes_nothing(home: Workspace) -> None:
    deliver(
        home.inbox / "one",
        [row("1.csv"), row("2.csv", van="V900"), row("none.csv")],
        {"1.csv": recording(1), "2.csv": recording(2)},
    )
    run_intake(home)
    before = state(home)
    assert run_intake(home) == []
    after = state(home)
    assert all(after[table].equals(before[table]) for table in before)


def test_corrected_conditions_supersede_and_the_old_row_stays(home: Workspace, tmp_path: Path) -> None:
    first = deliver(tmp_path / "first", [row("w.csv", intake_air_c="92")], {"w.csv": recording(1)})
    shutil.copytree(first, home.inbox / "first")
    run_intake(home)
    deliver(home.inbox / "second", [row("other.csv", intake_air_c="29")], {"other.csv": recording(1)})
    run_intake(home)
    shutil.copytree(first, home.inbox / "third")  # the wrong one once more: it is known and changes nothing
    run_intake(home)
    with Warehouse(home.warehouse_path) as warehouse:
        assert {a.delivery: counts(a) for a in accounts(warehouse)} == {
            "first": (1, 0, 1, 0, 0),
            "second": (1, 1, 0, 0, 0),
            "third": (1, 0, 0, 1, 0),
        }
    held = ask(home, "SELECT delivery, state, intake_air_c, superseded_by FROM recordings ORDER BY delivery")
    assert held.rows() == [("first", "superseded", 92.0, "second row 1"), ("second", "held", 29.0, None)]
    assert sound(home)


def test_correction_within_one_delivery(home: Workspace) -> None:
    rows = [row("w.csv"), row("w.csv", coolant_c="85"), row("w.csv", coolant_c="86"), row("w.csv", coolant_c="85")]
    deliver(home.inbox / "one", rows, {"w.csv": recording(1)})
    (account,) = run_intake(home)
    assert counts(account) == (4, 1, 2, 1, 0)
    assert ask(home, "SELECT row FROM recordings WHERE state = 'held'").item() == 3
    assert sound(home)


@pytest.mark.parametrize("change", [{"van": "V002"}, {"at": "2026-03-02T09:15:01+01:00"}])
def test_same_waveform_for_another_van_or_time_is_refused(home: Workspace, change: dict[str, str]) -> None:
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1)})
    run_intake(home)
    deliver(home.inbox / "two", [row("w.csv", **change)], {"w.csv": recording(1)})  # type: ignore[arg-type]
    (account,) = run_intake(home)
    assert counts(account) == (1, 0, 0, 0, 1)
    (item,) = ask(home, "SELECT rule, reason FROM quarantine").rows()
    assert item[0] == "claimed_twice"
    assert "V001" in item[1]
    assert "one row 1" in item[1]
    assert sound(home)


def test_unknown_van_waits_and_is_taken_in_when_registered(home: Workspace) -> None:
    deliver(
        home.inbox / "one",
        [row("1.csv"), row("2.csv", van="V900")],
        {"1.csv": recording(1), "2.csv": recording(2)},
        zipped=True,
    )
    (account,) = run_intake(home)
    assert counts(account) == (2, 1, 0, 0, 1)
    assert [p.name for p in home.quarantine.iterdir()] == ["one.zip"]
    (home.register / "vans.csv").write_text(VANS + "V900,brook-20,south,2025-01-01,2028-01-01\n")
    (account,) = run_intake(home)
    assert counts(account) == (2, 2, 0, 0, 0)
    assert ask(home, "SELECT state FROM quarantine").rows() == [("taken_in",)]
    assert list(home.quarantine.iterdir()) == []
    assert sound(home)


def test_broken_family_stops_only_its_own_vans(tmp_path: Path) -> None:
    broken = FAMILIES + "[moor-16]\ndisplacement_l = 1.6\n"
    home = make_home(tmp_path / "home", families=broken, vans=VANS + "V010,moor-16,south,2025-01-01,2028-01-01\n")
    deliver(
        home.inbox / "one", [row("1.csv"), row("2.csv", van="V010")], {"1.csv": recording(1), "2.csv": recording(2)}
    )
    (account,) = run_intake(home)
    assert counts(account) == (2, 1, 0, 0, 1)
    rules = ask(home, "SELECT delivery, rule, reason FROM quarantine ORDER BY delivery").rows()
    assert [r[:2] for r in rules] == [("one", "broken_family"), ("register", "bad_register")]
    assert all("moor-16" in r[2] for r in rules)
    (home.register / "families.toml").write_text(FAMILIES + FAMILIES.replace("brook-20", "moor-16"))
    (account,) = run_intake(home)
    assert counts(account) == (2, 2, 0, 0, 0)
    assert ask(home, "SELECT DISTINCT state FROM quarantine").rows() == [("taken_in",)]
    assert sound(home)


def test_recorder_profile_that_comes_later(home: Workspace) -> None:
    volts = recording(1).select((pl.col("time_s") * 1000).alias("t"), (pl.col("airflow_v") * 1000).alias("ch1"))
    deliver(home.inbox / "one", [row("w.csv", recorder="bench")], {"w.csv": volts})
    run_intake(home)
    assert ask(home, "SELECT rule FROM quarantine").rows() == [("unknown_recorder",)]
    (home.register / "recorders").mkdir()
    profile = home.register / "recorders" / "bench.toml"
    profile.write_text('[time]\ncolumn = "t"\nunit = "hours"\n[channels.airflow_v]\ncolumn = "ch1"\nunit = "mV"\n')
    run_intake(home)
    items = ask(home, "SELECT rule FROM quarantine WHERE delivery = 'one'").rows()
    assert items == [("broken_recorder",)]  # one item per row, whatever it is refused for now
    profile.write_text(profile.read_text().replace("hours", "ms"))
    (account,) = run_intake(home)
    assert counts(account) == (1, 1, 0, 0, 0)
    assert sound(home)


def test_what_is_still_being_copied_is_left_alone(home: Workspace) -> None:
    deliver(home.inbox / ".north", [row("w.csv")], {"w.csv": recording(1)})
    deliver(home.inbox / "north.part", [row("w.csv")], {"w.csv": recording(1)})
    assert run_intake(home) == []
    assert len(list(home.inbox.iterdir())) == 2


def test_arrival_order_does_not_change_what_is_held(tmp_path: Path) -> None:
    held = []
    for order in ((1, 2, 3), (3, 1, 2)):
        home = make_home(tmp_path / f"home{order[0]}")
        for number in order:
            deliver(
                home.inbox / f"d{number}",
                [row("w.csv", at=f"2026-03-0{number}T09:00:00Z")],
                {"w.csv": recording(number)},
            )
            run_intake(home)
        held.append(ask(home, "SELECT waveform_id, van_id, captured_at, state FROM recordings ORDER BY ALL"))
    assert held[0].equals(held[1])


def test_workers_give_the_same_as_one_process(tmp_path: Path) -> None:
    states = []
    for workers in (1, 2):
        home = make_home(tmp_path / f"home{workers}")
        for part in range(2):
            numbers = range(part * 110, part * 110 + 110)
            rows = [row(f"{n}.parquet", at=f"2026-03-02T09:{n % 60:02d}:{n // 60:02d}Z") for n in numbers]
            deliver(home.inbox / f"d{part}", rows, {f"{n}.parquet": recording(n) for n in numbers})
        assert [counts(a) for a in run_intake(home, workers=workers)] == [(110, 110, 0, 0, 0)] * 2
        states.append(state(home))
    assert all(states[0][table].equals(states[1][table]) for table in states[0])
