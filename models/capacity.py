"""Which order in which week: the best plan within each depot's workshop hours, by integer programming."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from data_contracts.errors import InputError

# A job done a week later has lost a small part of its worth, so that equal plans prefer the earlier.
DELAY_LOSS = 0.02


@dataclass(frozen=True)
class PlannedJob:
    """One order to be planned.

    Attributes
    ----------
    order_id, depot : str
    hours : float
        Workshop hours, above 0. [h]
    worth : float
        Expected cost avoided. [currency]
    safety : bool
        Goes before any worth.
    first_week, last_week : int
        Weeks in which it can be done: van there, parts there; counted from 0.
    """

    order_id: str
    depot: str
    hours: float
    worth: float
    safety: bool = False
    first_week: int = 0
    last_week: int = 10_000


@dataclass(frozen=True)
class CapacityPlan:
    """The plan.

    Attributes
    ----------
    week_of : mapping of str to int
        Week of each planned order.
    left_out : mapping of str to str
        Why an order is not in the plan.
    worth : float
        Total worth of the plan, before the small loss by delay. [currency]
    """

    week_of: Mapping[str, int]
    left_out: Mapping[str, str]
    worth: float


def job_value(job: PlannedJob, week: int, bonus: float) -> float:
    """What a job in a week adds to the plan's objective.

    Parameters
    ----------
    job : PlannedJob
    week : int
    bonus : float
        Extra for a safety job, larger than all worths together. [currency]

    Returns
    -------
    float
        [currency]
    """
    kept = max(1.0 - DELAY_LOSS * (week - job.first_week), 0.1)
    return (job.worth if job.worth < 0 else job.worth * kept) + (bonus * kept if job.safety else 0.0)


def safety_bonus(jobs: Sequence[PlannedJob]) -> float:
    """Extra worth of a safety job: more than all others together, whatever its week.

    Parameters
    ----------
    jobs : sequence of PlannedJob

    Returns
    -------
    float
        [currency]
    """
    return 10.0 * (1.0 + float(sum(abs(job.worth) for job in jobs)))


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
    capacity. Solved to proven optimality by branch and bound (HiGHS in scipy.optimize.milp).
    """
    names = [job.order_id for job in jobs]
    if len(set(names)) < len(names):
        raise InputError("an order is planned twice: give each once")
    wrong = next((job for job in jobs if not job.hours > 0), None)
    if wrong is not None:
        raise InputError(f"order {wrong.order_id}: {wrong.hours} h: give hours above 0")
    week_of: dict[str, int] = {}
    left_out: dict[str, str] = {}
    for depot in sorted({job.depot for job in jobs}):
        mine = [job for job in jobs if job.depot == depot]
        available = list(hours.get(depot, ()))
        chosen = _solve(mine, available)
        week_of |= chosen
        for job in mine:
            if job.order_id not in chosen:
                left_out[job.order_id] = _why(job, available)
    return CapacityPlan(week_of, left_out, sum(job.worth for job in jobs if job.order_id in week_of))


def _weeks(job: PlannedJob, available: Sequence[float]) -> list[int]:
    """Weeks in which a job fits when nothing else is planned."""
    weeks = range(max(job.first_week, 0), min(job.last_week, len(available) - 1) + 1)
    return [week for week in weeks if job.hours <= available[week] + 1e-9]


def _solve(jobs: Sequence[PlannedJob], available: Sequence[float]) -> dict[str, int]:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    bonus = safety_bonus(jobs)
    choices = [(number, week) for number, job in enumerate(jobs) for week in _weeks(job, available)]
    choices = [(number, week) for number, week in choices if job_value(jobs[number], week, bonus) > 0]
    if not choices:
        return {}
    value = np.array([job_value(jobs[number], week, bonus) for number, week in choices])
    columns = np.arange(len(choices))
    job_rows = np.array([number for number, _ in choices])
    week_rows = np.array([week for _, week in choices])
    need = np.array([jobs[number].hours for number, _ in choices])
    once = coo_array((np.ones(len(choices)), (job_rows, columns)), shape=(len(jobs), len(choices))).tocsr()
    room = coo_array((need, (week_rows, columns)), shape=(len(available), len(choices))).tocsr()
    found = milp(
        -value / value.max(),
        integrality=np.ones(len(choices), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=[LinearConstraint(once, -np.inf, 1.0), LinearConstraint(room, -np.inf, np.array(available) + 1e-9)],
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None:
        raise InputError(f"no plan found ({found.message}): check hours and weeks")
    return {jobs[number].order_id: week for (number, week), taken in zip(choices, found.x, strict=True) if taken > 0.5}


def _why(job: PlannedJob, available: Sequence[float]) -> str:
    if not available:
        return f"depot {job.depot} has no workshop hours in the settings"
    if job.worth <= 0 and not job.safety:
        return f"costs {-job.worth:.0f} more than it is expected to avoid"
    if not _weeks(job, available):
        first, last = max(job.first_week, 0), min(job.last_week, len(available) - 1)
        if first > last:
            return "van or parts are not there within the weeks planned"
        return f"needs {job.hours:.1f} h, more than any of its weeks has ({max(available[first : last + 1]):.1f} h)"
    return "the hours of its weeks go to orders worth more"
