"""What an order is worth, and how orders are ranked."""

from datetime import date

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, EVERY_CAUSE
from data_contracts.jobs import JOBS, TESTS
from models.work.worth import (
    NO_WORTH,
    RankingSettings,
    Worth,
    rank_orders,
    waiting,
    worth_fact,
    worth_of_order,
)

AMOUNTS = ("failure_avoided", "running", "put_off", "warranty", "work", "parts", "van_time")
DAY = date(2026, 4, 5)


def certain(cause: str) -> dict[str, float]:
    return {code: float(code == cause) for code in CAUSE_CODES}


@pytest.mark.parametrize("warranty", [None, date(2026, 5, 1)])
@pytest.mark.parametrize("leading", [*CAUSES, "none", "not_separable"])
def test_parts_add_up(leading: str, warranty: date | None) -> None:
    probability = dict.fromkeys(CAUSE_CODES, 1.0 / len(CAUSE_CODES))
    worth = worth_of_order(probability, leading, "fuel_pressure", severity=0.5, day=DAY, warranty_until=warranty)
    gained = worth.failure_avoided + worth.running_avoided + worth.put_off + worth.warranty
    parts = gained + worth.work + worth.parts + worth.van_time
    assert worth.expected_cost_avoided == pytest.approx(parts, abs=1e-9)
    assert worth.work < 0
    fact = worth_fact(worth, RankingSettings())
    assert fact.numbers["total"] == worth.expected_cost_avoided
    assert sum(fact.numbers[name] for name in AMOUNTS) == pytest.approx(parts, abs=1e-9)


def test_worth_by_hand() -> None:
    # An air filter at severity 1 and 0.8 likely: 26 weeks at 5 of power and 1 of fuel. 0.4 h and 25 of parts are put off
    # by waiting; 0.3 h of handling, work in vain and the van's time are not.
    likely = certain("intake_restricted") | {"intake_restricted": 0.8, "none": 0.2}
    worth = worth_of_order(likely, "intake_restricted", None, severity=1.0, day=DAY, warranty_until=None)
    assert worth.failure_avoided == 0.0
    assert worth.running_avoided == pytest.approx(0.8 * 26 * 6)
    assert worth.put_off == pytest.approx(0.8 * (0.4 * 85 + 25))
    assert worth.expected_cost_avoided == pytest.approx(
        0.8 * 26 * 6 + 0.8 * (0.4 * 85 + 25) - 0.7 * 85 - 0.8 * 25 - 0.7 / 8 * 180
    )


def test_waiting_by_hand() -> None:
    # Ignition at severity 0.5 for 10 weeks: the catalyst at 0.06 x 0.5 a week, 1,200 when it goes; and so on.
    catalyst, standing, test = (1 - np.exp(-10 * 0.5 * rate) for rate in (0.06, 0.01, 0.5 / 52))
    left = waiting("ignition_weak", 0.5, 10.0)
    assert left.failures == pytest.approx(catalyst * 1200 + standing * 600 + test * 150)
    assert left.running == pytest.approx(10 * 0.5 * (6.0 + 3.0))
    assert left.probability == pytest.approx(1 - (1 - catalyst) * (1 - standing) * (1 - test))


def test_a_certain_misfire_is_worth_acting_on_though_no_limit_is_crossed() -> None:
    worth = worth_of_order(certain("ignition_weak"), "ignition_weak", None, severity=1.0, day=DAY, warranty_until=None)
    assert worth.expected_cost_avoided > 500


@pytest.mark.parametrize("cause", list(CAUSES))
def test_waiting_costs_more_the_worse_and_the_longer(cause: str) -> None:
    cost = [[waiting(cause, severity, weeks).cost for weeks in (1.0, 6.0, 26.0)] for severity in (0.3, 0.6, 1.0)]
    assert np.all(np.diff(cost, axis=0) > 0)
    assert np.all(np.diff(cost, axis=1) > 0)
    assert waiting(cause, 0.0, 26.0).cost == 0.0


