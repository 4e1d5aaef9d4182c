"""Notices about vans that share a fault and something else: from lists, findings and the register, of half a year."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from data_contracts.tables import VANS, WATCHLIST, WORK_ORDERS, polars_schema
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.shared_faults import shared_faults

WEEK = "2026-W30"
FRAME = pl.DataFrame(
    {
        "van_id": ["v1", "v1"],
        "captured_at": [datetime(2026, 7, 1, tzinfo=UTC)] * 2,
        "odometer_km": [1.0, None],
        "fuel": [None, "E5"],
    }
)


def register(**columns: object) -> pl.DataFrame:
    rows = [
        {"van_id": f"v{n}", "family": "brook-20", "depot": "north", "part_numbers": "pump=B7" if n < 5 else None}
        for n in range(40)
    ]
    return pl.DataFrame([row | columns for row in rows], schema=polars_schema(VANS))


def named(week: str, vans: range, cause: str) -> pl.DataFrame:
    rows = [
        {"week": week, "rank": n, "van_id": f"v{n}", "family": "brook-20", "depot": "north", "urgency": "plan"}
        | {"leading_cause": cause, "causes": [], "reasons": [], "new": False}
        for n in vans
    ]
    return pl.DataFrame(rows, schema=polars_schema(WATCHLIST))


def test_lists_of_half_a_year_and_what_workshops_found_count(tmp_path: Path) -> None:
    with Warehouse(tmp_path / "warehouse.duckdb") as warehouse:
        warehouse.append("watchlist", named("2026-W10", range(2), "fuel_delivery_weak"))
        warehouse.append("watchlist", named("2026-W01", range(30, 40), "fuel_delivery_weak"))  # too long ago
        order = {
            "order_id": "o1",
            "week": "2026-W12",
            "rank": 1,
            "van_id": "v2",
            "family": "brook-20",
            "depot": "north",
        }
        order |= {"urgency": "plan", "cause": "not_separable", "action": "", "reason": "", "state": "proven"}
        warehouse.append(
            "work_orders", pl.DataFrame([order | {"found": "fuel_delivery_weak"}], schema=polars_schema(WORK_ORDERS))
        )
        listed = named(WEEK, range(3, 4), "fuel_delivery_weak")
        (fact,) = shared_faults(warehouse, register(), FRAME, listed, WEEK)
        assert (fact.code, fact.words["value"], fact.numbers["count"], fact.numbers["vans"]) == ("cluster", "B7", 4, 5)
        assert (fact.numbers["count_elsewhere"], fact.numbers["elsewhere"]) == (0, 35)
        assert shared_faults(warehouse, register(), FRAME, listed, "2026-W02") == []
        other = order | {"order_id": "o2", "van_id": "v0", "cause": "fuel_delivery_weak", "found": "lambda_slow"}
        warehouse.append("work_orders", pl.DataFrame([other], schema=polars_schema(WORK_ORDERS)))
        (fact,) = shared_faults(warehouse, register(), FRAME, listed, WEEK)
        assert fact.numbers["count"] == 3  # a workshop found another cause in its place


def test_the_fuel_of_the_register_goes_before_that_of_captures(tmp_path: Path) -> None:
    """Eight vans filled with E85 by their captures, the register silent or half filled; where it says otherwise, it counts."""
    vans = register(part_numbers=None)
    frame = pl.DataFrame(
        {
            "van_id": [f"v{n}" for n in range(40)],
            "captured_at": [datetime(2026, 7, 1, tzinfo=UTC)] * 40,
            "odometer_km": [None] * 40,
            "fuel": ["e85" if n < 8 else "E10" for n in range(40)],
        },
        schema_overrides={"odometer_km": pl.Float64},
    )
    half = vans.with_columns(
        fuel=pl.when(pl.int_range(40) % 2 == 1).then(
            pl.when(pl.int_range(40) < 8).then(pl.lit("E85 ")).otherwise(pl.lit("E10"))
        )
    )
    with Warehouse(tmp_path / "warehouse.duckdb") as warehouse:
        listed = named(WEEK, range(6), "fuel_delivery_weak")
        for known in (vans, half):
            (fact,) = shared_faults(warehouse, known, frame, listed, WEEK)
            assert (fact.words["shared"], fact.words["value"]) == ("fuel", "E85")
            assert (fact.numbers["count"], fact.numbers["vans"]) == (6, 8)
        assert shared_faults(warehouse, vans.with_columns(fuel=pl.lit("E10")), frame, listed, WEEK) == []


def test_a_register_and_a_week_with_nothing_in_them_say_nothing(tmp_path: Path) -> None:
    with Warehouse(tmp_path / "warehouse.duckdb") as warehouse:
        nothing = named(WEEK, range(0), "")
        assert shared_faults(warehouse, register().clear(), FRAME.clear(), nothing, WEEK) == []
        assert shared_faults(warehouse, register(part_numbers=None), FRAME, nothing, WEEK) == []
