"""The plan of the tests: a hand-computed optimum, limits, who goes first, and what is said of it."""

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import sentence
from data_contracts.tables import TEST_PLAN, polars_schema
from data_contracts.weeks import week_of
from models.work.testing_plan import (
    PlanningSettings,
    VanToTest,
    best_cost,
    interval_of,
    ordinary_shares,
    plan_tests,
)
from models.work.unseen import AHEAD_WEEKS, begun_later
from tests.unit.models.work.test_unseen import constant

WEEK = "2026-W14"
MONDAY = date(2026, 4, 6)  # of week 15, where the plan begins
LAST = MONDAY - timedelta(days=3)
WIDE = PlanningSettings(per_depot_week=100)


def weekly_until(last: date, visits: int = 20, every: int = 7) -> tuple[date, ...]:
    return tuple(last - timedelta(days=every * number) for number in reversed(range(visits)))


def van(van_id: str = "v1", **told: object) -> VanToTest:
    return replace(VanToTest(van_id, "f", "north", False, weekly_until(LAST)), **told)  # type: ignore[arg-type]


def rows(*vans: VanToTest, settings: PlanningSettings = WIDE, **more: object) -> dict[str, dict[str, object]]:
    frame = plan_tests(vans, week=WEEK, settings=settings, **more)  # type: ignore[arg-type]
    return {row["van_id"]: row for row in frame.iter_rows(named=True)}


def codes(row: dict[str, object]) -> list[str]:
    return [fact["code"] for fact in row["reason_facts"]]  # type: ignore[attr-defined, union-attr]


@pytest.mark.parametrize(
    ("visit", "rate", "cost"), [(32.0, 0.01, 100.0), (50.0, 0.01, 25.0), (8.0, 0.04, 16.0), (90.0, 0.02, 20.0)]
)
def test_the_interval_of_a_simple_fault_is_the_textbook_s(visit: float, rate: float, cost: float) -> None:
    """A fault that is there at once, always found, and costs c a week: test after √(2 v / (h c)), at √(2 v h c) a week."""
    textbook = math.sqrt(2.0 * visit / (rate * cost))
    ahead = begun_later(constant(cost))
    sums = np.cumsum(ahead.failures)
    best = best_cost(sums, np.zeros_like(sums), 1.0, rate, visit)
    assert best == pytest.approx(math.sqrt(2.0 * visit * rate * cost), rel=0.01)
    found = interval_of(ahead.times(rate), 1.0, best, replace(WIDE, most_odds_unseen=0.99, longest_weeks=26))
    assert abs(found.by_cost - textbook) <= 0.51
    assert found.weeks == min(found.by_cost, 26)
    # no other whole number of weeks costs less
    costs = (visit + rate * sums) / np.arange(1, AHEAD_WEEKS + 1)
    assert costs[found.by_cost - 1] == pytest.approx(costs.min())


def test_the_odds_set_the_limit_where_they_come_first() -> None:
    """One fault in 50 weeks, serious at once: after T weeks the odds are 1 - exp(-T/50)."""
    ahead = begun_later(constant(0.0, serious=1.0)).times(0.02)
    for most in (0.05, 0.1, 0.2):
        found = interval_of(ahead, 1.0, math.inf, PlanningSettings(most_odds_unseen=most, longest_weeks=26))
        assert found.by_odds == math.floor(-50.0 * math.log1p(-most))
        assert found.weeks == found.by_odds
        assert found.by_cost == AHEAD_WEEKS
    assert interval_of(ahead, 1.0, math.inf, PlanningSettings(most_odds_unseen=1e-6)).weeks == 1
    assert interval_of(ahead, 1.0, 0.0, PlanningSettings()).weeks == 1


def test_no_van_goes_unseen_longer_than_set_nor_is_tested_within_a_week() -> None:
    lax = PlanningSettings(faults_a_year=1e-6, most_odds_unseen=0.9, longest_weeks=6)
    row = rows(van(), settings=lax)["v1"]
    assert row["interval_weeks"] == 6
    assert row["next_test"] == row["unseen_until"] == LAST + timedelta(weeks=6)
    assert codes(row) == ["test_longest"]
    strict = rows(van(), settings=PlanningSettings(faults_a_year=50.0, most_odds_unseen=1e-3))["v1"]
    assert strict["interval_weeks"] == 1
    assert codes(strict) == ["test_odds_now"]


def interval(**told: object) -> int:
    settings = told.pop("settings", replace(WIDE, longest_weeks=26))
    shares = told.pop("shares", None)
    return int(rows(van(**told), settings=settings, shares=shares)["v1"]["interval_weeks"])  # type: ignore[arg-type, call-overload]


