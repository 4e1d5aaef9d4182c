"""Orders: one per watched van, the same however often the week is run; and their life."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from data_contracts.causes import CAUSES, NOT_SEPARABLE
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import sentence
from data_contracts.jobs import JOBS, TESTS
from data_contracts.tables import WORK_ORDERS, polars_schema
from models.causes.infer import CausePosterior
from models.causes.pairs import PairProbability
from models.work.orders import WatchedVan, order_id, propose_orders
from models.work.worth import waiting
from tests.unit.models.work.posteriors import posterior

REASONS = (Fact.of("limit_crossed", "main_peak_reference_g_s"),)
NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)


def watched(van_id: str, **changes: object) -> WatchedVan:
    van = WatchedVan(van_id, "brook-20", "north", "2026-W14", "plan", "2026-W12", 5.0, None, REASONS)
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
    assert sentence(rows["v2"], "action").endswith("if it stands for 2 more visits: look at air filter and intake duct")
    assert sentence(rows["v3"], "action").startswith("At the next visit: record three snaps")
    assert "no known cause fits" in sentence(rows["v3"], "action")
    assert sorted(row["rank"] for row in rows.values()) == [1, 2, 3]
    for row in rows.values():
        assert sentence(row, "reason").count(". ") <= 1
        assert row["expected_cost_avoided"] == pytest.approx(book.worth[row["order_id"]].expected_cost_avoided)
        parts = [row[name] for name in PARTS]
        assert row["expected_cost_avoided"] == pytest.approx(sum(parts), abs=1e-9)


PARTS = ("failure_avoided", "running_avoided", "put_off", "warranty_paid", "work_cost", "parts_cost", "van_time_cost")


def test_a_van_to_watch_waits_and_work_that_costs_more_is_told_why() -> None:
    weak = {"v1": {"lambda_slow": 0.5, "none": 0.5}}

    def order(causes: dict[str, dict[str, float]], **changes: object) -> dict[str, Any]:
        return propose_orders([watched("v1", **changes)], posterior(causes)).orders.row(0, named=True)

    waits = order(weak, urgency="watch")
    assert (waits["expected_cost_avoided"], waits["hours"]) == (0.0, 0.0)
    assert sentence(waits, "action").endswith(
        "if it stands for 2 more visits: replace the lambda sensor after checking heater and wiring"
    )
    assert sentence(waits, "worth").startswith("Not worth it yet. Expected -")
    urgent = order(weak, urgency="now")
    assert urgent["expected_cost_avoided"] < 0
    assert sentence(urgent, "worth").endswith("Done all the same: a limit is crossed.")
    unsafe = order({"v1": {"unmetered_air": 0.9, "none": 0.1}})
    assert unsafe["safety"]
    assert unsafe["expected_cost_avoided"] > 0
    assert order(weak, warranty_until=date(2026, 5, 1))["expected_cost_avoided"] > 0


@pytest.mark.parametrize(
    ("reasons", "why"),
    [
        (
            (Fact.of("limit_ahead", "trim_idle_pct", weeks=3.0, weeks_low=1.0, weeks_high=9.0, horizon=26),),
            "near_limit",
        ),
        ((Fact.of("code_stands", fault_code="P0133", says="P0133", count=3),), "code"),
        ((Fact.of("code_agrees", fault_code="P0133", says="P0133"), REASONS[0]), "limit"),
        ((Fact.of("waiting_costs", cost=150.0, fetching=120.0),), "waiting"),
        ((), "waiting"),
    ],
)
def test_work_that_costs_more_than_it_avoids_says_the_reason_that_holds(reasons: tuple[Fact, ...], why: str) -> None:
    van = watched("v1", urgency="now", reasons=reasons)
    order = propose_orders([van], posterior({"v1": {"lambda_slow": 0.5, "none": 0.5}})).orders.row(0, named=True)
    assert order["expected_cost_avoided"] < 0
    assert [fact["code"] for fact in order["worth_facts"]] == ["worth", f"done_for_{why}"]


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
    assert again.drop("due_by").equals(first.drop("due_by"))  # its day may move earlier: see test_due_days


def test_declined_silences_the_van_until_it_is_urgent_or_weeks_have_gone() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit("declined"))

    def orders(**changes: object) -> int:
        return propose_orders([watched("v1", **changes)], posterior(CAUSES_OF), existing=first).orders.height

    assert orders(week="2026-W16", alarm_since="2026-W16") == 1
    assert orders(week="2026-W16", alarm_since="2026-W16", urgency="now") == 2
    assert orders(week="2026-W23", alarm_since="2026-W23") == 2
    assert orders(week="2026-W23") == 1


@pytest.mark.parametrize(
    ("listed", "urgency", "was", "orders"),
    [
        ("2026-W14", "plan", "plan", 1),  # the same week
        ("2026-W21", "plan", "plan", 1),  # seven weeks later
        ("2026-W22", "plan", "plan", 2),  # eight
        ("2026-W13", "plan", "plan", 2),  # a run for an earlier week
        ("2026-W16", "now", "plan", 2),
        ("2026-W16", "now", "now", 1),  # it was urgent when it was declined
    ],
)
def test_how_long_a_declined_order_silences_its_van(listed: str, urgency: str, was: str, orders: int) -> None:
    first = propose_orders([watched("v1", urgency=was)], posterior(CAUSES_OF)).orders
    declined = first.with_columns(state=pl.lit("declined"))
    van = watched("v1", week=listed, alarm_since=listed, urgency=urgency)
    assert propose_orders([van], posterior(CAUSES_OF), existing=declined).orders.height == orders
    other = watched("v2", week="2026-W16")
    assert propose_orders([other], posterior(CAUSES_OF), existing=declined).orders.height == 2


def test_an_alarm_declined_for_good_stays_silent_unless_it_becomes_urgent() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit("declined"))

    def ids(**changes: object) -> set[str]:
        van = watched("v1", week="2026-W40", **changes)
        return set(propose_orders([van], posterior(CAUSES_OF), existing=first).orders["order_id"])

    assert ids() == {order_id("v1", "2026-W12", 0)}
    assert ids(urgency="now") == {order_id("v1", "2026-W12", 0), order_id("v1", "2026-W12", 1)}


def test_an_identity_tells_van_alarm_and_number_apart() -> None:
    ids = {
        order_id(*key)
        for key in (("v1", "2026-W12", 0), ("v1", "2026-W12", 1), ("v1", "2026-W13", 0), ("v11", "2026-W2", 0))
    }
    assert len(ids) == 4
    assert all(len(name) == 16 and int(name, 16) >= 0 for name in ids)
    assert order_id("v1", "2026-W12") == order_id("v1", "2026-W12", 0)


def test_an_order_holds_what_the_list_says_of_its_van() -> None:
    van = watched("v1", family="fern-14", depot="south", flagged_by=("cycle_ripple", "idle_g_s"))
    row, waits = (
        propose_orders([replace(van, urgency=word)], posterior(CAUSES_OF)).orders.row(0, named=True)
        for word in ("plan", "watch")
    )
    assert (row["family"], row["depot"], row["urgency"], row["state"]) == ("fern-14", "south", "plan", "proposed")
    assert (row["week"], row["flagged_by"]) == ("2026-W14", ["cycle_ripple", "idle_g_s"])
    size = 0.7  # its severity; danger, engine and stranding within half a year
    fails = 1 - math.exp(-26 * (0.0003 * size + (0.008 + 0.05) * size**2))
    assert row["failure_probability"] == pytest.approx(0.9 * fails)
    assert (waits["urgency"], waits["hours"], waits["failure_probability"]) == ("watch", 0.0, 0.0)
    assert (row["action"], row["reason"], row["worth"]) == (None, None, None)  # said at the edge, not here


def test_duty_raises_the_worth_and_the_warranty_lasts_to_the_end_of_the_weeks_list() -> None:
    def order(**changes: object) -> dict[str, Any]:
        return propose_orders([watched("v1", **changes)], posterior(CAUSES_OF)).orders.row(0, named=True)

    assert order(duty=3.0)["failure_avoided"] == pytest.approx(3.0 * order()["failure_avoided"])
    sunday = date(2026, 4, 5)
    assert order(warranty_until=sunday)["warranty_paid"] > 0
    assert order(warranty_until=sunday - timedelta(days=1))["warranty_paid"] == 0


def test_what_hurts_or_moved_comes_first_and_then_what_it_points_to() -> None:
    moved, peak = Fact.of("stands_out"), "main_peak_reference_g_s"
    told = replace(posterior(CAUSES_OF), evidence_for=((moved,), (), ()))

    def codes(van: WatchedVan, found: CausePosterior = told) -> list[str]:
        facts = propose_orders([van], found).orders["reason_facts"].item().to_list()
        return [fact["code"] for fact in facts]

    ahead = Fact.of("limit_ahead", peak, weeks=5.0, weeks_low=3.0, weeks_high=8.0, horizon=52.0)
    hurts = Fact.of("cause_hurts", cause="fuel_delivery_weak", probability=0.9, means="hazard")
    stands = Fact.of("code_stands", fault_code="P0171", says="P0171", count=3)
    assert codes(watched("v1", reasons=(ahead,))) == ["stands_out", "cause_likely"]
    assert codes(watched("v1", reasons=(hurts, ahead))) == ["cause_hurts", "stands_out"]
    assert codes(watched("v1", reasons=(stands,))) == ["code_stands", "cause_likely"]
    assert codes(watched("v3", reasons=(stands,))) == ["code_stands"]
    rows = {van_id: codes(watched(van_id)) for van_id in CAUSES_OF}
    assert rows == {
        "v1": ["limit_crossed", "cause_likely"],
        "v2": ["limit_crossed", "not_separable_yet"],
        "v3": ["limit_crossed", "nothing_fits"],
    }
    bare = propose_orders([watched(v, reasons=()) for v in CAUSES_OF], posterior(CAUSES_OF)).orders
    assert {facts[0]["code"] for facts in bare["reason_facts"]} == {"stands_out"}


def test_two_leading_causes_are_told_with_their_probabilities() -> None:
    causes = {"v2": {"intake_restricted": 0.3, "exhaust_restricted": 0.45, "none": 0.25}}
    row = propose_orders([watched("v2")], posterior(causes)).orders.row(0, named=True)
    assert sentence(row, "reason").index("45 %") < sentence(row, "reason").index("30 %")


@pytest.mark.parametrize(
    ("causes", "wait", "code"),
    [
        ({"lambda_slow": 0.9, "none": 0.1}, True, "wait_then_job"),
        ({"lambda_slow": 0.9, "none": 0.1}, False, "do_job"),
        (CAUSES_OF["v2"], True, "wait_then_test"),
        (CAUSES_OF["v2"], False, "do_test"),
        ({"none": 0.9, "lambda_slow": 0.1}, True, "record_at_next_visit_unknown"),
        ({"none": 0.9, "lambda_slow": 0.1}, False, "record_again_unknown"),
    ],
)
def test_what_to_do_first(causes: dict[str, float], wait: bool, code: str) -> None:
    van = watched("v1", urgency="watch" if wait else "now")
    row = propose_orders([van], posterior({"v1": causes})).orders.row(0, named=True)
    assert [fact["code"] for fact in row["action_facts"]] == [code]


def test_what_stood_as_long_as_the_order_asked_to_wait_is_done() -> None:
    weak = posterior({"v1": {"lambda_slow": 0.5, "none": 0.5}})
    stood = Fact.of("stood_since_order", count=2)

    def order(stands: int, urgency: str, *reasons: Fact) -> dict[str, Any]:
        van = replace(watched("v1", urgency=urgency), stood=stands, reasons=reasons)
        return propose_orders([van], weak).orders.row(0, named=True)

    for stands, left in ((0, "2 more visits"), (1, "1 more visit")):
        assert f"if it stands for {left}: replace" in sentence(order(stands, "watch"), "action")
    assert "hält es noch 1 Besuch an:" in sentence(order(1, "watch"), "action", "de")
    now = order(2, "plan", stood)
    assert [fact["code"] for fact in now["action_facts"]] == ["do_job"]
    assert now["hours"] > 0
    assert now["expected_cost_avoided"] < 0
    assert [fact["code"] for fact in now["worth_facts"]] == ["worth", "done_as_it_stands"]


def test_what_a_repair_came_to_stands_on_the_next_order() -> None:
    judged = Fact.of("repair_judged", day="2026-03-27", verdict="not_proven")
    van = replace(watched("v1"), reasons=(*watched("v1").reasons, judged))
    row = propose_orders([van], posterior(CAUSES_OF)).orders.row(0, named=True)
    assert row["reason_facts"][-1] == judged.row()
    assert "it did not help" in sentence(row, "reason")
    assert "es half nicht" in sentence(row, "reason", "de")


def test_without_a_test_that_tells_the_van_is_recorded_again() -> None:
    found = replace(posterior({"v1": CAUSES_OF["v2"]}), next_test=(None,))
    row = propose_orders([watched("v1", urgency="now")], found).orders.row(0, named=True)
    assert [fact["code"] for fact in row["action_facts"]] == ["record_again"]


def test_other_orders_keep_their_rank_and_proposals_are_ranked_among_themselves() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders
    taken = first.with_columns(state=pl.lit("accepted"), rank=pl.lit(7))
    vans = [watched("v1", rank=1), watched("v3", rank=3), watched("v2", rank=2)]
    book = propose_orders(vans, posterior(CAUSES_OF), existing=taken)
    ranks = dict(book.orders.select("van_id", "rank").iter_rows())
    assert ranks == {"v1": 7, "v2": 1, "v3": 2}
    assert set(book.worth) == set(book.orders.filter(pl.col("van_id") != "v1")["order_id"])


def test_open_order_is_kept_when_the_alarm_flickers() -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF))
    again = propose_orders([watched("v1", alarm_since="2026-W14")], posterior(CAUSES_OF), existing=first.orders)
    assert again.orders["order_id"].to_list() == first.orders["order_id"].to_list()


@pytest.mark.parametrize("state", ["proven", "not_proven"])
def test_alarm_that_outlives_a_judged_repair_brings_the_next_order(state: str) -> None:
    first = propose_orders([watched("v1")], posterior(CAUSES_OF)).orders.with_columns(state=pl.lit(state))
    again = propose_orders([watched("v1", week="2026-W18")], posterior(CAUSES_OF), existing=first).orders
    assert set(again["order_id"]) == {order_id("v1", "2026-W12", 0), order_id("v1", "2026-W12", 1)}


SLOW_AND_FILTER = {"v1": {"lambda_slow": 0.9, "intake_restricted": 0.1}}


def paired(probability: float, codes: tuple[str, str] = ("intake_restricted", "lambda_slow")) -> CausePosterior:
    return replace(posterior(SLOW_AND_FILTER), pairs=((PairProbability(codes, probability, (0.7, 0.7)),),))


@pytest.mark.parametrize(("other", "work", "part"), [("intake_restricted", 0.4, 25.0), ("unmetered_air", 1.2, 40.0)])
def test_two_causes_likelier_than_not_are_one_visit(other: str, work: float, part: float) -> None:
    alone, order = (
        propose_orders([watched("v1", urgency="now", duty=2.0)], found).orders.row(0, named=True)
        for found in (posterior(SLOW_AND_FILTER), paired(0.8, (other, "lambda_slow")))
    )
    assert "in the same visit" in sentence(order, "action")
    assert order["action_facts"][0]["words"] != alone["action_facts"][0]["words"]
    # its own hours and part, and the van's time, no second handling; what fails counts by duty, fuel and power do not
    assert order["hours"] == pytest.approx(alone["hours"] + work)
    more = {name: order[name] - alone[name] for name in (*PARTS, "expected_cost_avoided")}
    left = waiting(other, 0.7, 26.0)
    put_off = 0.8 * (work * 85 + part)
    gained = 0.8 * (2.0 * left.failures + left.running)
    assert more == {
        "failure_avoided": pytest.approx(2.0 * 0.8 * left.failures),
        "running_avoided": pytest.approx(0.8 * left.running),
        "put_off": pytest.approx(put_off),
        "warranty_paid": 0.0,
        "work_cost": pytest.approx(-work * 85),
        "parts_cost": pytest.approx(-0.8 * part),
        "van_time_cost": pytest.approx(-work * 180 / 8),
        "expected_cost_avoided": pytest.approx(gained + put_off - work * 85 - 0.8 * part - work * 180 / 8),
    }


@pytest.mark.parametrize(
    ("pair", "together"),
    [
        (paired(0.5), True),
        (paired(0.49), False),
        (paired(0.9, ("lambda_slow", "intake_restricted")), True),
        (paired(0.9, ("intake_restricted", "exhaust_restricted")), False),  # not with the cause that leads
    ],
)
def test_a_second_cause_joins_the_leading_one_from_even_odds(pair: CausePosterior, together: bool) -> None:
    order = propose_orders([watched("v1", urgency="now")], pair).orders.row(0, named=True)
    assert ("in the same visit" in sentence(order, "action")) is together
    assert order["hours"] == pytest.approx(1.1 + 0.4 if together else 1.1)  # the sensor, and the filter where it joins


@pytest.mark.parametrize(("share", "lifted"), [(0.2, True), (0.19, False)])
def test_a_cause_that_endangers_people_is_looked_for_in_the_visit_of_a_likelier_one(share: float, lifted: bool) -> None:
    causes = {"ignition_weak": 1.0 - share, "fuel_aeration": share}
    found = posterior({"v1": causes})
    danger = Fact.of("dangers_likely", probability=share, cause="fuel_aeration", second_cause=None)
    order = propose_orders([watched("v1", urgency="now", reasons=(danger,))], found).orders.row(0, named=True)
    assert (order["cause"], order["safety"]) == ("ignition_weak", lifted)
    (action,) = order["action_facts"]
    test = TESTS[CAUSES["fuel_aeration"].first_test]
    assert dict(action["words"]).get("test") == (test.name if lifted else None)  # at odds no job is ordered by
    assert "second_cause" not in dict(action["words"])
    assert (test.title.en[1:] in sentence(order, "action")) is lifted
    codes = [fact["code"] for fact in order["reason_facts"]]
    assert codes == ["dangers_likely", "cause_likely"]
    alone = propose_orders(
        [watched("v1", urgency="now")], posterior({"v1": {"ignition_weak": 1.0 - share, "lambda_slow": share}})
    ).orders
    found_hours = share * test.finds["fuel_aeration"] * JOBS["fuel_aeration"].hours
    assert order["hours"] == pytest.approx(alone["hours"][0] + (test.minutes / 60.0 + found_hours) * lifted)
    assert (order["failure_avoided"] > alone["failure_avoided"][0]) is lifted


@pytest.mark.parametrize(("share", "code"), [(0.25, "do_test"), (0.15, "record_again_unknown")])
def test_where_nothing_known_fits_a_cause_that_endangers_people_is_tested_for(share: float, code: str) -> None:
    found = posterior({"v1": {"none": 1.0 - share, "fuel_aeration": share}})
    order = propose_orders([watched("v1", urgency="plan")], found).orders.row(0, named=True)
    (action,) = order["action_facts"]
    assert action["code"] == code
    assert dict(action["words"]).get("test") == (CAUSES["fuel_aeration"].first_test if code == "do_test" else None)


def test_a_watched_van_without_causes_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="v9"):
        propose_orders([watched("v9")], posterior(CAUSES_OF))


# --- life -------------------------------------------------------------------------------------------
