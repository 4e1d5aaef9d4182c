"""ISO weeks in UTC, the calendar of every table."""

import re
from datetime import UTC, date, datetime, timedelta

from data_contracts.errors import InputError


def week_of(moment: datetime) -> str:
    """ISO week of a moment in UTC.

    Parameters
    ----------
    moment : datetime
        With a UTC offset.

    Returns
    -------
    str
        Such as 2026-W14.
    """
    year, week, _ = moment.astimezone(UTC).isocalendar()
    return f"{year:04d}-W{week:02d}"


def check_week(week: str) -> str:
    """The week itself, if it is one.

    Raises
    ------
    InputError
        If it is not an ISO week.
    """
    week_end(week)
    return week


def week_end(week: str) -> datetime:
    """First moment after an ISO week, UTC.

    Parameters
    ----------
    week : str
        Such as 2026-W14.

    Returns
    -------
    datetime

    Raises
    ------
    InputError
        If it is not an ISO week.
    """
    match = re.fullmatch(r"(\d{4})-W(\d{2})", week)
    try:
        if match is None:
            raise ValueError
        monday = date.fromisocalendar(int(match[1]), int(match[2]), 1)
    except ValueError:
        raise InputError(f"week {week!r} is not an ISO week: write it like 2026-W14") from None
    return datetime(monday.year, monday.month, monday.day, tzinfo=UTC) + timedelta(weeks=1)


def week_before(week: str) -> str:
    """The ISO week before one.

    Parameters
    ----------
    week : str
        Such as 2026-W14.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If it is not an ISO week.
    """
    return week_of(week_end(week) - timedelta(days=10))