def test_what_costs_more_or_comes_more_often_is_tested_sooner() -> None:
    by_cost = replace(WIDE, most_odds_unseen=0.99, longest_weeks=26, faults_a_year=1.0)
    duties = [interval(duty=duty, settings=by_cost) for duty in (0.1, 1.0, 4.0, 16.0)]
    assert duties == sorted(duties, reverse=True)
    assert duties[0] > duties[-1]
    visits = [interval(settings=replace(by_cost, visit_cost=cost)) for cost in (2.0, 8.0, 32.0)]
    assert visits == sorted(visits)
    assert visits[0] < visits[-1]
    worn = [interval(wear=wear) for wear in (0.5, 1.0, 2.0, 8.0)]
    assert worn == sorted(worn, reverse=True)
    assert worn[0] > worn[-1]
    signs = [interval(sign=times) for times in (1.0, 10.0, 100.0)]
    assert signs == sorted(signs, reverse=True)
    assert signs[0] > signs[-1]
    dear, cheap = ({"f": {cause: 1.0}} for cause in ("ignition_weak", "lambda_slow"))
    assert interval(shares=dear, settings=by_cost) < interval(shares=cheap, settings=by_cost)
    # danger counts as serious from half the severity
    dangerous, harmless = ({"f": {cause: 1.0}} for cause in ("unmetered_air", "lambda_slow"))
    assert interval(shares=dangerous) < interval(shares=harmless)


def test_a_suspicion_calls_for_a_test_at_once_and_danger_goes_first() -> None:
    found = rows(
        van("quiet"),
        van("slow", probability={"lambda_slow": 0.7, "none": 0.3}, severity=0.4),
        van("danger", probability={"unmetered_air": 0.7, "none": 0.3}, severity=0.1),
    )
    assert found["slow"]["interval_weeks"] == found["danger"]["interval_weeks"] == 1
    assert found["quiet"]["interval_weeks"] > 1  # type: ignore[operator]
    assert sorted(found, key=lambda name: found[name]["rank"]) == ["danger", "slow", "quiet"]  # type: ignore[arg-type, return-value]
    assert found["danger"]["safety"] is True
    assert found["slow"]["safety"] is False


def test_a_sign_is_followed_up_and_forgotten_after_visits_that_show_nothing() -> None:
    """One fault in three years; odds of 1.2 % are allowed, which an ordinary van passes in the fifth week."""
    ordinary = interval()
    assert ordinary == 4
    assert interval(sign=10.0) == 1
    days = weekly_until(LAST)
    assert 1 <= interval(signs_before={days[-2]: 10.0}) < ordinary
    assert interval(signs_before={days[-4]: 10.0}) == ordinary
    # two signs in turn say more than one
    one, two = (rows(van(sign=10.0, signs_before=before))["v1"] for before in ({}, {days[-2]: 10.0}))
    assert two["odds_unseen"] > 3 * one["odds_unseen"]  # type: ignore[operator]


def test_the_odds_are_those_of_the_day_and_rise_until_the_limit() -> None:
    before = rows(van())["v1"]
    later = rows(van(visits=weekly_until(LAST - timedelta(weeks=2))))["v1"]
    assert before["odds_unseen"] < later["odds_unseen"] <= later["odds_then"]  # type: ignore[operator]
    assert later["odds_then"] <= WIDE.most_odds_unseen  # type: ignore[operator]


def test_overdue_is_what_should_have_been_tested_before_the_plan_begins() -> None:
    found = rows(van(visits=weekly_until(LAST - timedelta(weeks=30))))["v1"]
    assert found["overdue"] is True
    assert found["next_test"] < MONDAY  # type: ignore[operator]
    assert found["chosen"] is True
    assert found["test_week"] == "2026-W15"
    edge = rows(van(visits=weekly_until(MONDAY - timedelta(weeks=found["interval_weeks"]))))["v1"]  # type: ignore[arg-type]
    assert edge["next_test"] == MONDAY
    assert edge["overdue"] is False


def test_a_van_never_seen_is_tested_at_once_and_has_no_last_day() -> None:
    found = rows(van("new", visits=()), van("old", visits=()), van("seen"))
    row = found["new"]
    assert row["next_test"] == MONDAY
    assert row["last_seen"] is row["unseen_until"] is row["odds_then"] is None
    assert (row["chosen"], row["overdue"], row["visits"]) == (True, False, 0)
    assert codes(row) == ["test_never_seen"]
    assert row["odds_unseen"] > 5 * found["seen"]["odds_unseen"]  # type: ignore[operator]
    today = rows(van(visits=(), in_service_on=MONDAY))["v1"]
    assert today["odds_unseen"] == 0.0  # nothing can have begun yet
    assert today["chosen"] is True
    future = rows(van(visits=(), in_service_on=MONDAY + timedelta(days=90)))["v1"]
    assert future["odds_unseen"] == 0.0


