"""Weeks to a limit against the wandering drawn week by week; conformance against published examples."""

import numpy as np
import pytest

from models.tracking.charts.forecast import GRID, beyond_probability, forecast_of, weeks_to_limit
from models.tracking.charts.recursion import LEVEL_STEP


def test_conformance_examples():
    # JCGM 106:2012 7.3.3 (figures as remembered, arithmetic agrees): limit -5.40, measured -5.47, u 0.05: 0.92;
    # lower limit 490, measured 507, u 10: 0.96.
    nan = np.array([np.nan])
    first = 1 - beyond_probability(np.array([-5.47]), np.array([0.05]), low=nan, high=np.array([-5.40]))[0]
    second = 1 - beyond_probability(np.array([507.0]), np.array([10.0]), low=np.array([490.0]), high=nan)[0]
    assert first == pytest.approx(0.92, abs=0.005)
    assert second == pytest.approx(0.96, abs=0.005)


def test_crossed_not_in_sight_and_unknown():
    forecast = weeks_to_limit(np.array([-1.0, 9.0, np.nan]), np.full(3, 0.04))
    assert forecast.median[0] == 0.0
    assert np.isinf(forecast.median[1])
    assert np.isnan(forecast.median[2])


def test_the_chance_to_be_beyond_is_that_of_a_wandering_level():
    """Against the wandering drawn week by week: the chance at a week, which a first crossing can only exceed."""
    rng = np.random.default_rng(7)
    margin, u, n, weeks = 1.0, 0.3, 20_000, 13
    level = rng.normal(margin, u, n)[:, None] - np.cumsum(rng.normal(0.0, LEVEL_STEP, (n, weeks)), axis=1)
    forecast = weeks_to_limit(np.array([margin]), np.array([u**2]))
    for week, chance in ((4, forecast.within_4), (8, forecast.within_8), (13, forecast.within_13)):
        assert chance[0] == pytest.approx(np.mean(level[:, week - 1] < 0.0), abs=4.0 * np.sqrt(0.05 / n) + 0.002)
        assert chance[0] <= np.mean((level[:, :week] < 0.0).any(axis=1)) + 0.005


def test_quantiles_stand_where_the_probability_reaches_them():
    chance = np.minimum(GRID / 40.0, 1.0)[None, :]  # rises evenly and is sure in week 40
    forecast = forecast_of(chance, 2.0)
    assert [forecast.low[0], forecast.median[0], forecast.high[0]] == pytest.approx([4.0, 20.0, 36.0])
    found = [forecast.within_next[0], forecast.within_4[0], forecast.within_8[0], forecast.within_13[0]]
    assert found == pytest.approx([0.05, 0.1, 0.2, 0.325])
