"""Tables: the published names of the output contract are there, in DDL and in polars alike."""

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.tables import RUNS, TABLES, TEST_PLAN, create_table_sql, polars_schema, rows_of

CONTRACT = {  # the output contract of the project: names other programs read
    "captures": "capture_id delivery van_id captured_at visit grade grade_reasons",
    "readings": (
        "capture_id idle_v idle_g_s first_peak_v dip_v main_peak_v main_peak_g_s main_peak_reference_g_s flow_per_rev_mg "
        "recirculation_pulse_v engine_speed_peak_rpm run_up_time_s throttle_opened tip_in_lean_blip lambda_full_throttle "
        "lambda_full_throttle_slope_per_s lambda_fuel_cut lambda_to_rich_dead_time_s lambda_to_rich_time_constant_s "
        "lambda_to_lean_dead_time_s lambda_to_lean_time_constant_s lambda_to_rich_switch_time_s "
        "lambda_to_lean_switch_time_s lean_needles cycle_ripple trim_idle_pct trim_2500_pct bank2_lambda_full_throttle "
        "idle_v_u main_peak_reference_g_s_u bank2_cycle_ripple_u unread"
    ),
    "trends": (
        "van_id week quantity value baseline peer_baseline z ewma cusum_high cusum_low slope_per_week slope_low slope_high "
        "weeks_to_limit_low weeks_to_limit weeks_to_limit_high alarm alarm_since"
    ),
    "watchlist": (
        "week rank van_id urgency anomaly_p leading_cause leading_cause_probability causes weeks_to_limit reasons"
    ),
    "work_orders": "order_id week rank van_id cause action hours expected_cost_avoided state due_by",
    "quarantine": "delivery file row rule reason first_seen state",
}


@pytest.mark.parametrize("name", sorted(CONTRACT))
def test_the_output_contract_is_kept(name: str) -> None:
    columns = {column.name for column in TABLES[name].columns}
    assert set(CONTRACT[name].split()) <= columns
    assert TABLES[name].published


@pytest.mark.parametrize("name", sorted(TABLES))
def test_ddl_and_polars_agree_in_duckdb(name: str) -> None:
    with duckdb.connect() as connection:
        connection.execute(create_table_sql(TABLES[name]))
        empty = connection.sql(f'SELECT * FROM "{name}"').pl()
    assert empty.columns == list(polars_schema(TABLES[name]))


def test_rows_become_the_frame_that_polars_makes_of_them() -> None:
    fact = Fact.of("test_odds", weeks=3, probability=0.25)
    rows: list[dict[str, Any]] = [
        {
            "week": "2026-W10",
            "van_id": "V1",
            "depot": "north",
            "last_seen": date(2026, 3, 2),
            "visits": np.int64(2),
            "overdue": np.bool_(True),
            "odds_unseen": np.float64(0.5),
            "loss_per_week": float("nan"),
            "reason_facts": [fact.row(), Fact.of("test_no_room", depot="north").row()],
        },
        {"week": "2026-W10", "van_id": "V2", "odds_unseen": 1, "reason_facts": [], "of_another_table": "x"},
        {"week": "2026-W10", "van_id": "V3", "reason_facts": None},
    ]
    schema = polars_schema(TEST_PLAN)
    plain = [{name: row.get(name) for name in schema} for row in rows]
    assert rows_of(TEST_PLAN, rows).equals(pl.DataFrame(plain, schema=schema, strict=False))
    assert dict(rows_of(TEST_PLAN, rows).schema) == schema
    assert rows_of(TEST_PLAN, []).equals(pl.DataFrame(schema=schema))
    moments = [{"finished_at": datetime(2026, 3, 2, 9, tzinfo=timezone(timedelta(hours=1)))}]
    assert rows_of(RUNS, moments)["finished_at"].to_list() == [datetime(2026, 3, 2, 8, tzinfo=UTC)]