@pytest.mark.parametrize("visits", [1, 3])
def test_a_new_van_and_a_repair_being_proven_are_seen_every_week(visits: int) -> None:
    new = rows(van(visits=weekly_until(LAST, visits)))["v1"]
    assert new["interval_weeks"] == 1
    assert codes(new) == ["test_first_visits"]
    proving = rows(van(proving_since="2026-03-30"))["v1"]
    assert proving["interval_weeks"] == 1
    assert codes(proving) == ["test_proving"]


def test_a_van_that_comes_into_the_workshop_is_recorded_there_and_takes_no_room() -> None:
    day = MONDAY + timedelta(days=2)
    found = rows(
        van("a", booked=day, probability={"ignition_weak": 1.0}),
        van("b", visits=()),
        settings=PlanningSettings(per_depot_week=1),
    )
    assert found["a"]["next_test"] == day
    assert found["a"]["test_week"] == "2026-W15"
    assert found["a"]["chosen"] is False
    assert codes(found["a"]) == ["test_booked"]
    assert found["b"]["chosen"] is True


def test_a_booking_far_ahead_puts_off_no_test() -> None:
    plain, far = (rows(van(booked=day))["v1"] for day in (None, MONDAY + timedelta(weeks=8)))
    assert far == plain
    assert far["next_test"] <= far["unseen_until"]  # type: ignore[operator]
    late = weekly_until(LAST - timedelta(weeks=9))
    overdue = rows(van(visits=late, booked=MONDAY + timedelta(weeks=8)))["v1"]
    assert (overdue["overdue"], overdue["chosen"], "test_booked" in codes(overdue)) == (True, True, False)
    # still overdue where it comes in this week, but recorded there
    soon = rows(van(visits=late, booked=MONDAY + timedelta(days=4)))["v1"]
    assert soon["next_test"] == overdue["next_test"]
    assert (soon["overdue"], soon["chosen"], soon["test_week"], codes(soon)) == (
        True,
        False,
        "2026-W15",
        ["test_booked"],
    )
    # to the end of the week it is due in, and no further
    due = plain["next_test"]
    sunday = due + timedelta(days=6 - due.weekday())  # type: ignore[attr-defined, operator]
    same, after = (rows(van(booked=sunday + timedelta(days=more)))["v1"] for more in (0, 1))
    assert (same["next_test"], codes(same)) == (due, ["test_booked"])
    assert after == plain


def test_a_full_week_sends_the_dearest_first_and_the_rest_to_the_next_with_room() -> None:
    settings = PlanningSettings(per_depot_week=2)
    urgent = [van(f"v{number}", probability={"ignition_weak": 0.1 * number}, severity=0.8) for number in range(1, 6)]
    found = rows(*urgent, settings=settings)
    assert [found[f"v{number}"]["test_week"] for number in (5, 4, 3, 2, 1)] == [
        "2026-W15",
        "2026-W15",
        "2026-W16",
        "2026-W16",
        "2026-W17",
    ]
    assert {name for name, row in found.items() if row["chosen"]} == {"v5", "v4"}
    assert "test_later" in codes(found["v3"])
    assert "test_later" not in codes(found["v5"])


def test_a_week_that_would_be_too_full_is_partly_tested_before() -> None:
    settings = PlanningSettings(per_depot_week=2)
    fleet = [van(f"v{number}") for number in range(5)]  # all last seen on one day, so all due on one day
    found = rows(*fleet, settings=settings)
    due = {row["next_test"] for row in found.values()}
    assert len(due) == 1
    weeks = sorted(str(row["test_week"]) for row in found.values())
    assert weeks[-1] == f"2026-W{15 + (due.pop() - MONDAY).days // 7}"  # type: ignore[operator]
    assert [weeks.count(week) for week in sorted(set(weeks))] == [1, 2, 2]
    assert sum("test_earlier" in codes(row) for row in found.values()) == 3


def test_depots_have_their_own_room_and_without_room_nothing_is_chosen() -> None:
    settings = PlanningSettings(per_depot_week=1, of_depot={"south": 0, "hill": 3})
    fleet = [van(f"{depot}{n}", depot=depot, visits=()) for depot in ("north", "south", "hill") for n in range(3)]
    found = rows(*fleet, settings=settings)
    chosen = {
        depot: sum(bool(row["chosen"]) for row in found.values() if row["depot"] == depot)
        for depot in ("north", "south", "hill")
    }
    assert chosen == {"north": 1, "south": 0, "hill": 3}
    assert found["south0"]["test_week"] is None
    assert codes(found["south0"])[-1] == "test_no_room"
    ranks = {depot: sorted(int(row["rank"]) for row in found.values() if row["depot"] == depot) for depot in chosen}  # type: ignore[call-overload]
    assert ranks == {key: [1, 2, 3] for key in chosen}


