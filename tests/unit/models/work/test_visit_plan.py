"""The plan of the open orders: visits, weeks, and why an order is left out."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import sentence
from data_contracts.tables import WORK_ORDERS, polars_schema
from models.work.visit_plan import PlanSettings, plan_orders

WEEK = "2026-W14"  # the plan begins on Monday 6 April 2026, week 15
ONE_A_WEEK = PlanSettings(weeks=4, hours_per_week=2.0)


def order(name: str, **told: Any) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(polars_schema(WORK_ORDERS))
    row |= {
        "order_id": name,
        "week": WEEK,
        "rank": 1,
        "van_id": f"van-{name}",
        "family": "f",
        "depot": "north",
        "urgency": "plan",
        "cause": "lambda_slow",
        "action": "a",
        "reason": "r",
        "state": "proposed",
        "safety": False,
        "hours": 2.0,
        "failure_avoided": 300.0,
        "warranty_paid": 0.0,
        "work_cost": -170.0,
        "parts_cost": 0.0,
        "van_time_cost": -45.0,
        "due_by": date(2026, 5, 20),
    }
    return row | told


def planned(*rows: dict[str, Any], settings: PlanSettings = ONE_A_WEEK, **more: Any) -> dict[str, tuple[Any, str]]:
    frame = pl.DataFrame(list(rows), schema=polars_schema(WORK_ORDERS))
    done = plan_orders(frame, week=WEEK, settings=settings, **more)
    return {row["order_id"]: (row["plan_week"], sentence(row, "plan_note")) for row in done.iter_rows(named=True)}


def test_worth_most_first_and_what_is_left_out_says_why() -> None:
    plan = planned(*(order(f"o{n}", failure_avoided=500.0 + n) for n in range(5)))
    assert [plan[f"o{n}"][0] for n in range(5)] == [None, "2026-W18", "2026-W17", "2026-W16", "2026-W15"]
    assert plan["o0"][1] == "the hours of its weeks go to orders that come first or are worth more"


def test_safety_then_what_people_decided_then_a_crossed_limit_before_worth() -> None:
    plan = planned(
        order("worth", failure_avoided=9000.0),
        order("accepted", state="accepted", failure_avoided=0.0),
        order("unsafe", safety=True, failure_avoided=0.0),
        order("crossed", urgency="now", failure_avoided=10.0),
    )
    assert plan["unsafe"] == ("2026-W15", "goes first: failing can endanger people")
    assert {plan["accepted"][0], plan["crossed"][0]} == {"2026-W16", "2026-W17"}
    assert plan["worth"][0] == "2026-W18"


def test_several_orders_on_a_van_are_one_visit_with_one_handling() -> None:
    pair = [order(name, van_id="v1", hours=1.2) for name in ("one", "two")]
    plan = planned(*pair, settings=PlanSettings(weeks=1, hours_per_week=2.1, handling_hours=0.3))
    assert plan["one"][0] == plan["two"][0] == "2026-W15"
    assert plan["one"][1].endswith("one visit with order two")


def test_van_away_postponed_and_booked() -> None:
    assert planned(order("o"), absences={"van-o": [(date(2026, 4, 6), date(2026, 4, 10))]})["o"][0] == "2026-W16"
    # one free workday is enough
    assert planned(order("o"), absences={"van-o": [(date(2026, 4, 6), date(2026, 4, 9))]})["o"][0] == "2026-W15"
    assert planned(order("o", state="postponed", until=date(2026, 4, 21)))["o"][0] == "2026-W17"
    assert planned(order("o", state="booked", until=date(2026, 4, 29)))["o"] == ("2026-W18", "booked for 2026-04-29")
    gone = planned(order("o"), absences={"van-o": [(date(2026, 4, 1), date(2026, 12, 31))]})["o"]
    assert gone == (None, "the van is not there within the weeks planned")


def test_a_day_of_one_order_holds_no_other_order_of_its_van() -> None:
    wide = PlanSettings(weeks=8, hours_per_week=16.0)

    def on_one_van(*told: dict[str, Any]) -> list[str | None]:
        rows = [order(str(n), van_id="v1", **one) for n, one in enumerate(told)]
        return [week for week, _ in planned(*rows, settings=wide).values()]

    september = {"state": "postponed", "until": date(2026, 9, 1)}
    assert on_one_van({"safety": True}, september) == ["2026-W15", None]
    assert planned(order("o", **september), settings=wide)["o"][1] == "its day lies beyond the weeks planned"
    week_16, week_19 = ({"state": "booked", "until": day} for day in (date(2026, 4, 14), date(2026, 5, 5)))
    later = {"state": "postponed", "until": date(2026, 5, 12)}
    assert on_one_van(week_16, later) == ["2026-W16", "2026-W20"]
    assert on_one_van(week_16, week_19) == ["2026-W16", "2026-W19"]
    # what can wait comes along, what can't does not wait
    assert on_one_van(week_16, {}) == ["2026-W16", "2026-W16"]
    assert on_one_van(week_16, {"urgency": "now"}) == ["2026-W16", "2026-W15"]


def test_a_claim_goes_before_its_warranty_ends() -> None:
    plan = planned(
        order("dear", failure_avoided=320.0),
        order("claim", failure_avoided=120.0, warranty_paid=170.0),
        warranties={"van-claim": date(2026, 4, 12)},
    )
    assert plan["claim"][0] == "2026-W15"
    assert plan["claim"][1].endswith("claim before the warranty ends")


def test_depots_have_their_own_hours_and_closed_or_waiting_orders_are_not_planned() -> None:
    settings = PlanSettings(weeks=1, hours_per_week=2.0, hours_of_depot={"south": 0.0})
    plan = planned(
        order("a", depot="south"),
        order("b", hours=0.0),
        order("c", state="proven"),
        order("d", state="declined"),
        settings=settings,
    )
    assert plan["a"] == (None, "depot south has no workshop hours in the settings")
    assert plan["b"] == (None, "no workshop time: recorded again at the next visit")
    assert plan["c"] == plan["d"] == (None, "")


@pytest.mark.parametrize("hours", [0.0, 2.0])
def test_a_plan_of_nothing_is_nothing(hours: float) -> None:
    assert planned(settings=PlanSettings(hours_per_week=hours)) == {}


WIDE = PlanSettings(weeks=8, hours_per_week=16.0)


def reasons(*rows: dict[str, Any], **more: Any) -> list[list[str]]:
    """Codes of the facts of each order's week."""
    frame = pl.DataFrame(list(rows), schema=polars_schema(WORK_ORDERS))
    done = plan_orders(frame, week=WEEK, settings=WIDE, **more)
    assert done["plan_note"].null_count() == done.height
    return [[fact["code"] for fact in facts] for facts in done["plan_facts"]]


