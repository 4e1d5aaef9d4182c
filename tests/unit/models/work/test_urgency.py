"""Limits that hurt, fault codes that stand, and the order of reasons."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.family import parse_family
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.jobs import TESTS
from models.work.standing_codes import standing_codes
from models.work.urgency import Finding, cost_of_waiting, most_hurting_first, pointed_to, urgency_of
from models.work.worth import NO_WORTH, RankingSettings

MONDAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
NO_REPAIRS = pl.DataFrame(schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC")})


def captures(codes_of_visit: list[list[str]]) -> pl.DataFrame:
    at = [MONDAY + timedelta(weeks=n) for n in range(len(codes_of_visit))]
    rows = [("v1", day, f"v1-{n}", codes) for n, (day, codes) in enumerate(zip(at, codes_of_visit, strict=True))]
    return pl.DataFrame(rows, schema=["van_id", "captured_at", "visit", "fault_codes"], orient="row")


@pytest.mark.parametrize(
    ("visits", "stands"),
    [
        ([[], ["P0302"], ["P0302"], [" p0302 "]], {"P0302": 3}),
        ([["P0302"], ["P0302"], [], ["P0302"], []], {"P0302": 3}),  # not every visit reads the codes out
        ([["P0302"], ["P0302"], ["P0302"], [], []], {}),  # gone since
        ([[], [], ["P0302"]], {}),  # once
        ([["P9999"], ["P9999"], ["P9999"]], {}),  # unknown
    ],
)
def test_a_code_stands_visit_after_visit(visits: list[list[str]], stands: dict[str, int]) -> None:
    assert standing_codes(captures(visits), NO_REPAIRS) == ({"v1": stands} if stands else {})


def test_codes_of_before_a_repair_do_not_count() -> None:
    repairs = pl.DataFrame({"van_id": ["v1"], "done_at": [MONDAY + timedelta(weeks=2, days=1)]})
    visits = captures([["P0302"]] * 5)
    assert standing_codes(visits, repairs) == {}
    assert standing_codes(captures([["P0302"]] * 6), repairs) == {"v1": {"P0302": 3}}


def test_every_code_of_a_cause_is_known_and_every_test_exists() -> None:
    assert {code for cause in EVERY_CAUSE.values() for code in cause.fault_codes} <= set(FAULT_CODES)
    assert {known.test for known in FAULT_CODES.values() if known.test} <= set(TESTS)


def test_a_dead_injector_circuit_is_no_restricted_injector() -> None:
    assert not any(code.startswith("P020") for cause in CAUSES.values() for code in cause.fault_codes)
    assert {f"P020{n}" for n in range(1, 9)} | {f"P030{n}" for n in range(9)} <= set(FAULT_CODES)


def test_codes_point_to_causes_that_no_snap_tells() -> None:
    assert pointed_to({}) == {}
    assert pointed_to({"P0301": 3, "P0171": 3, "P0440": 3}) == {}  # they fit too much
    assert pointed_to({"P0201": 3, "P0301": 4}) == {"injector_dead": "P0201"}
    assert pointed_to({"P0496": 3, "P0441": 3, "P0087": 4, "P9999": 3}) == {
        "purge_valve_open": "P0496",
        "rail_pressure_low": "P0087",
    }


def test_a_pointing_code_names_the_cause_and_its_test_beside_the_leading_one() -> None:
    probability = dict.fromkeys(CAUSE_CODES, 0.0) | {"injector_restricted": 0.9, "none": 0.1}
    finding = Finding(probability, "injector_restricted", 0.8, standing_codes={"P0202": 4})
    plain = urgency_of(replace(finding, standing_codes={}), NO_WORTH, RankingSettings())
    found = urgency_of(finding, NO_WORTH, RankingSettings())
    told = [fact for fact in found.why if fact.code == "code_points"]
    assert [(fact.words["cause"], fact.words["test"]) for fact in told] == [("injector_dead", "injector_circuit")]
    assert not any(fact.code == "code_points" for fact in plain.why)
    assert told[0] in most_hurting_first((), found.why)


def test_a_family_sets_its_own_limits_and_a_wrong_one_is_told() -> None:
    table = {
        "displacement_l": 3.0,
        "cylinders": 6,
        "aspiration": "natural",
        "max_free_rpm": 6000,
        "airflow_sensor": {"kind": "g_s"},
        "lambda_sensor": {"kind": "ratio"},
    }
    default = parse_family("moor-30", table).limits
    own = parse_family("moor-30", table | {"limits": {"trim_idle_most_pct": 18.0, "trim_sum_most_pct": 30.0}}).limits
    idle, flow = "trim_idle_pct", "idle_g_s"
    assert (default.of_quantity[idle].low, default.of_quantity[idle].high) == (-25.0, 25.0)
    assert (own.of_quantity[idle].low, own.of_quantity[idle].high, own.trim_sum_pct) == (-18.0, 18.0, 30.0)
    assert (default.of_quantity[flow].low, default.of_quantity[flow].high) == (1.5, 7.5)
    with pytest.raises(ValueError, match=r"family moor-30: limits\.trim_idle_most_pct"):
        parse_family("moor-30", table | {"limits": {"trim_idle_most_pct": -1.0}})


def test_what_hurts_most_is_said_first() -> None:
    peak = Fact.of("limit_crossed", "main_peak_reference_g_s", level=49.0, limit=54.0, means="power")
    lean = Fact.of("limit_crossed", "lambda_full_throttle", level=1.09, limit=1.0, means="engine")
    cause = Fact.of("cause_hurts", cause="airflow_under_reading", probability=0.8, means="catalyst")
    code = Fact.of("code_agrees", fault_code="P0171", says="P0171")
    moved = Fact.of("stands_out")
    assert most_hurting_first([lean, peak, moved], [cause, code]) == (lean, cause, peak, code, moved)
    assert render(lean) == (
        "Lambda at full throttle is above the family's limit (1.09, limit 1.00): the engine or its turbocharger can be damaged."
    )


def test_danger_resolved_by_all_readings_together_alone_is_planned_not_urgent() -> None:
    probability = {"fuel_aeration": 0.9, "none": 0.1}
    finding = Finding(probability, "fuel_aeration", 0.8)
    assert urgency_of(finding, NO_WORTH, RankingSettings()).word == "now"
    vague = replace(finding, alarm=False)
    assert urgency_of(vague, NO_WORTH, RankingSettings()).word == "plan"
    agreed = replace(vague, standing_codes={"P0300": 3})
    assert urgency_of(agreed, NO_WORTH, RankingSettings()).word == "now"


HARMLESS = Finding({"lambda_slow": 0.1, "none": 0.9}, "none", 0.1)
JUST_BELOW = float(np.nextafter(0.5, 0.0))


@pytest.mark.parametrize(
    ("told", "avoided", "word"),
    [
        ({}, 0.0, "watch"),
        ({}, 1e-9, "plan"),
        ({"limit_crossed": True}, 0.0, "now"),
        ({"crosses": 0.5}, 0.0, "now"),
        ({"crosses": JUST_BELOW}, 0.0, "watch"),
        ({"crosses": JUST_BELOW, "crosses_within_13": 1.0}, 0.0, "plan"),
        ({"crosses_within_13": 0.5}, 0.0, "plan"),
        ({"crosses_within_13": JUST_BELOW}, 0.0, "watch"),
        ({"limit_crossed": True, "crosses": 1.0, "repaired_on": "2026-04-01"}, 900.0, "watch"),
        ({"limit_crossed": True, "alarm": False}, 0.0, "now"),
    ],
)
def test_urgency_at_the_thresholds_of_limits_and_worth(told: dict[str, Any], avoided: float, word: str) -> None:
    worth = replace(NO_WORTH, expected_cost_avoided=avoided)
    assert urgency_of(replace(HARMLESS, **told), worth, RankingSettings()).word == word


@pytest.mark.parametrize(
    ("share", "severity", "alarm", "word"),
    [
        (0.5, 0.5, True, "now"),
        (0.5, float("nan"), True, "now"),  # unknown is not taken for slight
        (0.5, JUST_BELOW, True, "plan"),
        (0.5, 0.0, True, "plan"),
        (0.5, 1.0, False, "plan"),
        (JUST_BELOW, 1.0, True, "plan"),
        (0.2, 0.25, False, "plan"),
        (0.2, 0.2, False, "watch"),  # likely slight, and less likely than not
        (0.19, 1.0, True, "watch"),
    ],
)
def test_urgency_at_the_thresholds_of_danger(share: float, severity: float, alarm: bool, word: str) -> None:
    causes = dict.fromkeys(CAUSE_CODES, 0.0) | {"unmetered_air": share - 0.1, "fuel_aeration": 0.1, "none": 1 - share}
    finding = Finding(causes, "not_separable", severity, alarm=alarm)
    dear = RankingSettings(call_in_cost=1e6)  # so that only danger speaks
    assert urgency_of(finding, NO_WORTH, dear).word == word


def test_a_van_is_fetched_where_waiting_for_a_planned_visit_costs_as_much() -> None:
    finding = Finding({"ignition_weak": 0.6, "none": 0.4}, "ignition_weak", 0.5)
    cost = cost_of_waiting(finding, 6.0)
    # severity 0.5 for 6 weeks: a catalyst at 0.06 a week and 1,200, standing, a failed test; power and fuel by the week
    comes = ((0.06, 1200), (0.01, 600), (0.5 / 52, 150))
    failures = sum((1 - math.exp(-6 * 0.5 * rate)) * price for rate, price in comes)
    assert cost == pytest.approx(0.6 * (failures + 6 * 0.5 * 9.0))
    same, dearer = (RankingSettings(call_in_cost=money) for money in (cost, math.nextafter(cost, math.inf)))
    fetched = urgency_of(finding, NO_WORTH, same)
    assert fetched.word == "now"
    assert [fact.code for fact in fetched.why] == ["cause_hurts", "waiting_costs"]
    assert urgency_of(finding, NO_WORTH, dearer).word == "watch"
    assert urgency_of(replace(finding, alarm=False), NO_WORTH, same).word == "watch"
    agreed = replace(finding, alarm=False, standing_codes={"P0300": 3})
    assert urgency_of(agreed, NO_WORTH, same).word == "now"
    assert urgency_of(agreed, NO_WORTH, dearer).word == "plan"  # the code alone