def test_each_part_of_an_uncertain_job_by_hand() -> None:
    # 0.6 that it is the cause: what comes of it is avoided and its part is needed that often, its hours are worked in any case.
    worth = worth_of_order(
        {"fuel_delivery_weak": 0.6, "none": 0.4},
        "fuel_delivery_weak",
        None,
        severity=0.8,
        day=DAY,
        warranty_until=None,
        duty=2.0,
    )
    hazard, engine, standing = 26 * 0.0003 * 0.8, 26 * 0.008 * 0.8**2, 26 * 0.05 * 0.8**2
    comes = (1 - np.exp(-hazard)) * 20000 + (1 - np.exp(-engine)) * 4000 + (1 - np.exp(-standing)) * 600
    assert worth.failure_probability == pytest.approx(0.6 * (1 - np.exp(-hazard - engine - standing)))
    assert worth.failure_avoided == pytest.approx(2.0 * 0.6 * comes)
    assert worth.running_avoided == pytest.approx(0.6 * 26 * 8.0 * 0.8)  # power is lost whatever the van's duty
    assert worth.put_off == pytest.approx(0.6 * (1.8 * 85 + 210))
    assert worth.hours == pytest.approx(1.8 + 0.3)
    assert (worth.work, worth.parts) == (pytest.approx(-2.1 * 85), pytest.approx(-0.6 * 210))
    assert worth.van_time == pytest.approx(-2.1 / 8 * 180)
    assert worth.warranty == 0.0
    under_warranty = worth_of_order(
        {"fuel_delivery_weak": 0.6, "none": 0.4},
        "fuel_delivery_weak",
        None,
        severity=0.8,
        day=DAY,
        warranty_until=DAY,
    )
    assert under_warranty.warranty == pytest.approx(0.6 * (2.1 * 85) + 0.6 * 210)


def test_own_money_hours_and_horizon_count() -> None:
    own = RankingSettings(hour_rate=100.0, van_day_cost=80.0, day_hours=4.0, horizon_weeks=10.0, handling_hours=1.0)
    worth = worth_of_order(
        certain("fuel_delivery_weak"),
        "fuel_delivery_weak",
        None,
        severity=1.0,
        day=DAY,
        warranty_until=None,
        settings=own,
    )
    assert worth.failure_probability == pytest.approx(1 - np.exp(-10 * (0.0003 + 0.008 + 0.05)))
    assert worth.running_avoided == pytest.approx(10 * 8.0)
    assert worth.put_off == pytest.approx(1.8 * 100 + 210)
    assert (worth.hours, worth.work) == (pytest.approx(2.8), pytest.approx(-280.0))
    assert worth.van_time == pytest.approx(-2.8 / 4 * 80)
    assert worth_fact(worth, own).numbers["horizon_weeks"] == 10.0


def test_recording_again_costs_its_handling_and_mends_nothing() -> None:
    for leading, test in (("none", None), ("not_separable", None)):
        worth = worth_of_order(
            dict.fromkeys(CAUSE_CODES, 0.05), leading, test, severity=1.0, day=DAY, warranty_until=DAY
        )
        assert (worth.hours, worth.failure_avoided, worth.parts, worth.warranty) == (0.3, 0.0, 0.0, 0.0)
        assert (worth.running_avoided, worth.put_off, worth.failure_probability) == (0.0, 0.0, 0.0)
        assert worth.expected_cost_avoided == pytest.approx(-0.3 * (85 + 180 / 8))