SOON, LATER = date(2026, 4, 14), date(2026, 5, 5)


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ({}, ["plan_best"]),
        ({"urgency": "watch"}, ["plan_best"]),
        ({"urgency": "now"}, ["plan_limit"]),
        ({"safety": True, "urgency": "now"}, ["plan_safety"]),
        ({"state": "accepted", "urgency": "now"}, ["plan_accepted"]),
        ({"state": "booked"}, ["plan_booked_open"]),  # booked, the day not told
        ({"state": "booked", "until": date(2026, 4, 1)}, ["plan_booked_open"]),  # its day has gone
        ({"state": "booked", "until": SOON}, ["plan_booked"]),
        ({"state": "booked", "until": SOON, "safety": True}, ["plan_booked"]),
        ({"state": "postponed", "until": SOON}, ["plan_best", "plan_postponed"]),
        ({"state": "postponed", "until": SOON, "urgency": "now"}, ["plan_postponed"]),
        ({"state": "postponed", "until": SOON, "safety": True}, ["plan_safety", "plan_postponed"]),
    ],
)
def test_why_an_order_has_its_week(told: dict[str, Any], why: list[str]) -> None:
    assert reasons(order("o", **told)) == [why]


def test_absence_is_told_of_what_is_not_booked() -> None:
    away = {"van-o": [(date(2026, 4, 20), date(2026, 4, 24))]}
    assert reasons(order("o"), absences=away) == [["plan_best", "plan_away"]]
    assert reasons(order("o", state="booked", until=SOON), absences=away) == [["plan_booked"]]
    beyond = {"van-o": [(date(2026, 6, 1), date(2026, 6, 5))]}  # the first week no longer planned
    assert reasons(order("o"), absences=beyond) == [["plan_best"]]
    assert reasons(order("o"), absences={"van-o": [(date(2026, 5, 25), date(2026, 5, 29))]}) == [
        ["plan_best", "plan_away"]
    ]
    halves = {"van-o": [(date(2026, 4, 20), date(2026, 4, 22)), (date(2026, 4, 23), date(2026, 4, 24))]}
    assert reasons(order("o"), absences=halves) == [["plan_best", "plan_away"]]


