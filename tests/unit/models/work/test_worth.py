"""Ranking, and age replacement against its published example."""

from datetime import date

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES
from data_contracts.errors import InputError
from data_contracts.jobs import JOBS, TESTS
from models.replacement import best_replacement_age, replacement_cost_rate
from models.work.worth import RankingSettings, Worth, explain_worth, failure_probability, rank_orders, worth_of_order

DAY = date(2026, 4, 5)


def certain(cause: str) -> dict[str, float]:
    return {code: float(code == cause) for code in CAUSE_CODES}


def test_age_replacement_published_example() -> None:
    # Weibull shape 2.5, scale 1000 h, planned 1, unplanned 5: problem statement and cost formula at
    # reliawiki.com, "Optimum Replacement Time Example" (read 2026-11-25). The printed optimum of a public
    # reliability library's documentation, 493.19 h at 0.0035 per h, is from a coarse grid; exact 493.047 h,
    # 0.00346204 per h, run to failure 0.0056353 per h (recomputed by quadrature, independent of this code).
    best = best_replacement_age(2.5, 1000.0, 1.0, 5.0)
    assert best.age == pytest.approx(493.047, abs=0.01)
    assert best.cost_rate == pytest.approx(0.00346204, rel=1e-5)
    assert round(best.cost_rate, 4) == 0.0035
    assert best.run_to_failure_rate == pytest.approx(0.0056353, rel=1e-4)
    assert replacement_cost_rate(493.19, 2.5, 1000.0, 1.0, 5.0) >= best.cost_rate


@pytest.mark.parametrize("shape", [0.5, 1.0])
def test_a_part_that_does_not_wear_is_never_changed_early(shape: float) -> None:
    # Same source: no finite optimum for shape at most 1.
    assert best_replacement_age(shape, 1000.0, 1.0, 5.0).age == np.inf


def test_replacement_parameters_are_checked() -> None:
    with pytest.raises(InputError, match="shape is 0"):
        best_replacement_age(0.0, 1000.0, 1.0, 5.0)


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
    assert explain_worth(worth, "EUR").endswith(".")


def test_worth_by_hand() -> None:
    # 1.8 h + 0.3 h handling at 85; 210 of parts; 2.1/8 of a van day at 180; crossed for sure: 0.35 x 1500.
    worth = worth_of_order(
        certain("fuel_delivery_weak"), "fuel_delivery_weak", None,
        crosses=1.0, severity=1.0, day=DAY, warranty_until=None,
    )  # fmt: skip
    assert worth.expected_cost_avoided == pytest.approx(0.35 * 1500 - 2.1 * 85 - 210 - 2.1 / 8 * 180)


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


def test_every_test_and_job_names_known_causes() -> None:
    assert set(JOBS) == set(CAUSES)
    for test in TESTS.values():
        assert set(test.finds) <= set(CAUSES)
        assert all(test.otherwise < share <= 1 for share in test.finds.values())
    found = {code for test in TESTS.values() for code in test.finds}
    assert found == set(CAUSES)
