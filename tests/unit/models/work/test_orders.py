"""Orders: one per watched van, the same however often the week is run; and their life."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.causes import CAUSE_CODES, CAUSES, NOT_SEPARABLE
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.facts.say import sentence
from data_contracts.states import ORDER_STATES
from data_contracts.tables import WORK_ORDERS, polars_schema
from models.causes.infer import CausePosterior
from models.causes.next_test import next_tests
from models.work.order_states import MOVES, OrderEvent, OrderStatus, account, apply_event, replay
from models.work.orders import WatchedVan, order_id, propose_orders
from models.work.visit_plan import plan_orders

REASONS = (Fact.of("limit_crossed", "main_peak_reference_g_s"),)
NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


def posterior(causes: dict[str, dict[str, float]], minimum: float = 0.5) -> CausePosterior:
    vans = len(causes)
    probability = np.array([[row.get(code, 0.0) for code in CAUSE_CODES] for row in causes.values()])
    likeliest = tuple(CAUSE_CODES[n] for n in probability.argmax(axis=1))
    none = ((),) * vans
    leading = tuple(
        c if p >= minimum else NOT_SEPARABLE for c, p in zip(likeliest, probability.max(axis=1), strict=True)
    )
    return CausePosterior(
        van_ids=tuple(causes),
        codes=CAUSE_CODES,
        probability=probability,
        leading=leading,
        likeliest=likeliest,
        leading_probability=probability.max(axis=1),
        severity=np.full(vans, 0.7),
        evidence_for=none,
        next_test=next_tests(probability, CAUSE_CODES),
        pairs=none,
    )


def watched(van_id: str, **changes: object) -> WatchedVan:
    van = WatchedVan(van_id, "brook-20", "north", "2026-W14", "plan", "2026-W12", 0.6, 5.0, None, REASONS)
    return replace(van, **changes)  # type: ignore[arg-type]


CAUSES_OF = {
    "v1": {"fuel_delivery_weak": 0.9, "none": 0.1},
    "v2": {"intake_restricted": 0.45, "exhaust_restricted": 0.45, "none": 0.1},
    "v3": {"none": 0.8, "lambda_slow": 0.2},
}


def test_one_order_per_van_in_the_schema() -> None:
    urgency = {"v1": "plan", "v2": "watch", "v3": "watch"}
    book = propose_orders([watched(v, urgency=urgency[v]) for v in CAUSES_OF], posterior(CAUSES_OF))
    assert dict(book.orders.schema) == polars_schema(WORK_ORDERS)
    rows = {row["van_id"]: row for row in book.orders.iter_rows(named=True)}
    assert set(rows) == set(CAUSES_OF)
    assert rows["v1"]["cause"] == "fuel_delivery_weak"
    assert rows["v2"]["cause"] == NOT_SEPARABLE
    assert sentence(rows["v2"], "action").endswith("if it stands: look at air filter and intake duct")
    assert sentence(rows["v3"], "action").startswith("At the next visit: record three snaps")
    assert "no known cause fits" in sentence(rows["v3"], "action")
    assert sorted(row["rank"] for row in rows.values()) == [1, 2, 3]
    for row in rows.values():
        assert sentence(row, "reason").count(". ") <= 1
        assert row["expected_cost_avoided"] == pytest.approx(book.worth[row["order_id"]].expected_cost_avoided)
        parts = [row[name] for name in PARTS]
        assert row["expected_cost_avoided"] == pytest.approx(sum(parts), abs=1e-9)


PARTS = (
    "failure_avoided", "running_avoided", "put_off", "warranty_paid", "work_cost", "parts_cost", "van_time_cost"
)  # fmt: skip


def test_a_van_to_watch_waits_and_work_that_costs_more_is_told_why() -> None:
    weak = {"v1": {"lambda_slow": 0.5, "none": 0.5}}

    def order(causes: dict[str, dict[str, float]], **changes: object) -> dict[str, Any]:
        return propose_orders([watched("v1", crosses=0.0, **changes)], posterior(causes)).orders.row(0, named=True)

    waits = order(weak, urgency="watch")
    assert (waits["expected_cost_avoided"], waits["hours"]) == (0.0, 0.0)
    assert sentence(waits, "action").endswith(
        "if it stands: replace the lambda sensor after checking heater and wiring"
    )
    assert sentence(waits, "worth").startswith("Not worth it yet. Expected -")
    urgent = order(weak, urgency="now")
    assert urgent["expected_cost_avoided"] < 0
    assert sentence(urgent, "worth").endswith("Done all the same: a limit is crossed.")
    assert sentence(order(weak), "worth").endswith("Done all the same: a limit is near, or a fault code stands.")
    unsafe = order({"v1": {"unmetered_air": 0.9, "none": 0.1}})
    assert unsafe["safety"]
    assert unsafe["expected_cost_avoided"] > 0
    assert order(weak, warranty_until=date(2026, 5, 1))["expected_cost_avoided"] > 0


def test_a_day_set_once_moves_only_earlier_and_when_it_has_passed_the_plan_says_so() -> None:
    def run(week: str, urgency: str, existing: pl.DataFrame | None = None) -> pl.DataFrame:
        van = watched("v1", week=week, urgency=urgency, weeks_to_limit=None, crosses=0.0)
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


def test_a_repair_being_proven_asks_for_captures_only() -> None:
    van = watched("v1", urgency="watch", repaired_on="2026-04-01", reasons=(Fact.of("being_proven", day="2026-04-01"),))
    order = propose_orders([van], posterior(CAUSES_OF)).orders.row(0, named=True)
    assert sentence(order, "action").startswith("Prove the repair: record three snaps")
    assert sentence(order, "reason").startswith("Repaired on 2026-04-01 and being proven")
    assert order["hours"] == 0.0


def test_run_again_adds_and_changes_nothing() -> None:
    vans = [watched(v) for v in CAUSES_OF]
    first = propose_orders(vans, posterior(CAUSES_OF))
    again = propose_orders(vans, posterior(CAUSES_OF), existing=first.orders)
    assert again.orders.sort("order_id").equals(first.orders.sort("order_id"))


def test_same_alarm_next_week_is_the_same_order_refreshed() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF))
    later = propose_orders(
        [watched("v1", week="2026-W15", urgency="now")], posterior(CAUSES_OF), existing=first.orders
    ).orders
    assert later["order_id"].to_list() == first.orders["order_id"].to_list()
    assert later["week"].to_list() == ["2026-W14"]
    assert later["urgency"].to_list() == ["now"]


@pytest.mark.parametrize("state", ["accepted", "postponed", "booked", "done"])
def test_what_people_decided_stays(state: str) -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit(state))
    again = propose_orders([watched("v1", urgency="now")], posterior(CAUSES_OF), existing=first).orders
    assert again.equals(first)


def test_declined_silences_the_van_until_it_is_urgent_or_weeks_have_gone() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit("declined"))

    def orders(**changes: object) -> int:
        return propose_orders([watched("v1", **changes)], posterior(CAUSES_OF), existing=first).orders.height

    assert orders(week="2026-W16", alarm_since="2026-W16") == 1
    assert orders(week="2026-W16", alarm_since="2026-W16", urgency="now") == 2
    assert orders(week="2026-W23", alarm_since="2026-W23") == 2
    assert orders(week="2026-W23") == 1


def test_open_order_is_kept_when_the_alarm_flickers() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF))
    again = propose_orders([watched("v1", alarm_since="2026-W14")], posterior(CAUSES_OF), existing=first.orders)
    assert again.orders["order_id"].to_list() == first.orders["order_id"].to_list()


@pytest.mark.parametrize("state", ["proven", "not_proven"])
def test_alarm_that_outlives_a_judged_repair_brings_the_next_order(state: str) -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit(state))
    again = propose_orders([watched("v1", week="2026-W18")], posterior(CAUSES_OF), existing=first).orders
    assert set(again["order_id"]) == {order_id("v1", "2026-W12", 0), order_id("v1", "2026-W12", 1)}


def test_due_before_the_limit_and_before_the_warranty_ends() -> None:
    def due(**changes: object) -> date:
        return propose_orders([watched("v1", **changes)], posterior(CAUSES_OF)).orders["due_by"][0]

    monday_after = date(2026, 4, 6)
    assert due(urgency="now", weeks_to_limit=0.0) == monday_after + timedelta(days=7)
    assert due(weeks_to_limit=3.0) == monday_after + timedelta(days=21)
    assert due(weeks_to_limit=float("inf"), warranty_until=date(2026, 4, 20)) == date(2026, 4, 20)


def test_two_causes_likelier_than_not_are_one_visit() -> None:
    from models.causes.infer import PairProbability

    both = {"v1": {"lambda_slow": 0.9, "intake_restricted": 0.1}}
    alone = propose_orders([watched("v1", urgency="now")], posterior(both)).orders.row(0, named=True)
    paired = replace(posterior(both), pairs=((PairProbability(("intake_restricted", "lambda_slow"), 0.8),),))
    order = propose_orders([watched("v1", urgency="now")], paired).orders.row(0, named=True)
    assert "in the same visit" in sentence(order, "action")
    assert order["hours"] == pytest.approx(alone["hours"] + 0.4)


def test_a_watched_van_without_causes_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="v9"):
        propose_orders([watched("v9")], posterior(CAUSES_OF))


# --- life -------------------------------------------------------------------------------------------


def event(state: str, hours_later: float = 0.0, **more: object) -> OrderEvent:
    needed = {
        "declined": {"reason": "sold"},
        "postponed": {"until": date(2027, 1, 1)},
        "done": {"found": "lambda_slow", "hours": 1.0, "cost": 120.0},
    }.get(state, {})
    return OrderEvent("o1", state, NOON + timedelta(hours=hours_later), "a. fitter", **(needed | more))  # type: ignore[arg-type]


def test_a_whole_life() -> None:
    life = [event(s, n) for n, s in enumerate(["accepted", "postponed", "booked", "done", "proven"])]
    status, refused = replay(life)
    assert not refused
    assert status["o1"].state == "proven"
    assert (status["o1"].found, status["o1"].hours, status["o1"].cost) == ("lambda_slow", 1.0, 120.0)
    assert account(status, ["o1", "o2"]).orders | {"proven": 1, "proposed": 1} == account(status, ["o1", "o2"]).orders
    assert account(status, ["o1", "o2"]).cost == 120.0


@settings(deadline=None)
@given(st.lists(st.sampled_from(ORDER_STATES), max_size=8), st.randoms(use_true_random=False))
def test_replay_needs_no_order_of_arrival_and_forgets_nothing(states: list[str], random: object) -> None:
    events = [event(state, n) for n, state in enumerate(states)]
    shuffled = events * 2
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    status, refused = replay(events)
    assert replay(shuffled)[0] == status
    kept = len(status["o1"].events) if status else 0
    assert kept + len(refused) == len(events)


@given(st.sampled_from(ORDER_STATES), st.sampled_from(ORDER_STATES))
def test_only_the_moves_of_the_table(start: str, end: str) -> None:
    if end in MOVES[start]:
        assert apply_event(OrderStatus(start), event(end)).state == end
    else:
        with pytest.raises(InputError, match="can't become"):
            apply_event(OrderStatus(start), event(end))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (event("declined", reason=" "), "without a reason"),
        (event("postponed", until=date(2026, 4, 1)), "give a day after"),
        (event("done", found="gremlins"), "gremlins"),
        (event("done", hours=-1.0), "hours -1.0"),
        (OrderEvent("o1", "accepted", NOON, " "), "nobody is named"),
        (OrderEvent("o1", "accepted", datetime(2026, 4, 1), "x"), "no UTC offset"),  # noqa: DTZ001
        (OrderEvent("o1", "lost", NOON, "x"), "unknown"),
    ],
)
def test_an_event_that_does_not_fit_says_why(wrong: OrderEvent, words: str) -> None:
    with pytest.raises(InputError, match=words):
        apply_event(OrderStatus("accepted" if wrong.state != "accepted" else "proposed"), wrong)


def test_correcting_a_finding_keeps_both_events() -> None:
    status, _ = replay([event("done"), event("done", 1, found="none", hours=2.0)])
    assert (status["o1"].found, status["o1"].hours, len(status["o1"].events)) == ("none", 2.0, 2)


def test_every_cause_can_be_found() -> None:
    for code in (*CAUSES, "none"):
        assert apply_event(OrderStatus("booked"), event("done", found=code)).found == code
