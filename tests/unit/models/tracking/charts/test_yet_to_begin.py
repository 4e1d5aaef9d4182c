"""Movements that have not begun: their odds are those of the movements the forecasts suppose, and they touch nothing else."""

from dataclasses import astuple

import numpy as np
import pytest

from models.tracking.charts.change_hypotheses import ENDS_PER_WEEK, SLOPE_PRIOR, STEP_SHARE, STEP_SIZE
from models.tracking.charts.first_signs import ONSET_RATE
from models.tracking.charts.forecast import weeks_to_limit
from models.tracking.charts.yet_to_begin import with_what_may_begin, yet_to_begin


@pytest.mark.parametrize("margin", [1.0, 6.0, 16.0])
def test_odds_are_those_of_movements_drawn_as_supposed(margin: float) -> None:
    rng, n = np.random.default_rng(4), 400_000
    onset = rng.uniform(0.0, 13.0, n)  # given that it begins within 13 weeks
    for weeks in (4.0, 8.0, 13.0):
        grown = np.minimum(rng.exponential(1.0 / ENDS_PER_WEEK, n), np.maximum(weeks - onset, 0.0))
        drift = rng.normal(0.0, SLOPE_PRIOR, n) * grown
        step = np.where(onset < weeks, rng.normal(0.0, STEP_SIZE, n), 0.0)
        moved = np.where(rng.random(n) < STEP_SHARE, step, drift)
        drawn = -np.expm1(-13.0 * ONSET_RATE) * (moved > margin).mean()
        assert yet_to_begin(np.array([margin]), weeks)[0] == pytest.approx(drawn, rel=0.05)


def test_the_nearer_and_the_longer_the_likelier_and_nothing_without_a_limit() -> None:
    margin = np.array([-1.0, 0.0, 3.0, 30.0, 1e6, np.nan])
    odds = np.column_stack([yet_to_begin(margin, weeks) for weeks in (0.0, 1.0, 4.0, 13.0, 52.0)])
    assert (odds[:, 0] == 0.0).all()
    assert (np.diff(odds[:4], axis=1) > 0.0).all()
    assert (np.diff(odds[1:5, 1:], axis=0) < 0.0).all()
    assert (odds[5] == 0.0).all()
    assert (odds < 0.15).all()


def test_only_what_is_still_may_begin_and_no_quantile_moves() -> None:
    margin, variance = np.array([20.0, 20.0, 2.0, np.nan]), np.full(4, 0.4)
    plain = weeks_to_limit(margin, variance)
    nothing, soon = np.full(4, np.nan), np.ones(4)
    found = with_what_may_begin(
        plain, np.array([True, False, True, True]), below=nothing, above=margin, next_visit_weeks=soon
    )
    for before, after in zip(astuple(plain)[:3], astuple(found)[:3], strict=True):
        np.testing.assert_array_equal(before, after)
    for before, after in zip(astuple(plain)[3:], astuple(found)[3:], strict=True):
        np.testing.assert_array_equal(before[[1, 3]], after[[1, 3]])
        assert before[0] < after[0] < 0.01
        assert 0.0 < after[2] - before[2] < 0.03
    assert found.within_next[0] < found.within_4[0] < found.within_8[0] < found.within_13[0]
    assert np.isinf(found.median[0])
    both = with_what_may_begin(plain, soon > 0, below=margin, above=margin, next_visit_weeks=soon)
    assert both.within_13[0] == pytest.approx(2.0 * found.within_13[0], rel=0.01)