def test_a_van_that_is_away_is_not_asked_for() -> None:
    gone = ((MONDAY, MONDAY + timedelta(days=11)),)
    found = rows(van(visits=(), away=gone))["v1"]
    assert found["test_week"] == "2026-W17"
    assert found["chosen"] is False
    assert codes(found)[-1] == "test_later"
    away = ((MONDAY, MONDAY + timedelta(days=3000)),)
    forever = rows(van(visits=(), away=away))["v1"]
    assert forever["test_week"] is None
    assert codes(forever)[-1] == "test_away"
    assert sentence(forever, "reason").endswith("Away in the weeks planned.")
    assert sentence(forever, "reason", "de").endswith("In den geplanten Wochen nicht da.")
    # where the depot has no room either, that is said
    shut = rows(van(visits=(), away=away), settings=PlanningSettings(per_depot_week=0))["v1"]
    assert codes(shut)[-1] == "test_no_room"


def test_a_van_away_when_it_is_due_is_tested_before_and_is_told_why() -> None:
    due = rows(van())["v1"]["next_test"]
    monday = due - timedelta(days=due.weekday())  # type: ignore[attr-defined, operator]
    found = rows(van(away=((monday, monday + timedelta(days=4)),)))["v1"]
    assert found["test_week"] == week_of(monday - timedelta(days=7))
    assert codes(found)[-1] == "test_earlier"
    assert sentence(found, "reason").endswith("because its own is full or the van is away then.")


def test_a_month_costs_its_visits_and_saves_what_would_have_run_on() -> None:
    row = rows(van(), settings=replace(WIDE, visit_cost=40.0))["v1"]
    months = 365.25 / 12 / 7
    assert row["month_cost"] == pytest.approx(40.0 * months / int(row["interval_weeks"]))  # type: ignore[call-overload]
    assert row["month_saving"] > 0  # type: ignore[operator]
    twice = rows(van(), settings=replace(WIDE, visit_cost=40.0, horizon_weeks=52.0))["v1"]
    assert twice["month_saving"] > row["month_saving"]  # type: ignore[operator]
    # by hand: nothing is saved against faults that are found within the week anyway
    close = rows(van(), settings=replace(WIDE, horizon_weeks=1.0, most_odds_unseen=1e-6))["v1"]
    assert abs(close["month_saving"]) < 0.05 * row["month_saving"]  # type: ignore[arg-type, operator]


def test_an_empty_fleet_and_one_van() -> None:
    nothing = plan_tests([], week=WEEK)
    assert nothing.height == 0
    assert nothing.schema == polars_schema(TEST_PLAN)
    assert plan_tests([van()], week=WEEK).height == 1


def test_the_order_of_the_vans_does_not_matter() -> None:
    fleet = [van(f"v{number}", visits=weekly_until(LAST - timedelta(weeks=number % 4))) for number in range(9)]
    settings = PlanningSettings(per_depot_week=2)
    one = plan_tests(fleet, week=WEEK, settings=settings)
    other = plan_tests(fleet[::-1], week=WEEK, settings=settings)
    assert one.drop("reason_facts").equals(other.drop("reason_facts"))


def test_causes_of_a_family_without_a_turbo() -> None:
    assert set(ordinary_shares(None)) == set(ordinary_shares(True)) > set(ordinary_shares(False))
    assert sum(ordinary_shares(False).values()) == pytest.approx(1.0)


def test_reasons_in_both_languages() -> None:
    row = rows(van(visits=(), signs=(Fact.of("test_worn", times=1.4),)))["v1"]
    assert (
        sentence(row, "reason")
        == "No usable recording yet. Faults begin 1.4 times as often as in the median van, by age or mileage."
    )
    assert sentence(row, "reason", "de") == (
        "Noch keine brauchbare Aufnahme. Nach Alter oder Laufleistung beginnen Fehler 1,4-mal so oft wie beim Median "
        "der Flotte."
    )


def test_a_large_fleet_is_planned_row_by_row() -> None:
    fleet = [van(f"v{number:04d}", visits=weekly_until(LAST - timedelta(days=number % 30))) for number in range(400)]
    frame = plan_tests(fleet, week=WEEK, settings=PlanningSettings(per_depot_week=120))
    assert frame["van_id"].n_unique() == 400
    assert frame.filter(pl.col("chosen")).height <= 120
    assert frame["odds_unseen"].is_between(0.0, 1.0).all()
