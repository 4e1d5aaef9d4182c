"""The plan of the open orders: visits, weeks, and why an order is left out."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from data_contracts.tables import WORK_ORDERS, polars_schema
from models.work.visit_plan import PlanSettings, plan_orders

WEEK = "2026-W14"  # the plan begins on Monday 6 April 2026, week 15
ONE_A_WEEK = PlanSettings(weeks=4, hours_per_week=2.0)


def order(name: str, **told: Any) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(polars_schema(WORK_ORDERS))
    row |= {
        "order_id": name, "week": WEEK, "rank": 1, "van_id": f"van-{name}", "family": "f", "depot": "north",
        "urgency": "plan", "cause": "lambda_slow", "action": "a", "reason": "r", "state": "proposed", "safety": False,
        "hours": 2.0, "failure_avoided": 300.0, "warranty_paid": 0.0, "work_cost": -170.0, "parts_cost": 0.0,
        "van_time_cost": -45.0, "due_by": date(2026, 5, 20),
    }  # fmt: skip
    return row | told


def planned(*rows: dict[str, Any], settings: PlanSettings = ONE_A_WEEK, **more: Any) -> dict[str, tuple[Any, str]]:
    frame = pl.DataFrame(list(rows), schema=polars_schema(WORK_ORDERS))
    done = plan_orders(frame, week=WEEK, settings=settings, **more)
    return {row["order_id"]: (row["plan_week"], row["plan_note"]) for row in done.iter_rows(named=True)}


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
        order("a", depot="south"), order("b", hours=0.0), order("c", state="proven"), order("d", state="declined"),
        settings=settings,
    )  # fmt: skip
    assert plan["a"] == (None, "depot south has no workshop hours in the settings")
    assert plan["b"] == (None, "no workshop time: recorded again at the next visit")
    assert plan["c"] == plan["d"] == (None, None)


@pytest.mark.parametrize("hours", [0.0, 2.0])
def test_a_plan_of_nothing_is_nothing(hours: float) -> None:
    assert planned(settings=PlanSettings(hours_per_week=hours)) == {}
