"""The capacity plan of the open orders: visits made of them, given weeks, and told why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import FACTS_TYPE
from data_contracts.weeks import week_of, week_start
from models.work.capacity import SOLVER_TIME, PlannedJob, plan_capacity
from models.work.orders import ALL_THE_SAME


@dataclass(frozen=True)
class PlanSettings:
    """What the workshops offer.

    Attributes
    ----------
    weeks : int
        Weeks planned, from the one after the list's.
    hours_per_week : float
        Workshop hours of a depot each week. [h]
    hours_of_depot : mapping of str to float
        Depots that have other hours. [h]
    handling_hours : float
        Moving, connecting and recording: once per visit. [h]
    """

    weeks: int = 8
    hours_per_week: float = 16.0
    hours_of_depot: Mapping[str, float] = field(default_factory=dict)
    handling_hours: float = 0.3

    def available(self, depot: str) -> list[float]:
        """Workshop hours of a depot, week by week. [h]"""
        return [self.hours_of_depot.get(depot, self.hours_per_week)] * self.weeks


Days = tuple[date, date]
"""First and last day, both included."""


def plan_orders(
    orders: pl.DataFrame,
    *,
    week: str,
    settings: PlanSettings | None = None,
    warranties: Mapping[str, date] | None = None,
    absences: Mapping[str, Sequence[Days]] | None = None,
) -> pl.DataFrame:
    """Give every open order its week, or why it has none.

    Parameters
    ----------
    orders : polars.DataFrame
        WORK_ORDERS.
    week : str
        ISO week of the list; the plan begins the week after.
    settings : PlanSettings, optional
    warranties : mapping of str to date, optional
        Last day of warranty, per van.
    absences : mapping of str to sequence of (date, date), optional
        When a van is away. A week counts while one of its days from Monday to Friday is free.

    Returns
    -------
    polars.DataFrame
        The same orders with plan_week and plan_facts, plan_note still to be said; null for orders that are closed.
    """
    settings = settings or PlanSettings()
    monday = week_start(week) + timedelta(days=7)
    rows = [row for row in orders.iter_rows(named=True) if row["state"] in PLANNED_STATES]
    waiting = {row["order_id"] for row in rows if not (row["hours"] or 0.0) > 0}
    by_van: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row["order_id"] not in waiting:
            by_van.setdefault(row["van_id"], []).append(row)
    visits: dict[str, list[dict[str, Any]]] = {}
    jobs = {}
    for van_id, of_van in by_van.items():
        until = (warranties or {}).get(van_id)
        away = weeks_away((absences or {}).get(van_id, ()), monday, settings.weeks)
        for members in _visits(of_van, monday):
            name = str(members[0]["order_id"])
            visits[name] = members
            jobs[name] = _visit(members, until, away, monday, settings)
    depots = {job.depot for job in jobs.values()}
    plan = plan_capacity(list(jobs.values()), {depot: settings.available(depot) for depot in depots})
    planned_for: dict[str, tuple[str | None, list[Fact] | None]] = dict.fromkeys(
        waiting, (None, [Fact.of("no_workshop_time")])
    )
    for name, members in visits.items():
        number = plan.week_of.get(name)
        for row in members:
            others = [str(other["order_id"]) for other in members if other is not row]
            if number is None:
                planned_for[row["order_id"]] = (None, [plan.left_out[name]])
            else:
                facts = _why_then(row, jobs[name], number, others)
                if jobs[name].depot in plan.unproven:
                    facts.append(Fact.of("plan_unproven", seconds=SOLVER_TIME))
                planned_for[row["order_id"]] = (week_of(monday + timedelta(weeks=number)), facts)
    for row in rows:
        if row["due_by"] is not None and row["due_by"] < monday:
            at, why = planned_for[row["order_id"]]
            planned_for[row["order_id"]] = (at, [Fact.of("overdue", day=str(row["due_by"])), *(why or [])])
    planned = [planned_for.get(name, (None, None)) for name in orders["order_id"]]
    rows_of = [None if facts is None else [fact.row() for fact in facts] for _, facts in planned]
    return orders.with_columns(
        pl.Series("plan_week", [one[0] for one in planned], dtype=pl.String),
        pl.Series("plan_facts", rows_of, dtype=FACTS_TYPE),
        plan_note=pl.lit(None, pl.String),
    )


def _visits(orders: Sequence[dict[str, Any]], monday: date) -> list[list[dict[str, Any]]]:
    """Orders of one van that can share a visit: one visit per booked week; what is postponed joins a booking that is
    not earlier or waits for its own day; the rest joins the first booking, unless it can't wait."""
    weeks = [_week_number(row["until"], monday) if row["until"] else 0 for row in orders]
    booked = [row["state"] == "booked" and week >= 0 and row["until"] for row, week in zip(orders, weeks, strict=True)]
    days = sorted({week for week, is_booked in zip(weeks, booked, strict=True) if is_booked})
    groups: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for row, week, is_booked in zip(orders, weeks, booked, strict=True):
        held = max(week, 0) if row["state"] == "postponed" else 0
        later = [day for day in days if day >= held]
        urgent = row["safety"] or row["urgency"] == "now"
        if is_booked:
            key = ("booked", week)
        elif later and not urgent:
            key = ("booked", later[0])
        else:
            key = ("free", held)
        groups.setdefault(key, []).append(row)
    return list(groups.values())


