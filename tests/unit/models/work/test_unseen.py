"""What goes on unseen between two visits, against sums by hand."""

import itertools
import math

import numpy as np
import pytest

from data_contracts.causes import CAUSES
from models.work.unseen import (
    AHEAD_WEEKS,
    GROWTH,
    HALF_SHOWN,
    PAST_WEEKS,
    Course,
    begun_before,
    begun_later,
    cost_a_week,
    course_of,
    found_in_round,
    severity_after,
    shown_at,
    still_unseen,
    suspected,
)
from models.work.worth import waiting


def constant(cost: float, *, serious: float = 0.0) -> Course:
    """A fault that costs the same every week from its onset on."""
    shape = (len(GROWTH), PAST_WEEKS + AHEAD_WEEKS + 1)
    return Course(np.full(shape, cost), np.zeros(shape), np.full(shape, serious))


def test_shares_of_growth_sum_to_one() -> None:
    assert sum(share for share, _ in GROWTH) == pytest.approx(1.0)


def test_severity_grows_in_a_line_and_one_kind_is_there_at_once() -> None:
    weeks = np.array([-1.0, 0.0, 3.0, 100.0])
    found = severity_after(weeks)
    assert found[:, :2].tolist() == [[0.0, 0.0]] * len(GROWTH)
    for row, (_, until) in zip(found, GROWTH, strict=True):
        assert row[2] == pytest.approx(1.0 if until == 0 else 3.0 / until)
        assert row[3] == 1.0
    halfway = severity_after(np.array([2.0]), 0.4)[:, 0]
    assert halfway.tolist() == pytest.approx(
        [0.4 if until == 0 else min(1.0, 0.4 + 2.0 / until) for _, until in GROWTH]
    )


def test_a_visit_shows_nothing_small_half_at_the_middle_and_nearly_all_that_is_large() -> None:
    none, half, most = shown_at(np.array([0.0, HALF_SHOWN, 1.0]))
    assert none == 0.0
    assert half == pytest.approx(0.5)
    assert 0.98 < most < 1.0
    # as counted on the sample fleet
    assert shown_at(np.array([0.15, 0.25, 0.35])) == pytest.approx([0.6, 0.8, 0.9], abs=0.11)


@pytest.mark.parametrize("cause", list(CAUSES))
@pytest.mark.parametrize("severity", [0.1, 0.5, 1.0])
def test_a_week_costs_what_a_short_wait_costs_by_the_week(cause: str, severity: float) -> None:
    """The order's worth and the plan of the tests say the same of a week of waiting."""
    short = waiting(cause, severity, 1e-4)
    failures, running = cost_a_week(cause, np.array([severity]))
    assert failures[0] == pytest.approx(short.failures * 1e4, rel=1e-3)
    assert running[0] == pytest.approx(short.running * 1e4, rel=1e-9)


def test_faults_that_begin_later_cost_c_half_t_squared() -> None:
    ahead = begun_later(constant(3.0, serious=1.0))
    for weeks in (1, 2, 7):
        assert ahead.failures[:weeks].sum() == pytest.approx(3.0 * weeks**2 / 2)
        assert ahead.serious[weeks] == pytest.approx(weeks)
    assert ahead.serious[0] == 0.0


def test_what_no_visit_has_found_by_hand() -> None:
    never = still_unseen([], 3.5)
    assert never.sum(axis=0)[:5] == pytest.approx([1.0, 1.0, 1.0, 0.5, 0.0])
    seen = still_unseen([0.0, 2.0], PAST_WEEKS)
    at_once = next(share for share, _ in GROWTH)
    missed = 1.0 - float(shown_at(np.array([1.0]))[0])
    # begun in the week before the last visit: met one visit; three weeks ago: met both
    assert seen[0, 0] == pytest.approx(at_once * missed)
    assert seen[0, 2] == pytest.approx(at_once * missed**2)
    share, until = GROWTH[1]
    first, second = shown_at(np.array([2.5 / until, 0.5 / until]))
    assert seen[1, 2] == pytest.approx(share * (1 - first) * (1 - second))
    sign = still_unseen([0.0, 2.0], PAST_WEEKS, [10.0, 1.0])
    told = missed + 10.0 * (1.0 - missed)
    assert sign[0, 0] == pytest.approx(at_once * told)
    assert sign[0, 2] == pytest.approx(at_once * missed * told)  # the visit before showed nothing
    assert still_unseen([0.0, 2.0], PAST_WEEKS, [10.0, 10.0])[0, 2] == pytest.approx(at_once * told**2)
    with pytest.raises(ValueError, match="zip"):
        still_unseen([0.0, 2.0], PAST_WEEKS, [10.0])
    assert still_unseen([PAST_WEEKS + 1.0], PAST_WEEKS) == pytest.approx(still_unseen([], PAST_WEEKS))


def test_what_began_before_goes_on_by_hand() -> None:
    course = course_of({"ignition_weak": 1.0})
    unseen = np.zeros((len(GROWTH), PAST_WEEKS))
    unseen[2, 3] = 1.0  # one fault, begun in the fourth week before
    ahead = begun_before(course, unseen)
    for week in (0, 5, AHEAD_WEEKS - 1):
        severity = severity_after(np.array([4.0 + week]))[2]
        failures, running = cost_a_week("ignition_weak", severity)
        assert ahead.failures[week] == pytest.approx(failures[0])
        assert ahead.running[week] == pytest.approx(running[0])
    # begun 3.5 weeks before on average: half way to severity 1 of ten weeks after 1.5
    assert ahead.serious[:4].tolist() == [0.0, 0.0, 1.0, 1.0]
    nothing = begun_before(course, np.zeros_like(unseen))
    assert not nothing.failures.any()
    assert not nothing.serious.any()


def test_a_suspicion_grows_and_danger_counts_from_half_the_severity() -> None:
    ahead = suspected({"lambda_slow": 0.4, "none": 0.6}, 0.3)
    now = cost_a_week("lambda_slow", severity_after(np.array([0.5]), 0.3)[:, 0])
    shares = np.array([share for share, _ in GROWTH])
    assert ahead.running[0] == pytest.approx(0.4 * float(shares @ now[1]))
    assert ahead.serious[0] == 0.0
    assert -math.expm1(-ahead.serious[-1]) == pytest.approx(
        0.4 * (1 - GROWTH[0][0])
    )  # what is there at once stays small
    assert -math.expm1(-suspected({"unmetered_air": 0.4}, 0.3).serious[0]) == pytest.approx(0.4)
    unknown = suspected({"lambda_slow": 1.0}, math.nan)
    assert unknown.failures == pytest.approx(suspected({"lambda_slow": 1.0}, 0.5).failures)
    assert np.isfinite(unknown.serious).all()
    assert not suspected({"none": 1.0}, 0.5).serious.any()


def test_a_van_long_seen_at_a_short_interval_hides_less() -> None:
    course = course_of({"ignition_weak": 0.5, "lambda_slow": 0.5})
    rounds = [found_in_round(course, weeks) for weeks in (1, 2, 4, 8)]
    assert all(a.serious[1] < b.serious[1] for a, b in itertools.pairwise(rounds))
    assert all((a.failures + a.running)[0] < (b.failures + b.running)[0] for a, b in itertools.pairwise(rounds))
