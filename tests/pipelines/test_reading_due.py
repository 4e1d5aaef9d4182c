"""What is due to be read: which recordings, how many are held at once, and what becomes of two that would be one capture."""

from pathlib import Path

import polars as pl
import pytest

from data_contracts.family import Family
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import reading_due as due_module
from pipelines.weekly.batches import in_order
from pipelines.weekly.read_captures import read_new_captures
from pipelines.weekly.reading_due import family_of, reading_due
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, recording, row, run_intake

COUNT = 7


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    """Seven recordings of three vans, taken in and not read."""
    home = make_home(tmp_path / "home")
    rows = [row(f"{n}.parquet", van=f"V00{n % 3 + 1}", at=f"2026-03-{n + 1:02d}T09:00:00Z") for n in range(COUNT)]
    deliver(home.inbox / "d1", rows, {f"{n}.parquet": recording(n) for n in range(COUNT)})
    run_intake(home)
    return home


def families(register: Register) -> dict[str, Family]:
    return {van: family for van in register.vans if (family := family_of(register, van)) is not None}


def read(home: Workspace, warehouse: Warehouse) -> int:
    register = load_register(home.register)
    return read_new_captures(home, warehouse, register, workers=1, progress=lambda done, total: None)


@pytest.mark.parametrize("at_once", [1, 3, 100])
def test_all_that_is_new_is_due_in_the_order_it_is_stored(
    home: Workspace, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(due_module, "_AT_ONCE", at_once)
    register = load_register(home.register)
    with Warehouse(home.warehouse_path) as warehouse:
        stored = warehouse.query(
            "SELECT delivery, row FROM recordings JOIN waveforms USING (waveform_id) ORDER BY chunk, row_group, delivery, row"
        )
        with reading_due(warehouse, register, families(register), "m") as due:
            assert len(due.samples) == COUNT
            parts = [due.recordings(first, first + 2) for first in range(0, COUNT, 2)]
            assert [len(part) for part in parts] == [2, 2, 2, 1]
            asked = [(one["delivery"], one["row"]) for part in parts for one in part]
            assert asked == stored.rows()
            assert {one["family"] for part in parts for one in part} == {"brook-20"}
            assert due.families_of(parts[-1]).keys() == {parts[-1][0]["van_id"]}
        assert warehouse.query("SELECT count(*) FROM duckdb_tables() WHERE temporary").item() == 0


def test_what_was_read_is_due_again_only_for_another_method_and_goes_with_its_family(home: Workspace) -> None:
    with Warehouse(home.warehouse_path) as warehouse:
        assert read(home, warehouse) == COUNT
        before = warehouse.query("SELECT capture_id, read_id FROM captures ORDER BY ALL")
        assert read(home, warehouse) == 0
        assert warehouse.query("SELECT capture_id, read_id FROM captures ORDER BY ALL").equals(before)
        register = load_register(home.register)
        with reading_due(warehouse, register, {}, "other") as due:  # no van has a family that can be used
            assert due.samples == []
        assert warehouse.query("SELECT capture_id, read_id FROM captures ORDER BY ALL").equals(before)
        with reading_due(warehouse, register, families(register), "other") as due:
            assert len(due.samples) == COUNT
        for table in ("captures", "readings", "shapes"):  # dropped until they are read again
            assert warehouse.query(f"SELECT count(*) FROM {table}").item() == 0


def test_two_recordings_that_are_one_capture_leave_one(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("INSERT INTO recordings SELECT * REPLACE ('d2' AS delivery) FROM recordings WHERE row = 1")
        monkeypatch.setattr("pipelines.weekly.read_captures._LEAST_RECORDINGS", 1)
        register = load_register(home.register)
        with reading_due(warehouse, register, families(register), "m") as due:
            assert not due.one_capture_each()
        assert read(home, warehouse) == COUNT + 1
        for table in ("captures", "readings", "shapes"):
            assert warehouse.query(f"SELECT count(*) FROM {table}").item() == COUNT


def test_what_is_gone_is_unread_until_it_has_captures_of_its_own(home: Workspace) -> None:
    with Warehouse(home.warehouse_path) as warehouse:
        register = load_register(home.register)
        read(home, warehouse)
        warehouse.execute("UPDATE waveforms SET removed_on = DATE '2026-05-01'")

        def gone() -> list[tuple[object, ...]]:
            with reading_due(warehouse, register, families(register), "m") as due:
                assert due.samples == []
                return due.gone_unread().rows()

        assert gone() == []
        (other,) = warehouse.query("SELECT waveform_id FROM recordings WHERE row = 2")["waveform_id"]
        warehouse.execute("UPDATE captures SET waveform_id = ? WHERE row = 1", [other])  # of what the row held before
        assert [row[:2] for row in gone()] == [("d1", 1)]


class _Asked:
    """Numbers, and how many were asked for and not yet given back."""

    def __init__(self, count: int) -> None:
        self.count, self.waiting, self.most = count, 0, 0

    def __len__(self) -> int:
        return self.count

    def __getitem__(self, number: int) -> int:
        self.waiting += 1
        self.most = max(self.most, self.waiting)
        return number


@pytest.mark.parametrize(("processes", "most"), [(1, 1), (2, 4)])
def test_batches_are_made_when_there_is_room(processes: int, most: int) -> None:
    batches = _Asked(12)
    for number, result in enumerate(in_order(abs, batches, version=str, processes=processes)):
        assert result == number
        batches.waiting -= 1
    assert number == 11
    assert batches.most <= most


def test_rows_come_in_parts(home: Workspace) -> None:
    sql = "SELECT row, captured_at FROM recordings ORDER BY row"
    with Warehouse(home.warehouse_path) as warehouse:
        whole = warehouse.query(sql)
        for at_once in (1, 3, 50):
            parts = list(warehouse.parts(sql, at_once))
            assert max(part.height for part in parts) <= at_once
            assert pl.concat(parts).equals(whole)
            assert parts[0].schema == whole.schema


def test_a_row_whose_samples_are_gone_keeps_no_captures_of_other_samples(tmp_path: Path) -> None:
    """Two rows of a manifest came in another order, and one's samples are gone since."""
    home = make_home(tmp_path / "home")
    rows = [row(f"{n}.parquet", van="V001", at=f"2026-03-{n + 1:02d}T09:00:00Z") for n in range(3)]
    deliver(home.inbox / "d1", rows, {f"{n}.parquet": recording(n) for n in range(3)})
    run_intake(home)
    with Warehouse(home.warehouse_path) as warehouse:
        assert read(home, warehouse) == 3
        one, two, _ = warehouse.query("SELECT row, waveform_id, captured_at, file FROM recordings ORDER BY row").rows(
            named=True
        )
        for place, other in ((one, two), (two, one)):
            warehouse.execute(
                "UPDATE recordings SET waveform_id = ?, captured_at = ?, file = ? WHERE row = ?",
                [other["waveform_id"], other["captured_at"], other["file"], place["row"]],
            )
        warehouse.execute(
            "UPDATE waveforms SET removed_on = DATE '2026-05-01' WHERE waveform_id = ?", [two["waveform_id"]]
        )
        read(home, warehouse)
        found = warehouse.query(
            "SELECT c.row FROM captures c JOIN recordings r USING (delivery, row) WHERE c.waveform_id <> r.waveform_id"
        )
        assert found.is_empty()
        assert one["waveform_id"] in warehouse.query("SELECT waveform_id FROM captures")["waveform_id"].to_list()
