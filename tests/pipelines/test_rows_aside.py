"""Rows put aside in a file before they are stored, and a table that is replaced by them some vans at a time."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest

from data_contracts.errors import NoRoomError
from data_contracts.tables import TRENDS, polars_schema
from pipelines.storage.rows_aside import RowsAside, found_aside
from pipelines.storage.warehouse import Warehouse

SCHEMA = polars_schema(TRENDS)
KEY = ("van_id", "week", "quantity")


def rows(*vans: str, value: float | None = 1.0, weeks: int = 3) -> pl.DataFrame:
    told = [
        dict.fromkeys(SCHEMA)
        | {"van_id": van, "week": f"2026-W{week:02}", "quantity": name, "value": value, "alarm": week == 2}
        for van in vans
        for week in range(1, weeks + 1)
        for name in ("idle_g_s", "lambda_idle")
    ]
    return pl.DataFrame(told, schema=SCHEMA)


@pytest.fixture
def aside(tmp_path: Path) -> Iterator[RowsAside]:
    with RowsAside(tmp_path / "trends.parquet", SCHEMA) as opened:
        yield opened


@pytest.fixture
def warehouse(tmp_path: Path) -> Iterator[Warehouse]:
    with Warehouse(tmp_path / "warehouse.duckdb") as opened:
        yield opened


def stored(warehouse: Warehouse) -> pl.DataFrame:
    return warehouse.query(f"SELECT * FROM trends ORDER BY {', '.join(KEY)}")


def test_rows_come_back_as_they_were_added(aside: RowsAside) -> None:
    added = [rows("a", "b"), rows("c", value=None), rows(), rows("d", value=float("inf"))]
    for each in added:
        aside.add(each)
    found = list(aside.parts())
    assert [each.height for each in found] == [12, 6, 6]
    assert pl.concat(found).equals(pl.concat(added), null_equal=True)
    assert [each.columns for each in aside.parts(("week", "van_id"))] == [["week", "van_id"]] * 3


def test_of_some_vans_only_what_is_asked_is_read(aside: RowsAside) -> None:
    aside.add(rows("a", "b"))
    aside.add(rows("c"))
    found = aside.of_vans(["c", "b", "nobody"], ("van_id", "alarm"))
    assert found.columns == ["van_id", "alarm"]
    assert found["van_id"].to_list() == ["b"] * 6 + ["c"] * 6
    assert aside.of_vans([], ("van_id", "value")).schema == {"van_id": pl.String, "value": pl.Float64}


def test_where_nothing_was_added_there_is_nothing(aside: RowsAside, tmp_path: Path) -> None:
    assert list(aside.parts()) == []
    assert aside.of_vans(["a"], KEY).is_empty()
    assert list(tmp_path.iterdir()) == []


def test_cleared_it_takes_other_rows_and_at_the_end_the_file_is_gone(tmp_path: Path) -> None:
    with RowsAside(tmp_path / "trends.parquet", SCHEMA) as aside:
        aside.add(rows("a"))
        aside.clear()
        aside.add(rows("b"))
        assert aside.of_vans(["a", "b"], ("van_id",))["van_id"].unique().to_list() == ["b"]
        assert [one.name.startswith(".trends.parquet.") for one in tmp_path.iterdir()] == [True]
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_run_left_goes_with_the_next(tmp_path: Path) -> None:
    left = tmp_path / ".trends.parquet.00000000-1.part"
    left.write_bytes(b"half a file")
    with RowsAside(tmp_path / "trends.parquet", SCHEMA) as aside:
        assert not left.exists()
        assert list(aside.parts()) == []


def test_a_full_disk_is_told_in_one_line(aside: RowsAside, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("pyarrow.parquet.ParquetWriter.write_table", full)
    with pytest.raises(NoRoomError, match=r"no room on the disk to write .*trends\.parquet"):
        aside.add(rows("a"))


def closing_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(writer: pq.ParquetWriter) -> None:
        writer.is_open = False  # not tried again when it is thrown away
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(pq.ParquetWriter, "close", full)


def test_where_closing_fails_the_file_goes_and_what_went_wrong_first_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def goes_wrong() -> None:
        with RowsAside(tmp_path / "trends.parquet", SCHEMA) as aside:
            aside.add(rows("a"))
            closing_fails(monkeypatch)
            raise InterruptedError("first")

    with pytest.raises(InterruptedError, match="first"):
        goes_wrong()
    assert list(tmp_path.iterdir()) == []


def test_rows_that_are_asked_for_are_not_half_a_file(
    aside: RowsAside, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    aside.add(rows("a"))
    closing_fails(monkeypatch)
    for _ in range(2):
        with pytest.raises(NoRoomError):
            aside.file()
        with pytest.raises(NoRoomError):
            list(aside.parts())
    aside.clear()
    assert list(tmp_path.iterdir()) == []
    assert aside.file() is None


def test_made_whole_a_table_holds_the_rows_of_the_file_and_no_other(warehouse: Warehouse, aside: RowsAside) -> None:
    warehouse.append("trends", rows("a", "gone"))
    parts = [rows("b", "c", value=None), rows("a", value=2.0)]
    for part in parts:
        aside.add(part)
    with warehouse.transaction():
        warehouse.make_whole("trends", aside.file())
    assert stored(warehouse).equals(pl.concat(parts).sort(KEY), null_equal=True)
    warehouse.make_whole("trends", None)
    assert stored(warehouse).is_empty()


def test_stopped_half_way_a_table_is_what_it_was(warehouse: Warehouse, aside: RowsAside) -> None:
    warehouse.append("trends", rows("a", "b"))
    before = stored(warehouse)
    aside.add(rows("c"))

    def stopped() -> None:
        with warehouse.transaction():
            warehouse.make_whole("trends", aside.file())
            raise InterruptedError

    with pytest.raises(InterruptedError):
        stopped()
    assert stored(warehouse).equals(before)


def test_a_word_that_the_contract_does_not_know_is_refused(warehouse: Warehouse, aside: RowsAside) -> None:
    warehouse.append("trends", rows("a"))
    aside.add(rows("b").with_columns(movement=pl.lit("leaping")))
    with pytest.raises(duckdb.ConstraintException), warehouse.transaction():
        warehouse.make_whole("trends", aside.file())
    assert stored(warehouse)["van_id"].unique().to_list() == ["a"]


def test_memory_is_little_for_a_while_only(warehouse: Warehouse) -> None:
    setting = "SELECT current_setting('memory_limit')"
    before = warehouse.query(setting).item()
    with warehouse.little_memory():
        assert warehouse.query(setting).item() != before
    assert warehouse.query(setting).item() == before
    with pytest.raises(duckdb.Error), warehouse.little_memory():
        warehouse.execute("SELECT * FROM nowhere")
    assert warehouse.query(setting).item() == before


def test_what_a_question_finds_is_there_for_the_length_of_the_block(warehouse: Warehouse, tmp_path: Path) -> None:
    warehouse.append("trends", rows("b", "a"))
    asked = "SELECT van_id, week, alarm FROM trends WHERE week <= $week ORDER BY ALL"
    with found_aside(warehouse, asked, {"week": "2026-W02"}, tmp_path / "found.parquet") as found:
        assert found.collect().equals(warehouse.query(asked, {"week": "2026-W02"}))
        assert found.filter(pl.col("van_id") == "b").collect().height == 4
    assert not [one for one in tmp_path.iterdir() if one.name.endswith(".part")]