@pytest.mark.parametrize(
    ("until", "due", "told"),
    [
        (date(2026, 4, 6), date(2026, 4, 7), True),  # the first day that can be planned, and the week it is due in
        (date(2026, 4, 5), date(2026, 4, 7), False),  # ended before
        (date(2026, 4, 26), date(2026, 4, 19), True),  # ends in the week after it is due
        (date(2026, 4, 27), date(2026, 4, 12), False),  # there was no hurry
    ],
)
def test_a_warranty_is_told_where_it_sets_the_hour(until: date, due: date, told: bool) -> None:
    rows = reasons(order("o", warranty_paid=170.0, due_by=due), warranties={"van-o": until})
    assert ("plan_warranty" in rows[0]) is told
    assert reasons(order("o", warranty_paid=0.0, due_by=due), warranties={"van-o": until}) == [["plan_best"]]


def test_a_shared_visit_names_the_other_orders_and_each_keeps_its_reason() -> None:
    trio = [order(name, van_id="v1", **told) for name, told in (("a", {"urgency": "now"}), ("b", {}), ("c", {}))]
    frame = plan_orders(pl.DataFrame(trio, schema=polars_schema(WORK_ORDERS)), week=WEEK, settings=WIDE)
    assert [[fact["code"] for fact in facts] for facts in frame["plan_facts"]] == [
        ["plan_limit", "plan_shared"],
        ["plan_best", "plan_shared"],
        ["plan_best", "plan_shared"],
    ]
    notes = [sentence(row, "plan_note") for row in frame.iter_rows(named=True)]
    assert [note.rpartition("one visit with order ")[2] for note in notes] == ["b, c", "a, c", "a, b"]


def test_a_shared_visit_takes_the_hours_of_all_but_one_handling_each() -> None:
    trio = [order(name, van_id="v1", hours=1.0) for name in "abc"]

    def fits(hours: float) -> bool:
        plan = planned(*trio, settings=PlanSettings(weeks=1, hours_per_week=hours, handling_hours=0.25))
        return {week for week, _ in plan.values()} == {"2026-W15"}

    assert fits(2.5)
    assert not fits(2.49)
    tiny = [order(name, van_id="v1", hours=0.2) for name in "abc"]  # never less than a tenth of an hour
    plan = planned(*tiny, settings=PlanSettings(weeks=1, hours_per_week=0.1, handling_hours=0.3))
    assert {week for week, _ in plan.values()} == {"2026-W15"}


