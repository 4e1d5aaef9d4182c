"""When to test which van: the interval that costs least, no longer than the odds of a serious fault unseen allow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from itertools import groupby
from typing import Any

import numpy as np
import polars as pl

from data_contracts.causes import CAUSES
from data_contracts.facts.fact import Fact
from data_contracts.tables import TEST_PLAN, rows_of
from data_contracts.weeks import DAYS_A_MONTH, week_of, week_start
from models.statistics.arrays import Floats
from models.work.danger import danger
from models.work.unseen import (
    AHEAD_WEEKS,
    PAST_WEEKS,
    Ahead,
    Course,
    begun_before,
    begun_later,
    course_of,
    found_in_round,
    still_unseen,
    suspected,
)
from models.work.visit_plan import Days, weeks_away

FIRST_VISITS = 4
"""So many visits a week apart make a van's baseline. A judgement, no source (2026-11-29)."""
WEEKS_A_MONTH = DAYS_A_MONTH / 7


@dataclass(frozen=True)
class PlanningSettings:
    """What tests cost and what may stay unseen.

    Attributes
    ----------
    faults_a_year : float
        Faults that begin in a van of ordinary wear. [1/year]
    most_odds_unseen : float
        Highest odds of a serious fault that nobody has seen. [1]
    longest_weeks : int
        No van goes unseen longer. [week]
    per_depot_week : int
        Vans a depot can test in a week.
    of_depot : mapping of str to int
        Depots that can test more or fewer.
    visit_cost : float
        One visit: handling and the van's time. [currency]
    horizon_weeks : float
        How long a fault would run if nobody tested. [week]
    """

    faults_a_year: float = 0.3
    most_odds_unseen: float = 0.012
    longest_weeks: int = 8
    per_depot_week: int = 12
    of_depot: Mapping[str, int] = field(default_factory=dict)
    visit_cost: float = 32.25
    horizon_weeks: float = 26.0

    def room(self, depot: str) -> int:
        """Vans a depot can test in a week."""
        return self.of_depot.get(depot, self.per_depot_week)


@dataclass(frozen=True)
class VanToTest:
    """What is known of a van before the next test.

    Attributes
    ----------
    van_id, family, depot : str
    turbo : bool or None
        None where the family is not known: any cause may come.
    visits : tuple of date
        Days with a usable recording, oldest first.
    in_service_on : date or None
    wear : float
        How many times as often a fault begins as in an ordinary van: age, mileage, recent work. [1]
    sign : float
        How many times as likely what the last visit showed is with a large fault as without one, for a van that is not on the list;
        1: it showed nothing. [1]
    signs_before : mapping of date to float
        The same of earlier visits that showed something. [1]
    probability : mapping of str to float
        Of every cause, for a van on the list; else empty. [1]
    severity : float
        Of the likeliest cause; NaN unknown. [1]
    duty : float
        How much worse a failure is than of an ordinary van. [1]
    proving_since : str
        ISO day of a repair being proven; empty for none.
    booked : date or None
        Day by which it comes into the workshop, where it is tested; later than its test is due it changes nothing.
    away : tuple of (date, date)
        First and last days of absences.
    signs : tuple of Fact
        What raised the odds, for people.
    """

    van_id: str
    family: str
    depot: str
    turbo: bool | None = None
    visits: tuple[date, ...] = ()
    in_service_on: date | None = None
    wear: float = 1.0
    sign: float = 1.0
    signs_before: Mapping[date, float] = field(default_factory=dict)
    probability: Mapping[str, float] = field(default_factory=dict)
    severity: float = float("nan")
    duty: float = 1.0
    proving_since: str = ""
    booked: date | None = None
    away: tuple[Days, ...] = ()
    signs: tuple[Fact, ...] = ()


@dataclass(frozen=True)
class Interval:
    """How long a van may wait for its next test, from its last visit.

    Attributes
    ----------
    by_cost : int
        Costs least. [week]
    by_odds : int
        Longest that the odds allow. [week]
    weeks : int
        The shorter of both, within the limits. [week]
    """

    by_cost: int
    by_odds: int
    weeks: int


