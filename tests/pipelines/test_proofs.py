"""A repair is proven, or not, by the first visit after it; told again it is the same event."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.facts.say import say
from data_contracts.tables import TABLES, polars_schema
from models.work.order_states import OrderEvent
from pipelines.decisions.order_decisions import record, stored_events, take_in_decisions
from pipelines.decisions.proofs import PERSON, proofs_due
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


@pytest.mark.parametrize(("after", "state"), [(100.0, "proven"), (80.5, "not_proven"), (60.0, "not_proven")])
def test_the_next_visit_judges_a_repair(tmp_path: Path, after: float, state: str) -> None:
    workspace = make_workspace(tmp_path / "home", {})
    with Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.append("work_orders", filled("work_orders", order_id="o1", van_id="v1", state="proposed"))
        for week, value, days in (("2026-W14", 80.0, -7), ("2026-W16", after, 7)):
            warehouse.append(
                "captures",
                filled("captures", capture_id=week, van_id="v1", week=week, captured_at=DONE + timedelta(days=days)),
            )
            warehouse.append(
                "trends",
                filled(
                    "trends",
                    van_id="v1",
                    week=week,
                    quantity="main_peak_reference_g_s",
                    value=value,
                    value_u=0.5,
                    baseline=100.0,
                    baseline_u=0.5,
                ),
            )
        assert proofs_due(warehouse, warehouse.query("SELECT * FROM trends")) == []
        record(workspace, OrderEvent("o1", "done", DONE, "fitter", found="intake_restricted", hours=0.5, cost=25.0))
        take_in_decisions(workspace, warehouse)
        (event,) = proofs_due(warehouse, warehouse.query("SELECT * FROM trends"))
        assert (event.state, event.person, event.at) == (state, PERSON, DONE + timedelta(days=7))
        assert event.reason == ("made worse" if after < 79 else "")
        (fact,) = event.note_facts
        assert event.note == say(fact)
        assert fact.numbers["before"] == 80.0
        assert fact.numbers["after"] == after
        record(workspace, event)
        take_in_decisions(workspace, warehouse)
        assert warehouse.query("SELECT state FROM work_orders").item() == state
        assert proofs_due(warehouse, warehouse.query("SELECT * FROM trends")) == []
        before = stored_events(warehouse)
        assert [one.note_facts for one in before] == [(), (fact,)]
        record(workspace, event)
        take_in_decisions(workspace, warehouse)
        assert stored_events(warehouse) == before
