"""Which order in which week: the best plan within each depot's workshop hours, by integer programming."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact

# Of two equal plans the earlier is better: each week of waiting takes this share off what goes first whatever its
# worth,
# and a much smaller one off a claim on a warranty.
DELAY_LOSS = 0.02
_CLAIM_LOSS = 0.001
# The solver stops at a gap of 1e-6: this makes that less than a hundredth of the currency beside the largest bonus.
_SCALE = 1e4
# What the solver may take for one depot; a plan of a hundred orders takes well under a second. [s]
SOLVER_TIME = 60.0
_OUT_OF_TIME = 1  # status of scipy.optimize.milp


@dataclass(frozen=True)
class PlannedJob:
    """One order, or several on one van that make one visit, to be planned.

    Attributes
    ----------
    order_id, depot : str
    hours : float
        Workshop hours, above 0. [h]
    failure_avoided : float
        Gained by doing it at once; half of it is lost by waiting until it is due. [currency]
    costs : float
        Work, parts and the van's time, less what waiting would only put off; mostly negative. [currency]
    warranty : float
        Paid by the warranty in the weeks it covers. [currency]
    safety : bool
        Goes before all else.
    decided : bool
        A person accepted or booked it, it is urgent, or it is done whatever it costs: goes before any worth.
    first_week, last_week : int
        Weeks in which it can be done, counted from 0.
    away : frozenset of int
        Weeks between them in which the van is not there.
    due_week : int
        Week it is due in, counted from 0.
    warranty_week : int
        Last week the warranty covers.
    """

    order_id: str
    depot: str
    hours: float
    failure_avoided: float
    costs: float = 0.0
    warranty: float = 0.0
    safety: bool = False
    decided: bool = False
    first_week: int = 0
    last_week: int = 10_000
    away: frozenset[int] = frozenset()
    due_week: int = 8
    warranty_week: int = 10_000

    def worth(self, week: int) -> float:
        """What doing it in a week is worth. [currency]"""
        late = week - self.first_week
        failure = self.failure_avoided / (1.0 + late / max(self.due_week - self.first_week, 1))
        covered = self.warranty * (1.0 - _CLAIM_LOSS * late) if week <= self.warranty_week else 0.0
        return failure + covered + self.costs


@dataclass(frozen=True)
class CapacityPlan:
    """The plan.

    Attributes
    ----------
    week_of : mapping of str to int
        Week of each planned order.
    left_out : mapping of str to Fact
        Why an order is not in the plan.
    worth : float
        Total worth of the plan. [currency]
    unproven : frozenset of str
        Depots whose solver ran out of time: their plan is the best found, not proven the best.
    """

    week_of: Mapping[str, int]
    left_out: Mapping[str, Fact]
    worth: float
    unproven: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Bonuses:
    """Extra worth of what goes first, so large that no sum of what comes after outweighs it. [currency]"""

    decided: float
    safety: float


def bonuses(jobs: Sequence[PlannedJob]) -> Bonuses:
    """Extra worth of decided and of safety jobs.

    Parameters
    ----------
    jobs : sequence of PlannedJob
        All of one depot.

    Returns
    -------
    Bonuses
    """
    largest = 1.0 + sum(abs(job.failure_avoided) + abs(job.costs) + abs(job.warranty) for job in jobs)
    decided = 10.0 * largest
    return Bonuses(decided, 10.0 * (largest + decided * sum(job.decided for job in jobs)))


def job_value(job: PlannedJob, week: int, extra: Bonuses) -> float:
    """What a job in a week adds to the plan's objective.

    Parameters
    ----------
    job : PlannedJob
    week : int
    extra : Bonuses

    Returns
    -------
    float
        [currency]
    """
    bonus = extra.safety if job.safety else extra.decided if job.decided else 0.0
    return job.worth(week) + bonus * max(1.0 - DELAY_LOSS * (week - job.first_week), 0.1)


def plan_capacity(jobs: Sequence[PlannedJob], hours: Mapping[str, Sequence[float]]) -> CapacityPlan:
    """Choose orders and weeks so that the plan is worth most within the hours of each depot and week.

    Parameters
    ----------
    jobs : sequence of PlannedJob
    hours : mapping of str to sequence of float
        Workshop hours of each depot, week by week from week 0. [h]

    Returns
    -------
    CapacityPlan

    Raises
    ------
    InputError
        If hours are not above 0, an order comes twice, or the solver finds no plan.

    Notes
    -----
    Each depot is its own problem: a 0/1 choice per order and week, at most one week per order, hours within
    capacity. Solved to proven optimality by branch and bound (HiGHS in scipy.optimize.milp), unless it takes longer
    than `SOLVER_TIME`.
    """
    names = [job.order_id for job in jobs]
    if len(set(names)) < len(names):
        raise InputError("an order is planned twice: give each once")
    wrong = next((job for job in jobs if not job.hours > 0), None)
    if wrong is not None:
        raise InputError(f"order {wrong.order_id}: {wrong.hours} h: give hours above 0")
    week_of: dict[str, int] = {}
    left_out: dict[str, Fact] = {}
    unproven = set()
    for depot in sorted({job.depot for job in jobs}):
        mine = [job for job in jobs if job.depot == depot]
        available = list(hours.get(depot, ()))
        chosen, proven = _solve(mine, available)
        week_of |= chosen
        if not proven:
            unproven.add(depot)
        for job in mine:
            if job.order_id not in chosen:
                left_out[job.order_id] = _why(job, available) if proven else Fact.of("not_placed", seconds=SOLVER_TIME)
    worth = sum(job.worth(week_of[job.order_id]) for job in jobs if job.order_id in week_of)
    return CapacityPlan(week_of, left_out, worth, frozenset(unproven))


def _weeks(job: PlannedJob, available: Sequence[float]) -> list[int]:
    """Weeks in which a job fits when nothing else is planned."""
    weeks = range(max(job.first_week, 0), min(job.last_week, len(available) - 1) + 1)
    return [week for week in weeks if week not in job.away and job.hours <= available[week] + 1e-9]


def _solve(jobs: Sequence[PlannedJob], available: Sequence[float]) -> tuple[dict[str, int], bool]:
    """Week of each job planned, and whether no plan can be better."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    extra = bonuses(jobs)
    choices = [(number, week) for number, job in enumerate(jobs) for week in _weeks(job, available)]
    choices = [(number, week) for number, week in choices if job_value(jobs[number], week, extra) > 0]
    if not choices:
        return {}, True
    value = np.array([job_value(jobs[number], week, extra) for number, week in choices])
    columns = np.arange(len(choices))
    job_rows = np.array([number for number, _ in choices])
    week_rows = np.array([week for _, week in choices])
    need = np.array([jobs[number].hours for number, _ in choices])
    once = coo_array((np.ones(len(choices)), (job_rows, columns)), shape=(len(jobs), len(choices))).tocsr()
    room = coo_array((need, (week_rows, columns)), shape=(len(available), len(choices))).tocsr()
    found = milp(
        -value * (_SCALE / value.max()),
        integrality=np.ones(len(choices), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=[LinearConstraint(once, -np.inf, 1.0), LinearConstraint(room, -np.inf, np.array(available) + 1e-9)],
        options={"mip_rel_gap": 0.0, "time_limit": SOLVER_TIME},
    )
    if found.x is None and found.status != _OUT_OF_TIME:
        raise InputError(f"no plan found ({found.message}): check hours and weeks")
    taken = np.zeros(len(choices)) if found.x is None else found.x
    planned = {jobs[number].order_id: week for (number, week), share in zip(choices, taken, strict=True) if share > 0.5}
    return planned, found.status != _OUT_OF_TIME


def _why(job: PlannedJob, available: Sequence[float]) -> Fact:
    if not available or max(available) <= 0:
        return Fact.of("no_depot_hours", depot=job.depot)
    first, last = max(job.first_week, 0), min(job.last_week, len(available) - 1)
    if first >= len(available):
        return Fact.of("beyond_plan")
    there = [week for week in range(first, last + 1) if week not in job.away]
    if not there:
        return Fact.of("van_away")
    if not _weeks(job, available):
        return Fact.of("too_long", hours=job.hours, offered=max(available[week] for week in there))
    best = max(job.worth(week) for week in _weeks(job, available))
    if best <= 0 and not (job.safety or job.decided):
        return Fact.of("costs_more", cost=-best)
    return Fact.of("crowded_out")
