"""Where a van of the list stands, in words: what changed since the list before, how long its alarm and its order have stood."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from dashboards import text
from dashboards.display import language
from dashboards.text import message
from dashboards.unbroken import kept_together
from data_contracts import due as dues
from data_contracts.signals import words_for
from data_contracts.weeks import week_number, week_start
from pipelines.workspace import moments

UNDECIDED_FROM = 2
"""Weeks from which on it is told that nobody has decided. [week]"""


def change_since_before(row: Mapping[str, object]) -> str:
    """What changed for a van since the list before: new, more or less urgent, up or down; empty where nothing did."""
    before, rank = row.get("rank_before"), row["rank"]
    if not isinstance(before, int) or not isinstance(rank, int):
        return message("week.new")
    was, now = str(row["urgency_before"]), str(row["urgency"])
    if was != now:
        return message("week.more_urgent", before=message("urgency." + was), after=message("urgency." + now))
    if before == rank:
        return ""
    return message("week.up" if rank < before else "week.down", places=text.places_count(abs(before - rank)))


def days_of(week: str) -> str:
    """First and last day of an ISO week, with their names."""
    monday = week_start(week)
    return message("unit.days", first=text.weekday(monday), last=text.weekday(monday + timedelta(days=6)))


def today() -> date:
    """The day of the clock, which tells what is overdue."""
    return moments.today()


def is_past(day: object) -> bool:
    """Whether a day lies before today."""
    return dues.is_past(day, today())


def is_over(week: str) -> bool:
    """Whether the last day of an ISO week lies before today."""
    return is_past(week_start(week) + timedelta(days=6))


def due(row: Mapping[str, Any]) -> str:
    """By which day an order is due, or since when it is overdue; of one that is postponed or booked, until when, and that a booked day is past."""
    word, day, weeks = dues.due_of(row, today())
    return message("due.overdue_weeks" if weeks else f"due.{word}", day=text.weekday(day), weeks=weeks)


def planned(row: Mapping[str, Any]) -> str:
    """Which week an order is planned for, held against the day it is due; empty where it is not planned, or that week is over."""
    week, day = row["plan_week"], row["due_by"]
    if not week:
        return ""
    monday = week_start(str(week))
    if is_over(str(week)):
        return ""
    if not isinstance(day, date) or row["until"] or day >= monday + timedelta(days=7):
        told = "planned.for"
    elif day < monday:
        told = "planned.late"
    else:
        told = "planned.first" if day == monday else "planned.within"
    return message(told, week=week, day=text.weekday(monday))


def when(row: Mapping[str, Any]) -> str:
    """Markdown of by when an order is due, how that lies to its planned week, and the hours it takes."""
    hours = row["hours"]
    told = [f"**{due(row)}**", planned(row), text.work(hours if isinstance(hours, float) else None)]
    return kept_together(" · ".join(one for one in told if one))


def how_long(
    since: tuple[str, str] | None,
    proposed: str | None,
    week: str,
    trend: Sequence[Mapping[str, Any]] = (),
) -> str:
    """Since when a van has stood in alarm, and since when its order has waited for a decision; empty where neither has.

    Parameters
    ----------
    since : tuple of (str, str) or None
        ISO week in which the longest of its alarms began, and of which quantity.
    proposed : str or None
        ISO week in which the order was proposed; None where it is decided or there is none.
    week : str
        ISO week of the list.
    trend : sequence of mapping, optional
        Rows of `trends` of the quantity drawn beside it, oldest first: its alarm is told first, as the crosses show it, and since when
        it had lain outside before the alarm rose.
    """
    told = []
    if since is not None:
        first, quantity = since
        drawn = str(trend[-1]["alarm_since"]) if trend and trend[-1]["alarm"] else None
        told.append(_alarm(drawn or first, week))
        if drawn is not None and (outside := first_outside(trend)) < drawn:
            told[-1] += message("week.first_outside", since=outside)
        named = words_for(quantity, language())
        if drawn is None and trend:
            told[-1] += f": {named}"
        elif drawn is not None and first < drawn:
            told.append(message("week.alarm_before", quantity=named, since=first))
    if proposed is not None and week_number(week) - week_number(proposed) >= UNDECIDED_FROM:
        told.append(message("week.undecided", since=proposed))
    return " · ".join(told)


def first_outside(trend: Sequence[Mapping[str, Any]]) -> str:
    """The first of the visits running outside, up to the one at which the alarm that stands now rose: it takes several.

    Parameters
    ----------
    trend : sequence of mapping
        Rows of `trends` of one quantity in alarm, oldest first.

    Returns
    -------
    str
        ISO week; that of the alarm where the visit before lay inside, came before a restart such as a repair, or where the alarm is of
        repeats, of which no range is drawn.
    """
    last = trend[-1]
    since, start = str(last["alarm_since"]), str(last.get("segment_since") or "")
    if last.get("unsteady"):
        return since
    for row in reversed([row for row in trend if start <= str(row["week"]) < since]):
        value = row["value"]
        if value is None:
            continue
        ends = [(row[low], row[high]) for low, high in (("expected_low", "expected_high"), ("limit_low", "limit_high"))]
        if not any((low is not None and value < low) or (high is not None and value > high) for low, high in ends):
            break
        since = str(row["week"])
    return since


def _alarm(since: str, week: str) -> str:
    weeks = week_number(week) - week_number(since)
    if not weeks:
        return message("week.alarm_new")
    return message("week.alarm_since", since=since, weeks=text.weeks_count(weeks))
