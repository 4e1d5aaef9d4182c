"""A job that did not help is not asked for again: the test of its cause is."""

from pathlib import Path

import polars as pl
import pytest

from data_contracts.causes import CAUSES, NOT_SEPARABLE
from data_contracts.tables import WORK_ORDERS, polars_schema
from models.work.finding import finding_of
from models.work.first_step import first_step
from models.work.watchlist import Circumstances
from pipelines.decisions.proofs import jobs_in_vain, jobs_not_proven
from pipelines.storage.warehouse import Warehouse
from tests.unit.models.work.posteriors import posterior

NEEDED = {
    "family": "f",
    "depot": "d",
    "urgency": "plan",
    "cause": "lambda_slow",
    "action": "a",
    "reason": "r",
    "rank": 1,
}


ALARM = ["trim_idle_pct"]


def test_only_what_a_proof_showed_within_half_a_year_counts(tmp_path: Path) -> None:
    told = [
        ("v1", "2026-W10", "not_proven", "not_proven", "lambda_slow"),
        ("v1", "2026-W12", "not_proven", "made_worse", "unmetered_air"),
        ("v2", "2026-W10", "proven", "proven", "lambda_slow"),
        ("v3", "2025-W20", "not_proven", "not_proven", "lambda_slow"),
        ("v4", "2026-W30", "not_proven", "not_proven", "lambda_slow"),
        ("v5", "2026-W10", "not_proven", "not_proven", None),
        ("v6", "2026-W10", "not_proven", "cant_tell", "lambda_slow"),  # its alarm is gone
        ("v7", "2026-W10", "not_proven", "cant_tell", "lambda_slow"),  # its alarm stands
    ]
    rows = [
        NEEDED
        | {"order_id": str(n), "van_id": van, "week": week, "state": state, "proof": proof, "found": found}
        | {"flagged_by": ALARM}
        for n, (van, week, state, proof, found) in enumerate(told)
    ]
    trends = pl.DataFrame(
        [
            {"van_id": van, "week": week, "quantity": ALARM[0], "alarm": alarm}
            for van, week, alarm in (("v6", "2026-W12", True), ("v6", "2026-W19", False), ("v7", "2026-W18", True))
        ]
    )
    schema = polars_schema(WORK_ORDERS)
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        warehouse.append(
            "work_orders", pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)
        )
        assert jobs_in_vain(jobs_not_proven(warehouse, "2026-W20"), trends) == {
            "v1": frozenset({"lambda_slow", "unmetered_air"}),
            "v7": frozenset({"lambda_slow"}),
        }


@pytest.mark.parametrize("cause", ["lambda_slow", "unmetered_air", "fuel_delivery_weak", "intake_restricted"])
def test_its_cause_is_tested_for_in_place_of_the_same_job(cause: str) -> None:
    found = posterior({"v1": {cause: 0.9, "none": 0.1}})
    assert first_step(finding_of(0, found, Circumstances()), 0, found).leading == cause
    vain = Circumstances(in_vain=frozenset({cause}))
    step = first_step(finding_of(0, found, vain), 0, found)
    assert (step.leading, step.test) == (NOT_SEPARABLE, CAUSES[cause].first_test)
    assert step.test is not None
    other = Circumstances(in_vain=frozenset({"exhaust_leak"}))
    assert first_step(finding_of(0, found, other), 0, found).leading == cause
