"""Slopes and trend tests against published examples; forecasts against their own simulation."""

import numpy as np
import pytest

from data_contracts.errors import NotEnoughDataError
from models.tracking.charts.forecast import beyond_probability, decision, weeks_to_limit
from models.trend import mann_kendall, theil_sen
from tests.reference_files import reference_rows


def test_sens_own_example():
    # P. K. Sen 1968: slope 4.0, 93 % interval 3.71 to 4.38 (as in the tests of a scientific Python library).
    x, y = np.array([1.0, 2, 3, 4, 10, 12, 18]), np.array([9.0, 15, 19, 20, 45, 55, 78])
    slope = theil_sen(x, y, confidence=0.93)
    assert slope.slope == pytest.approx(4.0)
    assert slope.intercept == pytest.approx(4.0)
    assert (slope.low, slope.high) == pytest.approx((3.71, 4.38), abs=0.005)


def test_slope_from_too_little_is_an_error():
    with pytest.raises(NotEnoughDataError):
        theil_sen(np.array([0.0, 1.0, np.nan]), np.array([1.0, 2.0, 3.0]))


def test_slope_counts_what_it_left_out():
    slope = theil_sen(np.arange(6.0), np.array([0.0, 1, np.nan, 3, 4, 5]))
    assert (slope.slope, slope.n, slope.left_out) == (1.0, 5, 1)


def test_mann_kendall_by_hand():
    # Worked by hand (College of the Holy Cross): S 54, V 332.667, Z 2.9058.
    x = np.array([float(row["x"]) for row in reference_rows("trend/mann_kendall.csv")])
    test = mann_kendall(x)
    assert test.s == 54
    assert test.variance == pytest.approx(332.667, abs=1e-3)
    assert test.z == pytest.approx(2.9058, abs=1e-4)
    assert test.p == pytest.approx(0.003663, abs=1e-6)


def test_conformance_examples():
    # JCGM 106:2012 7.3.3 (figures as remembered, arithmetic agrees): limit -5.40, measured -5.47, u 0.05: 0.92;
    # lower limit 490, measured 507, u 10: 0.96.
    nan = np.array([np.nan])
    first = 1 - beyond_probability(np.array([-5.47]), np.array([0.05]), low=nan, high=np.array([-5.40]))[0]
    second = 1 - beyond_probability(np.array([507.0]), np.array([10.0]), low=np.array([490.0]), high=nan)[0]
    assert first == pytest.approx(0.92, abs=0.005)
    assert second == pytest.approx(0.96, abs=0.005)


def test_guard_band_leaves_doubt_undecided():
    assert decision(10.0, 1.0, low=5.0) == "inside"
    assert decision(6.0, 1.0, low=5.0) == "undecided"
    assert decision(4.0, 1.0, low=5.0) == "undecided"
    assert decision(2.0, 1.0, low=5.0) == "outside"


def _forecast(margin, closing, spread=0.2):
    one = np.ones(1)
    return weeks_to_limit(margin * one, closing * one, spread**2 * one, 0 * one, 0.02**2 * one, level_step=0.0, slope_step=0.0)  # fmt: skip


def test_straight_line_crosses_where_it_must():
    forecast = _forecast(5.0, 0.5)
    assert forecast.median[0] == pytest.approx(10.0, abs=0.2)
    assert forecast.low[0] < 10.0 < forecast.high[0]
    assert forecast.within_13[0] > 0.9 > 0.1 > forecast.within_8[0]


def test_crossed_not_in_sight_and_unknown():
    assert _forecast(-1.0, 0.5).median[0] == 0.0
    assert np.isinf(_forecast(5.0, -0.5).median[0])
    assert np.isnan(_forecast(np.nan, 0.5).median[0])


def test_interval_covers_what_the_model_itself_draws():
    rng = np.random.default_rng(7)
    n, weeks = 4000, 52
    margin, closing, u_margin, u_closing = 4.0, 0.35, 0.3, 0.05
    level_step, slope_step = 0.1, 0.02
    one = np.ones(1)
    forecast = weeks_to_limit(
        margin * one, closing * one, u_margin**2 * one, 0 * one, u_closing**2 * one,
        level_step=level_step, slope_step=slope_step,
    )  # fmt: skip
    level = rng.normal(margin, u_margin, n)
    slope = rng.normal(closing, u_closing, n)
    crossed = np.full(n, np.inf)
    for week in range(1, weeks + 1):
        level -= slope + rng.normal(0, level_step, n)
        slope += rng.normal(0, slope_step, n)
        crossed = np.where(np.isinf(crossed) & (level <= 0), week, crossed)
    # drawn in whole weeks, so a crossing is found up to a week late
    inside = np.mean((crossed >= forecast.low[0]) & (crossed <= np.ceil(forecast.high[0])))
    assert 0.75 < inside < 0.90
