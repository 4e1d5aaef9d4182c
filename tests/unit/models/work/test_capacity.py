"""Capacity plan against every plan there is, on small cases."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.errors import InputError
from models.work import capacity
from models.work.capacity import CapacityPlan, PlannedJob, bonuses, job_value, plan_capacity


def best_by_trying(jobs: list[PlannedJob], available: list[float]) -> float:
    """Objective of the best plan among all plans."""
    extra = bonuses(jobs)
    best = 0.0
    for weeks in itertools.product([None, *range(len(available))], repeat=len(jobs)):
        used = np.zeros(len(available))
        value = 0.0
        for job, week in zip(jobs, weeks, strict=True):
            if week is None:
                continue
            if not job.first_week <= week <= job.last_week or week in job.away:
                break
            used[week] += job.hours
            value += job_value(job, week, extra)
        else:
            if np.all(used <= np.array(available) + 1e-9):
                best = max(best, value)
    return best


def objective(plan: CapacityPlan, jobs: list[PlannedJob]) -> float:
    extra = bonuses(jobs)
    return sum(job_value(job, plan.week_of[job.order_id], extra) for job in jobs if job.order_id in plan.week_of)


_job = st.tuples(
    st.integers(1, 12), st.integers(0, 100), st.integers(-60, 0), st.integers(0, 40), st.booleans(), st.booleans(),
    st.integers(0, 1), st.integers(0, 2), st.sets(st.integers(0, 2), max_size=1), st.integers(-1, 2),
)  # quarter hours, failure avoided, costs, warranty, safety, decided, first week, last week, away, last week of warranty  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(_job, min_size=1, max_size=5), st.lists(st.integers(0, 16), min_size=1, max_size=3))
def test_as_good_as_every_plan(rows: list[tuple[Any, ...]], quarters: list[int]) -> None:
    jobs = [
        PlannedJob(
            f"o{n}", "north", q / 4, float(failure), float(costs), float(warranty), safety, decided, first, last,
            frozenset(away), due_week=first + 2, warranty_week=covered,
        )
        for n, (q, failure, costs, warranty, safety, decided, first, last, away, covered) in enumerate(rows)
    ]  # fmt: skip
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
    assert plan.left_out == {"big": "the hours of its weeks go to orders that come first or are worth more"}


def test_safety_goes_before_worth() -> None:
    jobs = [PlannedJob("dear", "a", 2, 5000), PlannedJob("fuel", "a", 2, 0, -40, safety=True)]
    assert plan_capacity(jobs, {"a": [2.0]}).week_of == {"fuel": 0}
    assert plan_capacity(jobs, {"a": [2.0, 2.0]}).week_of == {"fuel": 0, "dear": 1}


def test_one_safety_job_outweighs_all_that_was_decided_and_that_all_worth() -> None:
    small = [PlannedJob(f"d{n}", "a", 1, 0, -5, decided=True) for n in range(4)]
    dear = [PlannedJob(f"w{n}", "a", 1, 9000) for n in range(4)]
    fuel = PlannedJob("fuel", "a", 4, 0, -300, safety=True)
    assert set(plan_capacity([*small, *dear, fuel], {"a": [4.0]}).week_of) == {"fuel"}
    assert set(plan_capacity([*small, *dear], {"a": [4.0]}).week_of) == {"d0", "d1", "d2", "d3"}


def test_a_claim_is_made_before_its_warranty_ends() -> None:
    ends = PlannedJob("ends", "a", 4, 100, -150, 120, warranty_week=0)
    later = PlannedJob("later", "a", 4, 110, -150, 120, warranty_week=30)
    assert plan_capacity([later, ends], {"a": [4.0, 4.0]}).week_of == {"ends": 0, "later": 1}
    assert plan_capacity([ends], {"a": [0.0, 4.0]}).left_out == {"ends": "costs 61 more than it is expected to avoid"}


def test_what_is_due_soon_goes_first() -> None:
    soon, late = PlannedJob("soon", "a", 4, 100, due_week=1), PlannedJob("late", "a", 4, 110, due_week=8)
    assert plan_capacity([late, soon], {"a": [4.0, 4.0]}).week_of == {"soon": 0, "late": 1}
    assert soon.worth(1) == 50  # half is lost by waiting until it is due


def test_reasons_for_what_is_left_out() -> None:
    jobs = [
        PlannedJob("loss", "a", 1, 10, -40),
        PlannedJob("long", "a", 9, 30),
        PlannedJob("late", "a", 1, 30, first_week=5),
        PlannedJob("nowhere", "b", 1, 30),
    ]
    left_out = plan_capacity(jobs, {"a": [4.0]}).left_out
    assert left_out["loss"] == "costs 30 more than it is expected to avoid"
    assert left_out["long"].startswith("needs 9.0 h")
    assert left_out["late"] == "its day lies beyond the weeks planned"
    assert plan_capacity([PlannedJob("gone", "a", 1, 30, away=frozenset({0}))], {"a": [4.0]}).left_out == {
        "gone": "the van is not there within the weeks planned"
    }
    assert left_out["nowhere"].startswith("depot b has no workshop hours")


def test_wrong_input_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="planned twice"):
        plan_capacity([PlannedJob("x", "a", 1, 1), PlannedJob("x", "a", 1, 1)], {"a": [4.0]})
    with pytest.raises(InputError, match="hours above 0"):
        plan_capacity([PlannedJob("x", "a", 0, 1)], {"a": [4.0]})


def test_a_solver_out_of_time_leaves_a_plan_that_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capacity, "SOLVER_TIME", 0.0)
    jobs = [
        PlannedJob(f"o{n}", "north", 1.0 + 0.37 * (n % 7), 100.0 + n, 0.0, 0.0, False, False, 0, 3) for n in range(40)
    ]
    plan = plan_capacity(jobs, {"north": [8.0, 8.0, 8.0, 8.0]})
    assert plan.unproven == {"north"}
    assert set(plan.week_of) | set(plan.left_out) == {job.order_id for job in jobs}
    assert all("best plan found" in why for why in plan.left_out.values())
