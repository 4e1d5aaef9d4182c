"""Where a van of the list stands, in words: what changed since the list before, how long its alarm and its order have stood."""

from collections.abc import Mapping

from dashboards import text
from dashboards.text import message
from data_contracts.weeks import week_number


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


def how_long(since: str | None, proposed: str | None, week: str, shown: Mapping[str, object] | None = None) -> str:
    """Since when a van has been in alarm, and since when its order has waited for a decision; empty where neither has.

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
