"""What an order is worth, and how orders are ranked."""

from datetime import date

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES
from data_contracts.jobs import JOBS, TESTS
from models.work.worth import (
    NO_WORTH,
    RankingSettings,
    Worth,
    failure_probability,
    is_safety,
    job_price,
    rank_orders,
    worth_fact,
    worth_of_order,
)

AMOUNTS = ("failure_avoided", "warranty", "work", "parts", "van_time")
DAY = date(2026, 4, 5)


def certain(cause: str) -> dict[str, float]:
    return {code: float(code == cause) for code in CAUSE_CODES}


@pytest.mark.parametrize("warranty", [None, date(2026, 5, 1)])
@pytest.mark.parametrize("leading", [*CAUSES, "none", "not_separable"])
def test_parts_add_up(leading: str, warranty: date | None) -> None:
    probability = dict.fromkeys(CAUSE_CODES, 1.0 / len(CAUSE_CODES))
    worth = worth_of_order(
        probability, leading, "fuel_pressure", crosses=0.6, severity=0.5, day=DAY, warranty_until=warranty
    )
    parts = worth.failure_avoided + worth.warranty + worth.work + worth.parts + worth.van_time
    assert worth.expected_cost_avoided == pytest.approx(parts, abs=1e-9)
    assert worth.work < 0
    fact = worth_fact(worth)
    assert fact.numbers["total"] == worth.expected_cost_avoided
    assert sum(fact.numbers[name] for name in AMOUNTS) == pytest.approx(parts, abs=1e-9)


def test_worth_by_hand() -> None:
    # 1.8 h + 0.3 h handling at 85; 210 of parts; 2.1/8 of a van day at 180; crossed for sure: 0.35 x 1500.
    worth = worth_of_order(
        certain("fuel_delivery_weak"),
        "fuel_delivery_weak",
        None,
        crosses=1.0,
        severity=1.0,
        day=DAY,
        warranty_until=None,
    )
    assert worth.expected_cost_avoided == pytest.approx(0.35 * 1500 - 2.1 * 85 - 210 - 2.1 / 8 * 180)


def test_each_part_of_an_uncertain_job_by_hand() -> None:
    # 0.6 that it is the cause: its failure is avoided and its part is needed that often, its hours are worked in any case.
    worth = worth_of_order(
        {"fuel_delivery_weak": 0.6, "none": 0.4},
        "fuel_delivery_weak",
        "fuel_pressure",
        crosses=0.5,
        severity=0.8,
        day=DAY,
        warranty_until=None,
        duty=2.0,
    )
    risk = 0.5 * 0.35 + 0.5 * 0.08 * 0.8
    assert worth.failure_probability == pytest.approx(risk)
    assert worth.failure_avoided == pytest.approx(2.0 * risk * 0.6 * 1500)
    assert worth.hours == pytest.approx(1.8 + 0.3)
    assert (worth.work, worth.parts) == (pytest.approx(-2.1 * 85), pytest.approx(-0.6 * 210))
    assert worth.van_time == pytest.approx(-2.1 / 8 * 180)
    assert worth.warranty == 0.0
    under_warranty = worth_of_order(
        {"fuel_delivery_weak": 0.6, "none": 0.4},
        "fuel_delivery_weak",
        None,
        crosses=0.5,
        severity=0.8,
        day=DAY,
        warranty_until=DAY,
    )
    assert under_warranty.warranty == pytest.approx(0.6 * (2.1 * 85) + 0.6 * 210)


def test_own_money_and_hours_count() -> None:
    own = RankingSettings(
        hour_rate=100.0,
        van_day_cost=80.0,
        day_hours=4.0,
        failure_if_crossed=0.5,
        failure_if_not=0.1,
        handling_hours=1.0,
    )
    worth = worth_of_order(
        certain("fuel_delivery_weak"),
        "fuel_delivery_weak",
        None,
        crosses=0.0,
        severity=1.0,
        day=DAY,
        warranty_until=None,
        settings=own,
    )
    assert worth.failure_probability == pytest.approx(0.1)
    assert (worth.hours, worth.work) == (pytest.approx(2.8), pytest.approx(-280.0))
    assert worth.van_time == pytest.approx(-2.8 / 4 * 80)
    job = JOBS["fuel_delivery_weak"]
    assert job_price(job, own) == pytest.approx(1.8 * (100 + 20) + 210)


def test_recording_again_costs_its_handling_and_mends_nothing() -> None:
    for leading, test in (("none", "fuel_pressure"), ("not_separable", None)):
        worth = worth_of_order(
            dict.fromkeys(CAUSE_CODES, 0.05), leading, test, crosses=1.0, severity=1.0, day=DAY, warranty_until=DAY
        )
        assert (worth.hours, worth.failure_avoided, worth.parts, worth.warranty) == (0.3, 0.0, 0.0, 0.0)
        assert worth.expected_cost_avoided == pytest.approx(-0.3 * (85 + 180 / 8))