def test_a_visit_saves_the_costs_of_the_handling_it_saves_and_gains_of_all_its_orders_count() -> None:
    """Two orders that cost 220 each and avoid 200 each: alone neither is worth it, together they save a quarter of the cost."""
    money = {"hours": 1.0, "failure_avoided": 200.0, "work_cost": -150.0, "parts_cost": -40.0, "van_time_cost": -30.0}
    settings = PlanSettings(weeks=1, hours_per_week=9.0, handling_hours=0.5)
    alone = planned(order("a", **money), settings=settings)["a"]
    assert alone == (None, "costs 20 more than it is expected to avoid")
    pair = [order(name, van_id="v1", **money) for name in "ab"]
    assert {week for week, _ in planned(*pair, settings=settings).values()} == {"2026-W15"}  # 400 - 440 x 0.75 > 0
    dearer = [order(name, van_id="v1", **(money | {"failure_avoided": 160.0})) for name in "ab"]
    why = {note for _, note in planned(*dearer, settings=settings).values()}
    assert why == {"costs 10 more than it is expected to avoid"}
    ends = {"v1": date(2026, 4, 12)}
    claim = [dearer[0], dearer[1] | {"warranty_paid": 11.0}]
    assert {week for week, _ in planned(*claim, settings=settings, warranties=ends).values()} == {"2026-W15"}
    unknown = [
        order(
            name,
            van_id="v1",
            hours=1.0,
            failure_avoided=None,
            work_cost=None,
            parts_cost=None,
            van_time_cost=None,
            warranty_paid=None,
            due_by=None,
            urgency="now",
        )
        for name in "ab"
    ]
    assert {week for week, _ in planned(*unknown, settings=settings).values()} == {"2026-W15"}


def test_what_is_due_first_sets_when_a_visit_is_due() -> None:
    pair = [order("a", van_id="v1", due_by=date(2026, 4, 14)), order("b", van_id="v1", due_by=date(2026, 5, 28))]
    rival = order(
        "c", hours=4.0, failure_avoided=610.0, work_cost=-340.0, van_time_cost=-90.0, due_by=date(2026, 5, 28)
    )
    plan = planned(*pair, rival, settings=PlanSettings(weeks=4, hours_per_week=4.0, handling_hours=0.0))
    assert (plan["a"][0], plan["b"][0], plan["c"][0]) == ("2026-W15", "2026-W15", "2026-W16")


def test_the_plan_begins_the_week_after_the_list_and_ends_with_the_weeks_planned() -> None:
    last = order("o", state="postponed", until=date(2026, 5, 31))  # the last day of the eighth week
    assert planned(last, settings=WIDE)["o"][0] == "2026-W22"
    after = order("o", state="postponed", until=date(2026, 6, 1))
    assert planned(after, settings=WIDE)["o"] == (None, "its day lies beyond the weeks planned")
    gone = order("o", state="postponed", until=date(2026, 4, 5))
    assert planned(gone, settings=WIDE)["o"][0] == "2026-W15"


def test_a_plan_the_solver_did_not_prove_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    from models.work import visit_plan
    from models.work.capacity import CapacityPlan

    monkeypatch.setattr(
        visit_plan, "plan_capacity", lambda jobs, hours: CapacityPlan({"o": 1}, {}, 1.0, frozenset({"north"}))
    )
    assert reasons(order("o")) == [["plan_best", "plan_unproven"]]
    assert reasons(order("o", depot="south")) == [["plan_best"]]


@pytest.mark.parametrize(("due", "told"), [(date(2026, 4, 5), True), (date(2026, 4, 6), False), (None, False)])
def test_a_day_that_has_passed_is_told_first(due: date | None, told: bool) -> None:
    overdue = ["overdue"] if told else []
    assert reasons(order("o", due_by=due, urgency="now")) == [[*overdue, "plan_limit"]]
    assert reasons(order("o", due_by=due, state="accepted")) == [[*overdue, "plan_accepted"]]


def test_what_waiting_costs_by_the_week_and_what_it_only_puts_off_count() -> None:
    poor: dict[str, Any] = {"failure_avoided": 0.0, "work_cost": -170.0, "van_time_cost": -45.0}
    assert planned(order("o", **poor))["o"] == (None, "costs 215 more than it is expected to avoid")
    assert planned(order("o", **poor, running_avoided=100.0, put_off=110.0))["o"][0] is None
    assert planned(order("o", **poor, running_avoided=100.0, put_off=120.0))["o"][0] is not None


def test_work_that_is_done_all_the_same_has_its_place_in_the_plan() -> None:
    """It has a day by which it is due, so a plan that left it out would contradict it."""
    plan = planned(
        order("left", failure_avoided=0.0),
        order("done", failure_avoided=0.0, worth_facts=[Fact.of("done_for_limit").row()]),
    )
    assert plan["left"] == (None, "costs 215 more than it is expected to avoid")
    assert plan["done"][0] is not None