def test_a_find_is_mended_where_waiting_costs_more_than_the_vans_time() -> None:
    def after_test(severity: float) -> Worth:
        return worth_of_order(
            certain("intake_restricted"),
            "not_separable",
            "air_filter",
            severity=severity,
            day=DAY,
            warranty_until=DAY,
        )

    # changing the filter keeps the van for 0.4 h, 9; waiting costs 26 x 6 at severity 1
    left, changed = after_test(9 / (26 * 6) - 1e-6), after_test(9 / (26 * 6) + 1e-6)
    assert (left.running_avoided, left.put_off, left.parts, left.hours) == (0.0, 0.0, 0.0, pytest.approx(8 / 60 + 0.3))
    assert changed.running_avoided == pytest.approx(0.85 * 9, abs=1e-3)
    assert changed.parts == pytest.approx(-0.85 * 25)
    assert changed.put_off == pytest.approx(0.85 * (25 + 0.4 * 85))
    assert changed.warranty == 0.0  # a test is not paid by the warranty


def test_duty_makes_a_find_worth_mending_by_what_fails() -> None:
    test = next(name for name, known in TESTS.items() if "lambda_slow" in known.finds)
    found, severity = TESTS[test].finds["lambda_slow"], 0.1

    def after_test(duty: float) -> Worth:
        return worth_of_order(
            certain("lambda_slow"),
            "not_separable",
            test,
            severity=severity,
            day=DAY,
            warranty_until=None,
            duty=duty,
        )

    # 0.8 h keep the van for 18; waiting costs 6 of fuel and 9 of failures, of these twice as much at duty 2
    failures = (1 - np.exp(-26 * 0.001 * severity)) * 1200 + (1 - np.exp(-26 * 0.8 / 52 * severity)) * 150
    assert failures + 26 * 2.4 * severity < 0.8 / 8 * 180 < 2 * failures + 26 * 2.4 * severity
    assert (after_test(1.0).failure_avoided, after_test(1.0).parts) == (0.0, 0.0)
    assert after_test(2.0).failure_avoided == pytest.approx(2 * found * failures)
    assert after_test(2.0).running_avoided == pytest.approx(found * 26 * 2.4 * severity)


def test_severity_is_held_between_nothing_and_all() -> None:
    assert waiting("lambda_slow", -3.0, 26.0).cost == 0.0
    assert waiting("lambda_slow", 7.0, 26.0) == waiting("lambda_slow", 1.0, 26.0)


def test_a_test_beside_a_job_costs_its_minutes_and_mends_what_it_finds() -> None:
    causes, about = {"ignition_weak": 0.7, "fuel_aeration": 0.3}, {"severity": 0.7, "day": DAY, "warranty_until": None}
    test = TESTS["clear_line"]
    alone = worth_of_order(causes, "ignition_weak", None, **about)
    beside = worth_of_order(causes, "ignition_weak", test.name, **about)
    job, odds = JOBS["fuel_aeration"], 0.3 * test.finds["fuel_aeration"]
    assert beside.hours == pytest.approx(alone.hours + test.minutes / 60.0 + odds * job.hours)
    assert beside.parts == pytest.approx(alone.parts - odds * job.parts_cost)
    left = waiting("fuel_aeration", 0.7, 26.0)
    assert beside.failure_avoided == pytest.approx(alone.failure_avoided + odds * left.failures)
    assert beside.put_off == pytest.approx(alone.put_off + odds * (job.parts_cost + job.hours * 85))


def test_per_hour_of_no_hours_is_finite() -> None:
    assert NO_WORTH.per_hour == 0.0
    ranks = rank_orders(["plan"] * 3, [False] * 3, np.array([1.0, 0.0, 2.0]), np.array([4.0, 0.0, 4.0]))
    assert ranks.tolist() == [2, 3, 1]


def test_of_equals_the_first_by_name_goes_first_and_never_before_what_is_worth_more() -> None:
    names = ["v3", "v1", "v2"]
    assert rank_orders(["plan"] * 3, [False] * 3, np.full(3, 5.0), np.ones(3), names).tolist() == [3, 1, 2]
    worth = np.array([5.0, 5.0, 5.1])
    assert rank_orders(["plan"] * 3, [False] * 3, worth, np.ones(3), names).tolist() == [3, 2, 1]
    assert rank_orders(["plan"] * 3, [False] * 3, np.full(3, 5.0), np.ones(3)).tolist() == [1, 2, 3]