def test_a_find_that_is_not_worth_mending_is_left_and_duty_makes_it_worth_it() -> None:
    def after_test(duty: float) -> Worth:
        return worth_of_order(
            {"intake_restricted": 1.0},
            "not_separable",
            "air_filter",
            crosses=0.0,
            severity=1.0,
            day=DAY,
            warranty_until=DAY,
            duty=duty,
        )

    # 0.08 x 350 = 28 is less than the 0.4 h and 25 that mending costs; five times that is more
    assert (after_test(1.0).failure_avoided, after_test(1.0).parts) == (0.0, 0.0)
    assert after_test(5.0).failure_avoided == pytest.approx(5 * 0.08 * 0.85 * 350)
    assert after_test(5.0).parts == pytest.approx(-0.85 * 25)
    assert after_test(5.0).warranty == 0.0  # a test is not paid by the warranty


def test_severity_is_held_between_nothing_and_all() -> None:
    settings = RankingSettings()
    assert failure_probability(0.0, -3.0, settings) == 0.0
    assert failure_probability(0.0, 7.0, settings) == pytest.approx(settings.failure_if_not)


@pytest.mark.parametrize(
    ("leading", "probability", "safety"),
    [
        ("unmetered_air", {"unmetered_air": 0.3}, True),
        ("lambda_slow", {"lambda_slow": 0.3, "unmetered_air": 0.7}, False),
        ("not_separable", {"unmetered_air": 0.5, "lambda_slow": 0.5}, True),
        ("not_separable", {"unmetered_air": 0.49, "lambda_slow": 0.51}, False),
        ("not_separable", {"none": 1.0}, False),
        ("none", {"unmetered_air": 1.0}, False),
    ],
)
def test_safety_from_even_odds(leading: str, probability: dict[str, float], safety: bool) -> None:
    assert JOBS["unmetered_air"].safety
    assert not JOBS["lambda_slow"].safety
    assert is_safety(leading, probability) is safety


def test_per_hour_of_no_hours_is_finite() -> None:
    assert NO_WORTH.per_hour == 0.0
    ranks = rank_orders(["plan"] * 3, [False] * 3, np.array([1.0, 0.0, 2.0]), np.array([4.0, 0.0, 4.0]))
    assert ranks.tolist() == [2, 3, 1]


def test_warranty_pays_work_and_parts_until_its_last_day() -> None:
    def total(until: date | None) -> float:
        return worth_of_order(
            certain("lambda_slow"), "lambda_slow", None, crosses=0.5, severity=0.5, day=DAY, warranty_until=until
        ).expected_cost_avoided

    assert total(DAY) - total(None) == pytest.approx(1.1 * 85 + 120)
    assert total(date(2026, 4, 4)) == total(None)


def test_risk_grows_with_crossing_and_severity() -> None:
    settings = RankingSettings()
    assert failure_probability(1.0, 0.2, settings) == settings.failure_if_crossed
    assert failure_probability(0.0, 0.8, settings) > failure_probability(0.0, 0.2, settings)
    assert failure_probability(0.0, np.nan, settings) == pytest.approx(settings.failure_if_not / 2)


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
        return worth_of_order(
            certain("lambda_slow"), "lambda_slow", None, crosses=0.9, severity=0.8, day=DAY, warranty_until=until
        )

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
    worth = worth_of_order(
        probability, "not_separable", "air_filter", crosses=1.0, severity=0.5, day=DAY, warranty_until=None
    )
    found = 0.6 * 0.85
    hours = 8 / 60 + 0.3 + found * 0.4
    assert worth.hours == pytest.approx(hours)
    assert worth.expected_cost_avoided == pytest.approx(found * 0.35 * 350 - hours * (85 + 180 / 8) - found * 25)


def test_a_cause_of_which_nothing_is_said_is_not_found_by_a_test() -> None:
    told = {"fuel_delivery_weak": 0.7, "none": 0.3}
    of = {"crosses": 1.0, "severity": 0.5, "day": DAY, "warranty_until": None}
    short = worth_of_order(told, "not_separable", "fuel_pressure", **of)  # type: ignore[arg-type]
    assert short == worth_of_order(dict.fromkeys(CAUSE_CODES, 0.0) | told, "not_separable", "fuel_pressure", **of)  # type: ignore[arg-type]
    assert short.failure_avoided > 0


def test_every_test_and_job_names_known_causes() -> None:
    assert set(JOBS) == set(CAUSES)
    for test in TESTS.values():
        assert set(test.finds) <= set(CAUSES)
        assert all(test.otherwise < share <= 1 for share in test.finds.values())
    found = {code for test in TESTS.values() for code in test.finds}
    assert found == set(CAUSES)