def plan_tests(
    vans: Sequence[VanToTest],
    *,
    week: str,
    shares: Mapping[str, Mapping[str, float]] | None = None,
    settings: PlanningSettings | None = None,
) -> pl.DataFrame:
    """The next test of every van, and whom each depot tests in the coming week.

    Parameters
    ----------
    vans : sequence of VanToTest
    week : str
        ISO week of the list; the plan begins the week after.
    shares : mapping of str to mapping of str to float, optional
        Per family, how often each cause is the one; default: all alike.
    settings : PlanningSettings, optional

    Returns
    -------
    polars.DataFrame
        Schema of TEST_PLAN, the reasons still to be said; by depot and rank.

    Notes
    -----
    A van is tested once another week unseen costs more than the fleet pays a week for testing at its best: the rule that
    is best for repeated inspection. Before that, where the odds of a serious fault unseen would pass what is allowed.
    """
    settings = settings or PlanningSettings()
    monday = week_start(week) + timedelta(days=7)
    rows = [_planned(van, monday, (shares or {}).get(van.family, {}), settings) for van in vans]
    away = {van.van_id: van.away for van in vans}
    for depot, of_depot in groupby(sorted(rows, key=_depot), key=_depot):
        mine = sorted(of_depot, key=_first)
        _give_weeks(mine, away, monday, settings.room(depot))
        mine.sort(key=lambda row: (not row["chosen"], *_first(row)))
        for rank, row in enumerate(mine, start=1):
            row["rank"] = rank
    told = [row | {"week": week, "reason_facts": [fact.row() for fact in row["_facts"]]} for row in rows]
    return rows_of(TEST_PLAN, told).sort("depot", "rank")


def ordinary_shares(turbo: bool | None) -> dict[str, float]:
    """All causes that a van can have, alike."""
    can = [code for code, cause in CAUSES.items() if turbo is not False or not cause.turbo_only]
    return dict.fromkeys(can, 1.0 / len(can))


def interval_of(ahead: Ahead, duty: float, best: float, settings: PlanningSettings) -> Interval:
    """How long to wait.

    Parameters
    ----------
    ahead : Ahead
        What goes on after the last visit.
    duty : float
        How much worse a failure is than of an ordinary van. [1]
    best : float
        What testing at the best fixed interval costs a week, all together. [currency/week]
    settings : PlanningSettings

    Returns
    -------
    Interval
    """
    loss, odds = duty * ahead.failures + ahead.running, odds_of(ahead)
    dear = np.flatnonzero(loss[1:] >= best)
    by_cost = int(dear[0]) + 1 if dear.size else AHEAD_WEEKS
    past = np.flatnonzero(odds[1:] > settings.most_odds_unseen)
    by_odds = max(int(past[0]), 1) if past.size else AHEAD_WEEKS
    return Interval(by_cost, by_odds, max(1, min(by_cost, by_odds, settings.longest_weeks)))


def odds_of(ahead: Ahead) -> Floats:
    """Probability of a serious fault at the moment and at the end of each week. [1]"""
    return np.asarray(-np.expm1(-ahead.serious))


def best_cost(failures: Floats, running: Floats, duty: float, rate: float, visit_cost: float) -> float:
    """What testing at the best fixed interval costs a week: visits, and what goes on between them.

    Parameters
    ----------
    failures, running : ndarray of shape (intervals,)
        What goes on within intervals of 1, 2, … weeks, per fault a week. [currency]
    duty : float
    rate : float
        Faults that begin. [1/week]
    visit_cost : float
        [currency]

    Returns
    -------
    float
        [currency/week]
    """
    weeks = np.arange(1, failures.size + 1)
    return float(np.min((visit_cost + rate * (duty * failures + running)) / weeks))


@cache
def _rounds(shares: tuple[tuple[str, float], ...]) -> tuple[Course, Ahead, Floats, Floats]:
    """The course of a fault, what comes of faults begun later, and what goes on within rounds of 1, 2, … weeks."""
    course = course_of(dict(shares))
    rounds = [(weeks, found_in_round(course, weeks)) for weeks in range(1, AHEAD_WEEKS + 1)]
    failures, running = (
        np.array([getattr(ahead, part)[:weeks].sum() for weeks, ahead in rounds]) for part in ("failures", "running")
    )
    return course, begun_later(course), failures, running