def test_warranty_pays_work_and_parts_until_its_last_day() -> None:
    def total(until: date | None) -> float:
        return worth_of_order(
            certain("lambda_slow"), "lambda_slow", None, severity=0.5, day=DAY, warranty_until=until
        ).expected_cost_avoided

    assert total(DAY) - total(None) == pytest.approx(1.1 * 85 + 120)
    assert total(date(2026, 4, 4)) == total(None)


def test_an_unknown_severity_counts_as_one_half() -> None:
    assert waiting("lambda_slow", np.nan, 26.0) == waiting("lambda_slow", 0.5, 26.0)


def test_order_of_ranks() -> None:
    ranks = rank_orders(
        ["watch", "now", "plan", "now", "plan"],
        [False, False, False, True, False],
        np.array([900.0, 10.0, 50.0, -5.0, 60.0]),
        np.array([1.0, 1.0, 1.0, 1.0, 2.0]),
    )
    assert ranks.tolist() == [5, 2, 3, 1, 4]


def test_safety_goes_first_among_vans_that_are_called_in() -> None:
    ranks = rank_orders(
        ["now", "plan", "watch", "plan"], [False, True, True, False], np.array([900.0, -5.0, 50.0, 60.0]), np.ones(4)
    )
    assert ranks.tolist() == [2, 1, 4, 3]


def test_a_van_whose_warranty_still_pays_comes_before_its_twin() -> None:
    def worth(until: date | None) -> Worth:
        return worth_of_order(certain("lambda_slow"), "lambda_slow", None, severity=0.8, day=DAY, warranty_until=until)

    pair = [worth(None), worth(date(2026, 4, 20))]
    ranks = rank_orders(
        ["plan", "plan"],
        [False, False],
        np.array([one.expected_cost_avoided for one in pair]),
        np.array([one.hours for one in pair]),
    )
    assert ranks.tolist() == [2, 1]


def test_worth_of_a_test_by_hand() -> None:
    # 8 min and 0.3 h handling; the filter, found with 0.85 x 0.6, is changed (0.4 h, 25) where that is worth it.
    probability = dict.fromkeys(CAUSE_CODES, 0.0) | {"intake_restricted": 0.6, "none": 0.4}
    worth = worth_of_order(probability, "not_separable", "air_filter", severity=1.0, day=DAY, warranty_until=None)
    found = 0.6 * 0.85
    hours = 8 / 60 + 0.3 + found * 0.4
    assert worth.hours == pytest.approx(hours)
    spared = found * (26 * 6 + 0.4 * 85)  # the filter's own price is put off
    assert worth.expected_cost_avoided == pytest.approx(spared - hours * (85 + 180 / 8))


def test_a_cause_of_which_nothing_is_said_is_not_found_by_a_test() -> None:
    told = {"fuel_delivery_weak": 0.7, "none": 0.3}
    of = {"severity": 0.5, "day": DAY, "warranty_until": None}
    short = worth_of_order(told, "not_separable", "fuel_pressure", **of)  # type: ignore[arg-type]
    assert short == worth_of_order(dict.fromkeys(CAUSE_CODES, 0.0) | told, "not_separable", "fuel_pressure", **of)  # type: ignore[arg-type]
    assert short.failure_avoided > 0


def test_every_test_and_job_names_known_causes() -> None:
    assert set(JOBS) == set(EVERY_CAUSE)
    for test in TESTS.values():
        assert set(test.finds) <= set(EVERY_CAUSE)
        assert all(test.otherwise < share <= 1 for share in test.finds.values())
    found = {code for test in TESTS.values() for code in test.finds}
    assert found == set(EVERY_CAUSE)
