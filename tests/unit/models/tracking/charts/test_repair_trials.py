"""A baseline starts again only after a repair that helped: what it did not bring back is not learned as normal."""

import numpy as np
import pytest

from models.tracking.charts.recursion import follow_vans
from models.tracking.charts.repair_trials import GOOD_CAPTURES, after_trial
from models.tracking.restarts import CHANGED, HELD, NO_RESTART, REPAIRED

SPREAD = 1.5
HEALTHY = [0.3, -0.4, 0.5, 0.1, -0.2, 0.4, 0.0]
"""Own level near the family's; in scatters, like all levels here."""


def decided(x: list[float], repaired: int, *, captures: int = 2, spread: float = SPREAD) -> int:
    """What is decided on the one repair of one van ahead of a visit."""
    values = np.array(x)[:, None]
    restart = np.zeros(values.shape, np.int8)
    restart[repaired] = REPAIRED
    found = after_trial(
        values,
        np.ones_like(values),
        weeks=np.arange(len(x)),
        starts=np.array([0, len(x)]),
        restart=restart,
        vans_spread=np.full((1, 1), spread),
        captures=np.full(len(x), captures),
    )
    assert not np.delete(found, repaired, axis=0).any()
    return int(found[repaired, 0])


@pytest.mark.parametrize(
    ("after", "kept"),
    [
        ([-10.2, -9.7], HELD),  # in vain
        ([-9.0, -9.3], HELD),  # a little better
        ([-14.0, -13.0], HELD),  # worse
        ([0.2, -0.3], REPAIRED),
        ([1.5, 1.0], REPAIRED),  # a new part may read a little otherwise
        ([-2.0, -1.5], REPAIRED),  # most of it made good
    ],
)
def test_a_fault_that_stays_keeps_its_baseline(after: list[float], kept: int) -> None:
    assert decided([*HEALTHY, -10.0, -9.5, -10.5, *after], 10) == kept


def test_three_good_captures_decide_and_fewer_do_not() -> None:
    x = [*HEALTHY, -10.0, -9.5, -10.5, -10.2, -9.7, -10.0]
    assert GOOD_CAPTURES == 3
    assert decided(x[:11], 10, captures=2) == REPAIRED
    assert decided(x[:11], 10, captures=3) == HELD
    assert decided(x[:12], 10, captures=1) == REPAIRED
    assert decided(x[:13], 10, captures=1) == HELD


def test_the_first_visits_that_decide_decide_for_good() -> None:
    faulty = [*HEALTHY, -10.0, -9.5, -10.5]
    assert decided([*faulty, 0.1, -0.2, -10.0, -10.1, -9.8], 10) == REPAIRED  # it came back later: another matter
    assert decided([*faulty, -10.0, -10.1, 0.2, 0.1, -0.1], 10) == HELD


def test_what_can_not_be_told_yet_is_looked_at_with_more_visits() -> None:
    open_still = [*HEALTHY, -5.2, -4.8, -5.0, -3.0, -3.1]  # two fifths made good, give or take as much
    assert decided(open_still, 10) == REPAIRED
    assert decided([*open_still, -4.6, -4.5, -4.7, -4.6], 10) == HELD
    assert decided([*open_still, -1.5, -1.4, -9.0, -9.0], 10) == REPAIRED  # told after four visits


def test_an_alarm_that_the_fault_taught_to_the_baseline_does_not_count_against_a_repair() -> None:
    """A slow fault strayed into the baseline: back at the family's level is repaired."""
    learned = [-2.4, -2.0, 0.3, 3.0, 6.0, 9.0, 12.0, 10.0, 11.0]
    assert decided([*learned, -2.3, -2.1], 9) == REPAIRED


def test_a_sound_van_that_stands_apart_from_its_family_is_not_accused() -> None:
    apart = [3.0, 3.4, 2.7, 3.1, 3.2, 2.9, 3.0]
    assert decided([*apart, 3.1, 2.8], 7) == REPAIRED
    assert decided([*apart, 2.0, 1.9], 7) == REPAIRED


def test_what_was_sound_and_then_stands_where_no_healthy_van_does_is_not_learned() -> None:
    assert decided([*HEALTHY, 12.0, 11.5], 7) == HELD
    assert decided([*HEALTHY, 4.0, 3.8], 7) == REPAIRED  # a new part


def test_unread_quantities_and_lone_visits_are_left_to_start_again() -> None:
    nan = float("nan")
    assert decided([nan, nan, -10.0, -10.0], 2) == REPAIRED  # nothing is known of before
    assert decided([*HEALTHY, -10.0, nan, nan], 8) == REPAIRED  # nor of after
    assert decided([*HEALTHY, -10.0, -9.5, nan, -10.0, -9.8], 9) == HELD
    assert decided([*HEALTHY, -10.0, -10.0], 8, spread=nan) == REPAIRED


def test_each_repair_is_judged_by_itself_and_software_stays_software() -> None:
    x = np.array([*HEALTHY, -10.0, -9.5, -10.5, -10.2, -9.7, 0.1, 0.3, -0.2])[:, None]
    restart = np.zeros(x.shape, np.int8)
    restart[[3, 10, 12], 0] = CHANGED, REPAIRED, REPAIRED
    found = after_trial(
        x,
        np.ones_like(x),
        weeks=np.arange(len(x)),
        starts=np.array([0, len(x)]),
        restart=restart,
        vans_spread=np.full((1, 1), SPREAD),
        captures=np.full(len(x), 2),
    )
    assert found[[3, 10, 12], 0].tolist() == [CHANGED, HELD, REPAIRED]
    assert (np.delete(found, [3, 10, 12]) == NO_RESTART).all()
    assert np.array_equal(
        found,
        after_trial(
            x,
            np.ones_like(x),
            weeks=np.arange(len(x)),
            starts=np.array([0, len(x)]),
            restart=found,
            vans_spread=np.full((1, 1), SPREAD),
            captures=np.full(len(x), 2),
        ),
    )


def test_without_a_repair_nothing_changes() -> None:
    restart = np.zeros((4, 2), np.int8)
    restart[2] = CHANGED
    x = np.zeros((4, 2))
    kept = after_trial(
        x,
        np.ones_like(x),
        weeks=np.arange(4),
        starts=np.array([0, 4]),
        restart=restart,
        vans_spread=np.ones((1, 2)),
        captures=np.ones(4, np.int64),
    )
    assert np.array_equal(kept, restart)


def test_the_chart_goes_on_where_a_repair_was_in_vain() -> None:
    x = np.array([*HEALTHY, -10.0, -9.5, -10.5, -10.2, -9.7])[:, None]
    marks = {code: np.zeros(x.shape, np.int8) for code in (NO_RESTART, HELD, REPAIRED)}
    for code, restart in marks.items():
        restart[10] = code
    went_on, held, anew = (
        follow_vans(
            x,
            np.ones_like(x),
            weeks=np.arange(len(x)),
            starts=np.array([0, len(x)]),
            restart=restart,
            vans_spread=np.full((1, 1), SPREAD),
        )
        for restart in marks.values()
    )
    for one, other in zip(went_on, held, strict=True):
        assert np.array_equal(one, other)
    assert anew.baseline[10, 0] == 0.0  # the family's level, whatever was learned before
    assert abs(anew.baseline[11, 0]) > 5.0