def _planned(van: VanToTest, monday: date, shares: Mapping[str, float], settings: PlanningSettings) -> dict[str, Any]:
    """The row of a van, without what the depot's other vans decide."""
    kept = tuple((code, share) for code, share in (shares or ordinary_shares(van.turbo)).items() if share > 0.0)
    course, later, failures, running = _rounds(kept)
    rate = settings.faults_a_year / (365.25 / 7) * van.wear
    best = best_cost(failures, running, van.duty, rate, settings.visit_cost)
    last = van.visits[-1] if van.visits else None
    since = last or monday
    used = PAST_WEEKS if van.in_service_on is None else max((since - van.in_service_on).days / 7, 0.0)
    signs = [van.sign if day == last else van.signs_before.get(day, 1.0) for day in van.visits]
    unseen = still_unseen([(since - day).days / 7 for day in van.visits], used, signs)
    ahead = later.times(rate) + (
        suspected(van.probability, van.severity) if van.probability else begun_before(course, unseen).times(rate)
    )
    interval = interval_of(ahead, van.duty, best, settings)
    weeks = interval.weeks if last and not van.proving_since and len(van.visits) >= FIRST_VISITS else 1
    due = monday if last is None else last + timedelta(weeks=weeks)
    booked = _booked_in_time(van, due, monday)
    due = due if booked is None else min(due, booked)
    odds, loss = odds_of(ahead), van.duty * ahead.failures + ahead.running
    waited = min(max((monday - since).days / 7, 0.0), AHEAD_WEEKS - 1.0)
    longest = min(interval.by_odds, settings.longest_weeks)
    horizon = int(np.clip(round(settings.horizon_weeks), 1, AHEAD_WEEKS)) - 1
    saved = van.duty * (later.failures[horizon] - failures[weeks - 1] / weeks) + (
        later.running[horizon] - running[weeks - 1] / weeks
    )
    return {
        "van_id": van.van_id,
        "family": van.family,
        "depot": van.depot,
        "last_seen": last,
        "visits": len(van.visits),
        "next_test": due,
        "overdue": last is not None and due < monday,
        "interval_weeks": weeks,
        "cost_weeks": interval.by_cost,
        "odds_unseen": float(np.interp(waited, np.arange(odds.size), odds)),
        "unseen_until": None if last is None else last + timedelta(weeks=longest),
        "odds_then": None if last is None else float(odds[longest]),
        "loss_per_week": float(np.interp(waited, np.arange(loss.size), loss)),
        "safety": danger(van.probability) >= 0.5,
        "month_cost": WEEKS_A_MONTH * settings.visit_cost / weeks,
        "month_saving": WEEKS_A_MONTH * rate * saved,
        "_facts": [*_why(van, booked, interval, weeks, odds, settings), *van.signs],
        "_booked": booked,
    }


def _booked_in_time(van: VanToTest, due: date, monday: date) -> date | None:
    """Day by which a van comes into the workshop, where that is no later than the week its test is due in."""
    end = monday + timedelta(weeks=_weeks_ahead(due, monday) + 1)
    return van.booked if van.booked is not None and monday <= van.booked < end else None


def _weeks_ahead(day: date, monday: date) -> int:
    """Weeks from the plan's first to that of a day; what is overdue belongs to the first."""
    return max((day - monday).days // 7, 0)


def _why(
    van: VanToTest, booked: date | None, interval: Interval, weeks: int, odds: Floats, settings: PlanningSettings
) -> list[Fact]:
    """What set the day."""
    if booked is not None:
        return [Fact.of("test_booked", day=str(booked))]
    if not van.visits:
        return [Fact.of("test_never_seen")]
    if van.proving_since:
        return [Fact.of("test_proving", day=van.proving_since)]
    if len(van.visits) < FIRST_VISITS:
        return [Fact.of("test_first_visits", count=len(van.visits), told=FIRST_VISITS)]
    if interval.weeks == settings.longest_weeks < min(interval.by_cost, interval.by_odds):
        return [Fact.of("test_longest", weeks=weeks)]
    if interval.by_odds < interval.by_cost:
        share = float(odds[weeks])
        if share > settings.most_odds_unseen:
            return [Fact.of("test_odds_now", probability=share)]
        return [Fact.of("test_odds", weeks=weeks, probability=share)]
    return [Fact.of("test_cost", weeks=weeks)]


def _depot(row: Mapping[str, Any]) -> str:
    return str(row["depot"])


def _first(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """Who goes first: danger, then vans never seen, then what another week unseen costs."""
    return (not row["safety"], row["last_seen"] is not None, -row["loss_per_week"], row["van_id"])


def _give_weeks(
    rows: Sequence[dict[str, Any]],
    away: Mapping[str, Sequence[Days]],
    monday: date,
    room: int,
) -> None:
    """Give the vans of a depot their weeks: who is due first goes first; a full week sends a van to an earlier one with
    room, else to the next later."""
    taken: dict[int, int] = {}
    for row in sorted(rows, key=lambda row: _weeks_ahead(row["next_test"], monday)):
        due = _weeks_ahead(row["next_test"], monday)
        row["test_week"], row["chosen"] = None, False
        if row["_booked"]:
            row["test_week"] = week_of(row["_booked"])
            continue
        weeks = [*range(due, -1, -1), *range(due + 1, due + AHEAD_WEEKS)]
        gone = weeks_away(away[row["van_id"]], monday, due + AHEAD_WEEKS) if away[row["van_id"]] else ()
        found = next((number for number in weeks if taken.get(number, 0) < room and number not in gone), None)
        if found is None:
            roomy = any(taken.get(number, 0) < room for number in weeks)  # but not there
            row["_facts"].append(Fact.of("test_away") if roomy else Fact.of("test_no_room", depot=row["depot"]))
            continue
        taken[found] = taken.get(found, 0) + 1
        row["test_week"], row["chosen"] = week_of(monday + timedelta(weeks=found)), found == 0
        if found < due:
            row["_facts"].append(Fact.of("test_earlier"))
        elif found > due:
            row["_facts"].append(Fact.of("test_later", week=row["test_week"]))
