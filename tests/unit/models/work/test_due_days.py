"""The day an order is due: by urgency, danger, limits and warranties; and that it holds."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.facts.rendering import sentence
from models.work.orders import WatchedVan, due_by, propose_orders
from models.work.urgency import Finding, cost_of_waiting
from models.work.visit_plan import plan_orders
from models.work.worth import RankingSettings
from tests.unit.models.work.posteriors import posterior

SLIGHT = Finding({"lambda_slow": 0.9, "none": 0.1}, "lambda_slow", 0.3)
"""Endangers nobody, and costs little to leave."""


def watched(van_id: str, **changes: object) -> WatchedVan:
    van = WatchedVan(van_id, "brook-20", "north", "2026-W14", "plan", "2026-W12", 5.0, None, ())
    return replace(van, **changes)  # type: ignore[arg-type]


MONDAY_AFTER = date(2026, 4, 6)  # the first day after the list of 2026-W14


@pytest.mark.parametrize(("urgency", "days"), [("now", 7), ("plan", 45), ("watch", 91)])
def test_due_by_urgency_where_no_limit_is_in_sight(urgency: str, days: int) -> None:
    for unknown in (None, float("inf"), float("nan")):
        van = watched("v1", urgency=urgency, weeks_to_limit=unknown)
        assert due_by(van, SLIGHT, RankingSettings()) == MONDAY_AFTER + timedelta(days=days)


@pytest.mark.parametrize(
    ("pressing", "weeks", "urgency", "days"),
    [
        (5.0, 5.0, "plan", 35),
        (3.99, 3.99, "plan", 27),
        (30.0, 30.0, "plan", 45),
        (10.0, 10.0, "watch", 70),
        (5.0, 5.0, "now", 7),
        (1.2, 1.2, "plan", 8),
        (0.01, 0.01, "plan", 7),
        (0.0, 0.0, "plan", 7),  # as near as a limit can be: crossing it puts nothing off
        (None, 5.0, "plan", 35),
        (None, 3.0, "plan", 28),
        (None, 0.01, "plan", 28),
        (None, 0.0, "plan", 28),
        (None, 0.0, "watch", 28),
        (2.0, 0.0, "plan", 14),  # a crossed limit that can wait hides none that cannot
    ],
)
def test_due_before_the_limit_but_never_before_the_work_can_be_done(
    pressing: float | None, weeks: float, urgency: str, days: int
) -> None:
    van = watched("v1", urgency=urgency, weeks_to_limit=weeks, weeks_to_pressing_limit=pressing)
    assert due_by(van, SLIGHT, RankingSettings()) == MONDAY_AFTER + timedelta(days=days)


@pytest.mark.parametrize(
    ("warranty", "due"),
    [
        (MONDAY_AFTER, MONDAY_AFTER),  # its last day is the first on which work can be done
        (MONDAY_AFTER - timedelta(days=1), None),  # ended already
        (MONDAY_AFTER + timedelta(days=27), MONDAY_AFTER + timedelta(days=27)),
        (MONDAY_AFTER + timedelta(days=28), None),  # ends when the four weeks set have gone
    ],
)
def test_due_before_a_warranty_that_ends_within_the_weeks_set(warranty: date, due: date | None) -> None:
    van = watched("v1", urgency="plan", weeks_to_limit=None, warranty_until=warranty)
    usual = MONDAY_AFTER + timedelta(days=45)
    assert due_by(van, SLIGHT, RankingSettings(warranty_weeks=4.0)) == (due or usual)


def test_a_warranty_never_puts_an_urgent_van_off() -> None:
    van = watched("v1", urgency="now", warranty_until=MONDAY_AFTER + timedelta(days=40))
    assert due_by(van, SLIGHT, RankingSettings()) == MONDAY_AFTER + timedelta(days=7)
    order = propose_orders([van], posterior({"v1": {"lambda_slow": 0.9, "none": 0.1}})).orders.row(0, named=True)
    assert order["due_by"] == MONDAY_AFTER + timedelta(days=7)


@pytest.mark.parametrize(("urgency", "days"), [("now", 7), ("plan", 28), ("watch", 91)])
def test_a_planned_van_that_may_endanger_people_is_due_within_four_weeks(urgency: str, days: int) -> None:
    van = watched("v1", urgency=urgency, weeks_to_limit=None)
    even = Finding({"unmetered_air": 0.2, "lambda_slow": 0.8}, "lambda_slow", 0.0, {"unmetered_air": 0.25})
    assert cost_of_waiting(even, 13.0) < RankingSettings().call_in_cost
    assert due_by(van, even, RankingSettings()) == MONDAY_AFTER + timedelta(days=days)
    less = replace(even, probability={"unmetered_air": float(np.nextafter(0.2, 0.0)), "lambda_slow": 0.8})
    later = {"plan": 45}.get(urgency, days)
    assert due_by(van, less, RankingSettings()) == MONDAY_AFTER + timedelta(days=later)


def test_a_planned_van_is_due_within_four_weeks_where_a_quarter_of_waiting_costs_more_than_fetching_it() -> None:
    van, cost = watched("v1", weeks_to_limit=None), cost_of_waiting(SLIGHT, 13.0)
    # 13 weeks at severity 0.3: fuel at 2.4, a catalyst at 0.001 a week and 1,200, a failed test at 0.8 a year and 150
    failures = (1 - np.exp(-13 * 0.001 * 0.3)) * 1200 + (1 - np.exp(-13 * 0.8 / 52 * 0.3)) * 150
    assert cost == pytest.approx(0.9 * (13 * 2.4 * 0.3 + failures))
    assert cost_of_waiting(replace(SLIGHT, duty=2.0), 13.0) == pytest.approx(cost + 0.9 * failures)
    assert due_by(van, SLIGHT, RankingSettings(call_in_cost=cost)) == MONDAY_AFTER + timedelta(days=28)
    dearer = RankingSettings(call_in_cost=float(np.nextafter(cost, np.inf)))
    assert due_by(van, SLIGHT, dearer) == MONDAY_AFTER + timedelta(days=45)


def test_a_repair_is_proven_within_four_weeks() -> None:
    van = watched("v1", urgency="watch", weeks_to_limit=None)
    assert due_by(van, replace(SLIGHT, repaired_on="2026-04-01"), RankingSettings()) == MONDAY_AFTER + timedelta(28)


def test_a_day_set_once_moves_only_earlier_and_when_it_has_passed_the_plan_says_so() -> None:
    def run(week: str, urgency: str, existing: pl.DataFrame | None = None) -> pl.DataFrame:
        van = watched("v1", week=week, urgency=urgency, weeks_to_limit=None)
        return propose_orders([van], posterior({"v1": {"lambda_slow": 0.9, "none": 0.1}}), existing=existing).orders

    first = run("2026-W14", "plan")
    day = first["due_by"].item()
    assert day == date(2026, 4, 6) + timedelta(days=45)
    later = run("2026-W18", "watch", run("2026-W16", "plan", first))
    assert later["due_by"].item() == day
    sooner = run("2026-W18", "now", later)
    assert sooner["due_by"].item() == date(2026, 5, 11)
    assert not sentence(plan_orders(sooner, week="2026-W18").row(0, named=True), "plan_note").startswith("overdue")
    past = plan_orders(run("2026-W20", "plan", sooner), week="2026-W20").row(0, named=True)
    assert past["due_by"] == date(2026, 5, 11)
    assert sentence(past, "plan_note").startswith("overdue since 2026-05-11")


@pytest.mark.parametrize(
    ("state", "moves"),
    [("proposed", True), ("accepted", True), ("booked", True), ("postponed", False), ("done", False)],
)
def test_the_day_of_work_that_is_agreed_moves_earlier_when_the_van_gets_worse(state: str, moves: bool) -> None:
    causes = posterior({"v1": {"lambda_slow": 0.9, "none": 0.1}})
    first = propose_orders([watched("v1", weeks_to_limit=None)], causes).orders.with_columns(state=pl.lit(state))
    worse = watched("v1", week="2026-W15", urgency="now", weeks_to_limit=None)
    after = propose_orders([worse], causes, existing=first).orders.row(0, named=True)
    set_at_first = MONDAY_AFTER + timedelta(days=45)
    assert after["due_by"] == (MONDAY_AFTER + timedelta(days=14) if moves else set_at_first)
    later = replace(worse, week="2026-W16", urgency="plan")
    again = propose_orders([later], causes, existing=pl.DataFrame([after], schema=first.schema)).orders
    assert again["due_by"].to_list() == [after["due_by"]]
    if state != "proposed":
        assert {after[name] for name in ("urgency", "week")} == {"plan", "2026-W14"}
