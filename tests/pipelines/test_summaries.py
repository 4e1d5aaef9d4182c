"""Sums made when publishing, against the same worked out by hand; and what a decision republishes."""

from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

from data_contracts.summary_tables import SUMMARY_TABLES
from data_contracts.tables import TABLES, duckdb_type
from pipelines.storage.summaries import make_summaries
from tests.published_sample import write_table

AT = datetime(2026, 1, 5, 9, tzinfo=UTC)


def _file(**rows: list[dict[str, object]]) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    for name in TABLES:
        write_table(connection, name, rows.get(name, []))
    make_summaries(connection, "main")
    return connection


def _trend(van: str, week: int, **more: object) -> dict[str, object]:
    return {"van_id": van, "week": f"2026-W{week:02d}", "quantity": "main_peak_reference_g_s", **more}


def test_columns_and_types_are_those_of_the_contract() -> None:
    connection = _file()
    for name, table in SUMMARY_TABLES.items():
        made = connection.sql(
            f"SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = '{name}'"
        ).fetchall()
        assert made == [(column.name, duckdb_type(column)) for column in table.columns]


def test_repeats_of_a_visit_pool_to_their_relative_spread() -> None:
    captures, readings = [], []
    for visit, peaks in (("a", (50.0, 51.0)), ("b", (60.0, 60.6, 61.2)), ("alone", (99.0,))):
        for k, peak in enumerate(peaks):
            name = f"{visit}{k}"
            captures.append(
                {
                    "capture_id": name,
                    "van_id": "V",
                    "visit": visit,
                    "week": "2026-W10",
                    "grade": "good",
                    "captured_at": AT,
                    "recorder_serial": "R1",
                }
            )
            peaked = {"main_peak_g_s": peak, "main_peak_reference_g_s": peak}
            readings.append({"capture_id": name, **peaked, "unread": [], "marked": []})
    brief = {
        "capture_id": "brief",
        "visit": "a",
        "grade": "usable",
    }  # held briefly: a lower bound tells nothing of repeats
    captures.append(captures[0] | brief)
    readings.append({"capture_id": "brief", "main_peak_g_s": 20.0, "unread": [], "marked": []})
    found = _file(captures=captures, readings=readings).sql("SELECT * FROM repeatability").fetchall()
    pooled = ((0.5 / 50.5**2 + 2 * 0.36 / 60.6**2) / 3) ** 0.5  # variances 0.5 of two repeats and 0.36 of three
    assert found == [("canonical", "R1", 2, 5, pytest.approx(pooled))]


def test_a_forecast_counts_when_its_time_has_come_and_no_repair_came_between() -> None:
    trends = [
        _trend("hit", 2, weeks_to_limit=3.0, cross_within_4=0.9),
        _trend("hit", 5, weeks_to_limit=0.0),
        _trend("hit", 6, weeks_to_limit=0.0),
        _trend("miss", 2, weeks_to_limit=9.0, cross_within_4=0.3),
        _trend("miss", 6, weeks_to_limit=8.0),
        _trend("young", 4, weeks_to_limit=9.0, cross_within_4=0.3),
        _trend("young", 6, weeks_to_limit=8.0),
        _trend("mended", 2, weeks_to_limit=3.0, cross_within_4=0.9),
        _trend("mended", 6, weeks_to_limit=0.0),
        _trend("unlimited", 2),
        _trend("unlimited", 6),
    ]
    at = datetime(2026, 1, 21, 9, tzinfo=UTC)
    repairs = [
        {"repair_id": van, "van_id": van, "done_at": at, "work": "x", "touches": touches}
        for van, touches in (("mended", ["main_peak_reference_g_s"]), ("hit", ["lambda_idle"]), ("miss", []))
    ]
    found = _file(trends=trends, repairs=repairs).sql("SELECT * FROM forecast_record ORDER BY band").fetchall()
    assert found == [(4, 2, 1, 1, 0.3, 0), (4, 4, 1, 1, 0.9, 1)]


def test_intervals_are_held_against_what_came() -> None:
    interval = {"weeks_to_limit_low": 2.0, "weeks_to_limit": 3.0, "weeks_to_limit_high": 5.0, "alarm": True}
    maybe = interval | {"weeks_to_limit_high": float("inf")}
    trends = [
        _trend("inside", 2, **interval),
        _trend("inside", 5, weeks_to_limit=0.0),
        _trend("inside", 8, weeks_to_limit=0.0),
        _trend("late", 2, **interval),
        _trend("late", 9, weeks_to_limit=4.0),
        _trend("early", 2, **interval),
        _trend("early", 3, weeks_to_limit=0.0),
        _trend("early", 8, weeks_to_limit=0.0),
        _trend("crossed, not over", 2, **interval),
        _trend("crossed, not over", 6, weeks_to_limit=0.0),  # counted now, those that cross in time would come first
        _trend("never", 2, **maybe),
        _trend("never", 5, weeks_to_limit=8.0),
        _trend("early for never", 2, **maybe),
        _trend("early for never", 3, weeks_to_limit=0.0),
        _trend("early for never", 5, weeks_to_limit=0.0),
        _trend("open for never", 2, **maybe),
        _trend("open for never", 4, weeks_to_limit=8.0),
        _trend("open", 2, **interval),
        _trend("open", 4, weeks_to_limit=4.0),
        *(_trend("well", week, z=z) for week, z in ((2, 0.3), (3, -2.5), (4, 1.9))),
        _trend("listed", 3, z=9.0),
    ]
    listed = [{"week": "2026-W03", "van_id": "listed", "causes": []}]
    found = {row[0]: row[1:] for row in _file(trends=trends, watchlist=listed).sql("SELECT * FROM coverage").fetchall()}
    assert found["expected_range"] == (0.95, 3, 1, 2)
    assert found["weeks_to_limit"] == (0.8, 5, 5, 2)


def test_a_decision_republishes_orders_and_leaves_the_rest(tmp_path: Path) -> None:
    from pipelines.storage.publish import publish, publish_decisions
    from pipelines.storage.warehouse import Warehouse

    order = {"order_id": "o", "week": "2026-W02", "rank": 1, "van_id": "V", "state": "proposed"}
    target = tmp_path / "published.duckdb"
    with Warehouse(tmp_path / "warehouse.duckdb") as warehouse:
        blank = duckdb.connect()
        write_table(blank, "work_orders", [order])
        warehouse.append("work_orders", blank.sql("SELECT * FROM work_orders").pl())
        publish(warehouse, target, week="2026-W02")
        warehouse.execute("UPDATE work_orders SET state = 'accepted'")
        warehouse.execute("UPDATE work_orders SET week = '2026-W02'")
        publish_decisions(warehouse, target, week="2026-W02")
        before = target.stat().st_ino
        warehouse.execute("UPDATE work_orders SET week = '2026-W03'")
        publish_decisions(warehouse, target, week="2026-W02")
    assert target.stat().st_ino != before
    with duckdb.connect(str(target), read_only=True) as published:
        assert published.sql("SELECT count(*) FROM work_orders").fetchall() == [(0,)]  # of a later week
        assert published.sql("SELECT count(*) FROM repeatability").fetchall() == [(0,)]
    assert [path.name for path in tmp_path.glob(".*fresh*")] == []
