"""What came after a week changes nothing of that week's list: captures, repairs, decisions and findings, each alone."""

from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from data_contracts.weeks import week_end
from models.work.order_states import OrderEvent
from pipelines.decisions.lessons import findings_until
from pipelines.decisions.order_decisions import record, take_in_decisions
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.deliveries import ask
from tests.pipelines.judged_home import fleet_of_readings, judge, judged_home, put_captures
from tests.pipelines.test_proofs import filled
from tests.readings_fleet import ReadingsFleet

MOMENT = timedelta(microseconds=1)


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return fleet_of_readings()


@pytest.fixture(scope="module")
def week(fleet: ReadingsFleet) -> str:
    return fleet.weeks[11]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, fleet: ReadingsFleet) -> Workspace:
    return judged_home(tmp_path_factory.mktemp("earlier") / "home", fleet)


def week_as_told(home: Workspace, week: str) -> dict[str, pl.DataFrame]:
    """Everything said of a week when the job stands for it."""
    judge(home, week)
    told = {
        table: ask(home, f"SELECT * FROM {table} WHERE week = '{week}' ORDER BY ALL")
        for table in ("watchlist", "notices", "learning")
    }
    told["trends"] = ask(home, "SELECT * FROM trends ORDER BY van_id, week, quantity")
    told["at_reference"] = ask(
        home,
        "SELECT c.capture_id, c.representative, r.main_peak_reference_g_s FROM captures c "
        f"JOIN readings r USING (capture_id) WHERE c.week <= '{week}' ORDER BY ALL",
    )
    return told


@pytest.fixture(scope="module")
def then(home: Workspace, fleet: ReadingsFleet, week: str) -> dict[str, pl.DataFrame]:
    """The week as it stood when it was the latest there was."""
    put_captures(home, fleet.frame.filter(pl.col("week") <= week))
    told = week_as_told(home, week)
    assert told["watchlist"].height >= 3
    assert told["trends"].height > 500
    return told


def assert_same(told: dict[str, pl.DataFrame], then: dict[str, pl.DataFrame]) -> None:
    for table, rows in then.items():
        assert told[table].equals(rows), table


def test_later_captures_change_nothing(
    home: Workspace, fleet: ReadingsFleet, week: str, then: dict[str, pl.DataFrame]
) -> None:
    put_captures(home, fleet.frame)
    judge(home)
    later = ask(home, "SELECT DISTINCT week FROM trends")["week"].max()
    assert later > week  # they are used where they may be
    assert_same(week_as_told(home, week), then)


def test_a_repair_after_its_end_changes_nothing_and_one_before_does(
    home: Workspace, fleet: ReadingsFleet, week: str, then: dict[str, pl.DataFrame]
) -> None:
    put_captures(home, fleet.frame)
    path = home.register / "repairs.csv"

    def repaired(at: datetime) -> dict[str, pl.DataFrame]:
        rows = [
            {"van_id": van, "done_at": at.isoformat(), "work": "engine replaced"} for van in then["watchlist"]["van_id"]
        ]
        pl.DataFrame(rows).write_csv(path)
        return week_as_told(home, week)

    try:
        assert_same(repaired(week_end(week)), then)
        early = repaired(week_end(week) - timedelta(days=21))
        assert not early["trends"].equals(then["trends"])
    finally:
        path.unlink()


def test_decisions_and_findings_after_its_end_change_nothing_and_earlier_findings_teach(
    home: Workspace, fleet: ReadingsFleet, week: str, then: dict[str, pl.DataFrame]
) -> None:
    put_captures(home, fleet.frame)
    judge(home, week)
    orders = ask(home, "SELECT order_id FROM work_orders WHERE state = 'proposed' ORDER BY order_id")[
        "order_id"
    ].to_list()
    assert len(orders) >= 3

    def tell(order: str, state: str, at: datetime, **more: object) -> None:
        record(home, OrderEvent(order, state, at, "foreman", **more))  # type: ignore[arg-type]
        with Warehouse(home.warehouse_path) as warehouse:
            take_in_decisions(home, warehouse)

    end = week_end(week)
    tell(orders[0], "declined", end + timedelta(days=1), reason="sold")
    tell(orders[1], "done", end, found="lambda_slow", hours=9.0, cost=900.0)
    assert_same(week_as_told(home, week), then)
    tell(orders[2], "done", end - MOMENT, found="lambda_slow", hours=9.0, cost=900.0)
    taught = week_as_told(home, week)["learning"]
    assert then["learning"].is_empty()
    assert "lambda_slow" in taught["subject"].to_list()


def test_a_finding_counts_from_its_moment_and_the_last_word_by_the_end_of_the_week_is_taken(tmp_path: Path) -> None:
    workspace, end = make_workspace(tmp_path / "home", {}), week_end("2026-W14")
    with Warehouse(workspace.warehouse_path) as warehouse:
        for name in ("o1", "o2", "o3"):
            warehouse.append(
                "work_orders", filled("work_orders", order_id=name, van_id=name, family="f", state="proposed")
            )
        for name, at, found, hours in (
            ("o1", end - MOMENT, "lambda_slow", 2.0),
            ("o2", end, "lambda_slow", 2.0),
            ("o3", end - timedelta(days=2), "ignition_weak", 0.1),
            ("o3", end - timedelta(days=1), "none", None),
            ("o3", end + timedelta(days=1), "intake_restricted", 3.0),
        ):
            record(workspace, OrderEvent(name, "done", at, "fitter", found=found, hours=hours, cost=10.0))
        take_in_decisions(workspace, warehouse)
        told = findings_until(warehouse, "2026-W14", handling_hours=0.3)
        assert [(one.order_id, one.family, one.found, one.hours, one.parts_cost) for one in told] == [
            ("o1", "f", "lambda_slow", pytest.approx(1.7), 10.0),
            ("o3", "f", "none", None, 10.0),
        ]
        earlier = findings_until(warehouse, "2026-W13", handling_hours=0.3)
        assert earlier == []
        later = {one.order_id: one for one in findings_until(warehouse, "2026-W15", handling_hours=0.3)}
        assert set(later) == {"o1", "o2", "o3"}
        assert later["o3"].found == "intake_restricted"
