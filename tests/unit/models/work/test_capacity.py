"""Capacity plan against every plan there is, on small cases."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
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
    st.integers(1, 12),
    st.integers(0, 100),
    st.integers(-60, 0),
    st.integers(0, 40),
    st.booleans(),
    st.booleans(),
    st.integers(0, 1),
    st.integers(0, 2),
    st.sets(st.integers(0, 2), max_size=1),
    st.integers(-1, 2),
)  # quarter hours, failure avoided, costs, warranty, safety, decided, first week, last week, away, last week of warranty


@settings(max_examples=80, deadline=None)
@given(st.lists(_job, min_size=1, max_size=5), st.lists(st.integers(0, 16), min_size=1, max_size=3))
def test_as_good_as_every_plan(rows: list[tuple[Any, ...]], quarters: list[int]) -> None:
    jobs = [
        PlannedJob(
            f"o{n}",
            "north",
            q / 4,
            float(failure),
            float(costs),
            float(warranty),
            safety,
            decided,
            first,
            last,
            frozenset(away),
            due_week=first + 2,
            warranty_week=covered,
        )
        for n, (q, failure, costs, warranty, safety, decided, first, last, away, covered) in enumerate(rows)
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
    assert plan.left_out == {"big": Fact.of("crowded_out")}


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
    assert (
        render(plan_capacity([ends], {"a": [0.0, 4.0]}).left_out["ends"])
        == "costs 61 more than it is expected to avoid"
    )


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
    assert left_out["loss"] == Fact.of("costs_more", cost=30.0)
    assert left_out["long"] == Fact.of("too_long", hours=9.0, offered=4.0)
    assert left_out["late"] == Fact.of("beyond_plan")
    assert plan_capacity([PlannedJob("gone", "a", 1, 30, away=frozenset({0}))], {"a": [4.0]}).left_out == {
        "gone": Fact.of("van_away")
    }
    assert left_out["nowhere"] == Fact.of("no_depot_hours", depot="b")


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
    assert all(why == Fact.of("not_placed", seconds=0.0) for why in plan.left_out.values())


@pytest.mark.parametrize("seed", range(4))
def test_as_good_as_dynamic_programming_on_many_orders_of_much_the_same_worth(seed: int) -> None:
    """One week of one depot is the knapsack problem; worth grows with the hours, so that nothing is plainly the best."""
    rng = np.random.default_rng(seed)
    hours = rng.integers(5, 40, 25)
    gains = hours * 10 + rng.integers(0, 30, 25)
    room = int(hours.sum() // 2)
    best = np.zeros(room + 1)
    for need, gain in zip(hours, gains, strict=True):
        best[need:] = np.maximum(best[need:], best[:-need] + gain)
    jobs = [PlannedJob(f"o{n}", "a", float(h), float(g)) for n, (h, g) in enumerate(zip(hours, gains, strict=True))]
    assert plan_capacity(jobs, {"a": [float(room)]}).worth == pytest.approx(best[-1])


def test_each_depot_is_planned_by_itself_and_worth_is_that_of_all() -> None:
    jobs = [PlannedJob("n", "north", 2, 100), PlannedJob("s", "south", 2, 30), PlannedJob("t", "south", 2, 40)]
    plan = plan_capacity(jobs, {"north": [2.0], "south": [2.0]})
    assert (plan.week_of, plan.worth, plan.unproven) == ({"n": 0, "t": 0}, 140.0, frozenset())
    assert set(plan.left_out) == {"s"}


def test_a_job_waits_no_longer_than_it_must_and_loses_worth_by_waiting() -> None:
    job = PlannedJob("o", "a", 2, 100.0, costs=-10.0, warranty=50.0, first_week=2, due_week=4, warranty_week=5)
    assert [job.worth(week) for week in (2, 4, 6)] == pytest.approx([100 + 50 - 10, 50 + 50 * 0.998 - 10, 100 / 3 - 10])
    assert PlannedJob("o", "a", 2, 100.0, first_week=4, due_week=4).worth(5) == 50.0  # due at once counts as a week
    decided = PlannedJob("d", "a", 2, 0.0, costs=-5.0, decided=True)
    assert plan_capacity([decided], {"a": [0.0, 2.0, 2.0]}).week_of == {"d": 1}


def test_hours_that_fit_to_the_last_minute_fit() -> None:
    thirds = [PlannedJob(f"o{n}", "a", 0.1 + 0.2, 10.0) for n in range(3)]
    assert plan_capacity(thirds, {"a": [0.9]}).week_of == {"o0": 0, "o1": 0, "o2": 0}
    assert plan_capacity([PlannedJob("o", "a", 0.1 + 0.2, 10.0)], {"a": [0.3]}).week_of == {"o": 0}
    assert plan_capacity([PlannedJob("o", "a", 0.31, 10.0)], {"a": [0.3]}).week_of == {}


def test_why_each_is_left_out_to_the_letter() -> None:
    def why(job: PlannedJob, *available: float) -> Fact:
        return plan_capacity([job], {"a": available}).left_out[job.order_id]

    assert why(PlannedJob("o", "b", 1, 9.0), 5.0) == Fact.of("no_depot_hours", depot="b")
    assert why(PlannedJob("o", "a", 1, 9.0), 0.0, 0.0) == Fact.of("no_depot_hours", depot="a")
    assert why(PlannedJob("o", "a", 1, 9.0, first_week=2), 5.0, 5.0) == Fact.of("beyond_plan")
    assert why(PlannedJob("o", "a", 1, 9.0, away=frozenset({0, 1})), 5.0, 5.0) == Fact.of("van_away")
    assert why(PlannedJob("o", "a", 6, 9.0, away=frozenset({1})), 4.0, 9.0, 5.0) == Fact.of(
        "too_long", hours=6, offered=5.0
    )
    assert why(PlannedJob("o", "a", 1, 9.0, costs=-12.0), 5.0) == Fact.of("costs_more", cost=3.0)
    assert why(PlannedJob("o", "a", 1, 9.0, costs=-9.0), 5.0) == Fact.of("costs_more", cost=0.0)


@pytest.mark.parametrize("hours", [0.0, -1.0, float("nan")])
def test_no_hours_are_no_order(hours: float) -> None:
    with pytest.raises(InputError, match="give hours above 0"):
        plan_capacity([PlannedJob("o", "a", hours, 1.0)], {"a": [1.0]})


def test_bonuses_outweigh_all_that_comes_after() -> None:
    jobs = [PlannedJob("a", "d", 1, 10, -20, 5), PlannedJob("b", "d", 1, 0, decided=True), PlannedJob("c", "d", 1, 7)]
    extra = bonuses(jobs)
    everything = 10 + 20 + 5 + 7
    assert extra.decided * 0.1 > everything  # even after the longest wait
    assert extra.safety * 0.1 > everything + extra.decided
    assert bonuses([]).decided > 0
    late = PlannedJob("s", "d", 1, 0, safety=True, decided=True)
    assert job_value(late, 0, extra) == extra.safety
    assert job_value(late, 10, extra) == pytest.approx(extra.safety * 0.8)
    assert job_value(late, 400, extra) == pytest.approx(extra.safety * 0.1)
    assert job_value(jobs[1], 0, extra) == extra.decided
    assert job_value(jobs[2], 0, extra) == 7.0
