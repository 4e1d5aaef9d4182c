"""Capacity plan against every plan there is, on small cases."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.errors import InputError
from models.capacity import CapacityPlan, PlannedJob, job_value, plan_capacity, safety_bonus


def best_by_trying(jobs: list[PlannedJob], available: list[float]) -> float:
    """Objective of the best plan among all plans."""
    bonus = safety_bonus(jobs)
    best = 0.0
    for weeks in itertools.product([None, *range(len(available))], repeat=len(jobs)):
        used = np.zeros(len(available))
        value = 0.0
        for job, week in zip(jobs, weeks, strict=True):
            if week is None:
                continue
            if not job.first_week <= week <= job.last_week:
                break
            used[week] += job.hours
            value += job_value(job, week, bonus)
        else:
            if np.all(used <= np.array(available) + 1e-9):
                best = max(best, value)
    return best


def objective(plan: CapacityPlan, jobs: list[PlannedJob]) -> float:
    bonus = safety_bonus(jobs)
    return sum(job_value(job, plan.week_of[job.order_id], bonus) for job in jobs if job.order_id in plan.week_of)


_job = st.tuples(
    st.integers(1, 12), st.integers(-20, 100), st.booleans(), st.integers(0, 1), st.integers(0, 2)
)  # quarter hours, worth, safety, first week, last week


@settings(max_examples=60, deadline=None)
@given(st.lists(_job, min_size=1, max_size=5), st.lists(st.integers(0, 16), min_size=1, max_size=3))
def test_as_good_as_every_plan(rows: list[tuple[int, int, bool, int, int]], quarters: list[int]) -> None:
    jobs = [
        PlannedJob(f"o{n}", "north", q / 4, float(worth), safety, first, last)
        for n, (q, worth, safety, first, last) in enumerate(rows)
    ]
    available = [q / 4 for q in quarters]
    plan = plan_capacity(jobs, {"north": available})
    assert objective(plan, jobs) == pytest.approx(best_by_trying(jobs, available), rel=1e-6, abs=1e-6)
    used = np.zeros(len(available))
    for job in jobs:
        if job.order_id in plan.week_of:
            used[plan.week_of[job.order_id]] += job.hours
    assert np.all(used <= np.array(available) + 1e-6)
    assert set(plan.week_of) | set(plan.left_out) == {job.order_id for job in jobs}
    assert not set(plan.week_of) & set(plan.left_out)


def test_better_than_taking_the_dearest_first() -> None:
    # Greedy by worth takes 6 h for 100; two jobs of 4 h are worth 120 in the same 8 h.
    jobs = [PlannedJob("big", "a", 6, 100), PlannedJob("one", "a", 4, 60), PlannedJob("two", "a", 4, 60)]
    plan = plan_capacity(jobs, {"a": [8.0]})
    assert plan.week_of == {"one": 0, "two": 0}
    assert plan.worth == 120
    assert plan.left_out == {"big": "the hours of its weeks go to orders worth more"}


def test_safety_goes_before_worth() -> None:
    jobs = [PlannedJob("dear", "a", 2, 5000), PlannedJob("fuel", "a", 2, -40, safety=True)]
    assert plan_capacity(jobs, {"a": [2.0]}).week_of == {"fuel": 0}
    assert plan_capacity(jobs, {"a": [2.0, 2.0]}).week_of == {"fuel": 0, "dear": 1}


def test_reasons_for_what_is_left_out() -> None:
    jobs = [
        PlannedJob("loss", "a", 1, -30),
        PlannedJob("long", "a", 9, 30),
        PlannedJob("late", "a", 1, 30, first_week=5),
        PlannedJob("nowhere", "b", 1, 30),
    ]
    left_out = plan_capacity(jobs, {"a": [4.0]}).left_out
    assert left_out["loss"] == "costs 30 more than it is expected to avoid"
    assert left_out["long"].startswith("needs 9.0 h")
    assert left_out["late"].startswith("van or parts are not there")
    assert left_out["nowhere"].startswith("depot b has no workshop hours")


def test_wrong_input_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="planned twice"):
        plan_capacity([PlannedJob("x", "a", 1, 1), PlannedJob("x", "a", 1, 1)], {"a": [4.0]})
    with pytest.raises(InputError, match="hours above 0"):
        plan_capacity([PlannedJob("x", "a", 0, 1)], {"a": [4.0]})
