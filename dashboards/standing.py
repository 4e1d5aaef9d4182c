"""Where a van of the list stands, in words: what changed since the list before, how long its alarm and its order have stood."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from dashboards import text
from dashboards.text import message
from data_contracts.weeks import week_number, week_start


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
    return datetime.now(UTC).date()


def is_past(day: object) -> bool:
    """Whether a day lies before today."""
    return isinstance(day, date) and day < today()


def due(row: Mapping[str, Any]) -> str:
    """By which day an order is due, or since when it is overdue; of one that is postponed or booked, until when."""
    state = str(row["state"])
    if state in ("postponed", "booked") and row["until"]:
        return message(f"due.{state}", day=text.weekday(row["until"]))
    return message("due.overdue" if is_past(row["due_by"]) else "due.by", day=text.weekday(row["due_by"]))


def planned(row: Mapping[str, Any]) -> str:
    """Which week an order is planned for, held against the day it is due; empty where it is not planned, or that week is over."""
    week, day = row["plan_week"], row["due_by"]
    if not week:
        return ""
    monday = week_start(str(week))
    if is_past(monday + timedelta(days=6)):
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
    return " · ".join(one for one in told if one)


def how_long(
    since: str | None,
    proposed: str | None,
    week: str,
    shown: Mapping[str, object] | None = None,
) -> str:
    """Since when a van has been out of line, and since when its order has waited for a decision; empty where neither has.

    Parameters
    ----------
    since : str or None
        ISO week in which the longest of its alarms began.
    proposed : str or None
        ISO week in which the order was proposed; None where it is decided or there is none.
    week : str
        ISO week of the list.
    shown : mapping, optional
        The latest row of `trends` of the quantity drawn beside it: its alarm is told too where it began in another week.
    """
    told = []
    if since is not None:
        weeks = week_number(week) - week_number(since)
        told.append(
            message("week.alarm_since", since=since, weeks=text.weeks_count(weeks))
            if weeks
            else message("week.alarm_new")
        )
        drawn = shown["alarm_since"] if shown is not None and shown["alarm"] else None
        if drawn is not None and drawn != since:
            told[-1] += ", " + message("week.alarm_shown", since=drawn)
    if proposed is not None and proposed != week:
        told.append(message("week.undecided", since=proposed))
    return " · ".join(told)