def _visit(
    members: Sequence[Mapping[str, Any]],
    warranty_until: date | None,
    away: frozenset[int],
    monday: date,
    settings: PlanSettings,
) -> PlannedJob:
    """Orders of one van as one visit: one handling; when a day is booked, that week."""
    saved = settings.handling_hours * (len(members) - 1)
    hours = sum(row["hours"] for row in members)
    costs = sum(
        (row["work_cost"] or 0.0) + (row["parts_cost"] or 0.0) + (row["van_time_cost"] or 0.0) for row in members
    )
    held = [_week_number(row["until"], monday) for row in members if row["state"] == "postponed" and row["until"]]
    booked = [_week_number(row["until"], monday) for row in members if row["state"] == "booked" and row["until"]]
    booked = [number for number in booked if number >= 0]
    first = max([0, *held, *booked[:1]])
    due = min((_week_number(row["due_by"], monday) for row in members if row["due_by"]), default=settings.weeks)
    return PlannedJob(
        order_id=str(members[0]["order_id"]),
        depot=str(members[0]["depot"]),
        hours=max(hours - saved, 0.1),
        failure_avoided=sum((row["failure_avoided"] or 0.0) + (row["running_avoided"] or 0.0) for row in members),
        costs=costs * (1.0 - saved / hours) + sum(row["put_off"] or 0.0 for row in members),
        warranty=sum(row["warranty_paid"] or 0.0 for row in members),
        safety=any(row["safety"] for row in members),
        decided=any(map(_is_settled, members)),
        first_week=first,
        last_week=booked[0] if booked else 10_000,
        away=frozenset() if booked else away,
        due_week=max(due, first),
        warranty_week=-1 if warranty_until is None else _week_number(warranty_until, monday),
    )


def _is_settled(order: Mapping[str, Any]) -> bool:
    """Whether it is settled that an order is done: somebody said so, it is urgent, or it is proposed whatever it costs."""
    all_the_same = any(fact["code"] in ALL_THE_SAME for fact in order["worth_facts"] or ())
    return order["state"] in ("accepted", "booked") or order["urgency"] == "now" or all_the_same


def _week_number(day: date, monday: date) -> int:
    return (day - monday).days // 7


def weeks_away(absences: Sequence[Days], monday: date, weeks: int) -> frozenset[int]:
    """Weeks, counted from a Monday, in which a van is not there on any day from Monday to Friday.

    Parameters
    ----------
    absences : sequence of (date, date)
        First and last day of each.
    monday : date
        Of week 0.
    weeks : int
        How many are looked at.

    Returns
    -------
    frozenset of int
    """
    found = set()
    for number in range(weeks):
        days = [monday + timedelta(weeks=number, days=day) for day in range(5)]
        if all(any(first <= day <= last for first, last in absences) for day in days):
            found.add(number)
    return frozenset(found)


def _why_then(row: Mapping[str, Any], job: PlannedJob, number: int, others: Sequence[str]) -> list[Fact]:
    """Why an order has the week it has."""
    if row["state"] == "booked" and row["until"] and number == job.last_week:
        facts = [Fact.of("plan_booked", day=str(row["until"]))]
    elif row["safety"]:
        facts = [Fact.of("plan_safety")]
    elif row["state"] in ("accepted", "booked"):
        facts = [Fact.of("plan_accepted" if row["state"] == "accepted" else "plan_booked_open")]
    elif row["state"] == "postponed" and row["until"] and row["urgency"] == "now":
        facts = []  # somebody decided that it can wait
    else:
        facts = [Fact.of("plan_limit" if row["urgency"] == "now" else "plan_best")]
    if row["state"] == "postponed" and row["until"]:
        facts.append(Fact.of("plan_postponed", day=str(row["until"])))
    if job.warranty > 0 and number <= job.warranty_week < job.due_week + 2:
        facts.append(Fact.of("plan_warranty"))
    if job.away and row["state"] != "booked":
        facts.append(Fact.of("plan_away"))
    if others:
        facts.append(Fact.of("plan_shared", orders=", ".join(others)))
    return facts
