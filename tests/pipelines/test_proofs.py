"""A repair is proven, or not, by three good captures after it; told again it is the same event."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.facts.rendering import render
from data_contracts.tables import TABLES, polars_schema
from models.work.order_states import OrderEvent
from models.work.repair_proof import PROVING_WEEKS
from pipelines.decisions.order_decisions import record, repairs_from_orders, stored_events, take_in_decisions
from pipelines.decisions.proofs import PERSON, proofs_due
from pipelines.decisions.repairs import with_touched
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import make_workspace

DONE = datetime(2026, 4, 8, 12, tzinfo=UTC)  # 2026-W15
FILL: dict[Any, Any] = {
    pl.String: "x",
    pl.Boolean: False,
    pl.Float64: 0.0,
    pl.Int64: 1,
    pl.Date: DONE.date(),
}


def filled(table: str, **told: object) -> pl.DataFrame:
    """One row with what is told, and something of the right kind where a value is needed."""
    schema = polars_schema(TABLES[table])
    needed = {column.name for column in TABLES[table].columns if column.required}
    words = {column.name: column.words[0] for column in TABLES[table].columns if column.words}
    row = {
        name: told.get(name, words.get(name, FILL.get(type(kind), FILL.get(kind))) if name in needed else None)
        for name, kind in schema.items()
    }
    row |= {
        name: DONE
        for name, kind in schema.items()
        if row[name] is None and name in needed and isinstance(kind, pl.Datetime)
    }
    row |= {
        name: [] for name, kind in schema.items() if row[name] is None and name in needed and isinstance(kind, pl.List)
    }
    return pl.DataFrame([row], schema=schema)


PEAK = "main_peak_reference_g_s"
LAST_WEEK = "2026-W40"


def visit(warehouse: Warehouse, week: str, value: float, days: int, *, captures: int = 1) -> None:
    """One visit of v1: its trend of the main peak, and its captures."""
    at = DONE + timedelta(days=days)
    for n in range(captures):
        told = {
            "week": week,
            "visit": week,
            "captured_at": at + timedelta(minutes=n),
            "grade": "good",
            "grade_reasons": [],
        }
        warehouse.append("captures", filled("captures", capture_id=f"{week}-{n}", van_id="v1", **told))
    levels = {"value": value, "value_u": 0.5, "baseline": 100.0, "baseline_u": 0.5}
    warehouse.append("trends", filled("trends", van_id="v1", week=week, quantity=PEAK, **levels))


def due(warehouse: Warehouse, week: str = LAST_WEEK) -> list[OrderEvent]:
    """What is due in a week, with the trends of its run."""
    repairs = with_touched(repairs_from_orders(warehouse), {}, {})
    return proofs_due(warehouse, warehouse.query("SELECT * FROM trends WHERE week <= ?", [week]), repairs, week)


@pytest.mark.parametrize(("after", "state"), [(100.0, "proven"), (80.5, "not_proven"), (60.0, "not_proven")])
def test_three_good_captures_judge_a_repair(tmp_path: Path, after: float, state: str) -> None:
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        visit(warehouse, "2026-W14", 80.0, -7)
        visit(warehouse, "2026-W16", after, 7, captures=2)
        assert due(warehouse) == []
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="intake_restricted", hours=0.5, cost=25.0))
        take_in_decisions(workspace, warehouse)
        assert due(warehouse) == []  # two captures
        visit(warehouse, "2026-W17", after, 14)
        (event,) = due(warehouse)
        assert (event.state, event.person, event.at) == (state, PERSON, DONE + timedelta(days=14))
        assert event.reason == ("made worse" if after < 79 else "")
        (fact,) = event.note_facts
        assert event.note == render(fact)
        assert (fact.numbers["before"], fact.numbers["after"]) == (80.0, after)
        record(workspace, event)
        take_in_decisions(workspace, warehouse)
        assert warehouse.query("SELECT state FROM work_orders").item() == state
        assert due(warehouse) == []
        before = stored_events(warehouse)
        assert [one.note_facts for one in before] == [(), (fact,)]
        record(workspace, event)
        take_in_decisions(workspace, warehouse)
        assert stored_events(warehouse) == before


def test_what_can_not_be_told_is_waited_for_and_then_left_open_until_later_visits_tell(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        visit(warehouse, "2026-W14", 80.0, -7)
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="intake_restricted", hours=0.5, cost=25.0))
        take_in_decisions(workspace, warehouse)
        visit(warehouse, "2026-W16", 90.0, 7, captures=3)  # half made good
        assert due(warehouse) == []
        visit(warehouse, "2026-W20", 90.0, 7 * PROVING_WEEKS - 7)
        assert due(warehouse) == []
        visit(warehouse, "2026-W22", 90.0, 7 * PROVING_WEEKS + 1)
        (event,) = due(warehouse)
        assert (event.state, event.proof) == ("not_proven", "cant_tell")
        assert [fact.code for fact in event.note_facts] == ["proof_within_scatter", "repair_compared"]
        record(workspace, event)
        take_in_decisions(workspace, warehouse)
        assert warehouse.query("SELECT state, proof FROM work_orders").row(0) == ("not_proven", "cant_tell")
        statistics = (
            "SELECT proven, not_proven, cant_tell, waiting, share_proven FROM proof_statistics WHERE kind = 'action'"
        )
        assert warehouse.query(statistics).row(0) == (0, 0, 1, 0, None)
        assert due(warehouse) == []
        visit(warehouse, "2026-W23", 100.0, 7 * PROVING_WEEKS + 8)
        visit(warehouse, "2026-W24", 100.0, 7 * PROVING_WEEKS + 15)
        repairs = with_touched(repairs_from_orders(warehouse), {}, {})
        again = repairs.with_columns(
            repair_id=pl.lit("next"), done_at=pl.col("done_at") + timedelta(weeks=PROVING_WEEKS)
        )
        trends = warehouse.query("SELECT * FROM trends")
        repairs = pl.concat([repairs, again])
        assert proofs_due(warehouse, trends, repairs, LAST_WEEK) == []  # what came back may be the next repair's
        (later,) = due(warehouse)
        assert (later.state, later.proof) == ("proven", "proven")
        record(workspace, later)
        take_in_decisions(workspace, warehouse)
        assert warehouse.query("SELECT state, proof FROM work_orders").row(0) == ("proven", "proven")
        assert warehouse.query(statistics).row(0) == (1, 0, 0, 0, 1.0)


@pytest.mark.parametrize(("captures", "before", "why"), [(1, 80.0, "proof_too_few"), (3, None, "proof_unread")])
def test_a_proof_left_open_says_why(tmp_path: Path, captures: int, before: float | None, why: str) -> None:
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        if before is not None:
            visit(warehouse, "2026-W14", before, -7)
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="intake_restricted", hours=0.5, cost=25.0))
        take_in_decisions(workspace, warehouse)
        visit(warehouse, "2026-W20", 100.0, 7 * PROVING_WEEKS - 7)
        assert due(warehouse) == []
        visit(warehouse, "2026-W21", 100.0, 7 * PROVING_WEEKS, captures=captures)
        (event,) = due(warehouse)
        assert (event.proof, event.note_facts[0].code) == ("cant_tell", why)
        assert event.note.startswith("Six weeks could not tell")


def test_a_finding_without_a_job_or_without_a_repair_is_not_judged(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="none", hours=0.5))
        take_in_decisions(workspace, warehouse)
        visit(warehouse, "2026-W14", 80.0, -7)
        visit(warehouse, "2026-W16", 100.0, 7, captures=4)
        assert due(warehouse) == []


def test_a_week_judged_again_knows_no_later_captures(tmp_path: Path) -> None:
    """Six weeks are over in the later week alone: in the earlier one the repair waited still."""
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        visit(warehouse, "2026-W14", 80.0, -7)
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="intake_restricted", hours=0.5, cost=25.0))
        take_in_decisions(workspace, warehouse)
        visit(warehouse, "2026-W16", 90.0, 7, captures=3)  # half made good
        visit(warehouse, "2026-W22", 90.0, 7 * PROVING_WEEKS + 1)
        assert due(warehouse, "2026-W16") == []
        (event,) = due(warehouse, "2026-W22")
        assert (event.proof, event.at) == ("cant_tell", DONE + timedelta(weeks=PROVING_WEEKS, days=1))
