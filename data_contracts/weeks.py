"""ISO weeks in UTC, the calendar of every table."""

import re
from datetime import UTC, date, datetime, timedelta

import polars as pl

from data_contracts.errors import InputError
from data_contracts.limits import SILENT_WEEKS

DAYS_A_MONTH = 365.25 / 12
"""Of the mean month of the Julian calendar. [day]"""


def week_of(day: date) -> str:
    """ISO week of a day, or of a moment in UTC.

    Parameters
    ----------
    day : date or datetime
        A datetime has a UTC offset.

    Returns
    -------
    str
        Such as 2026-W14.
    """
    year, week, _ = (day.astimezone(UTC) if isinstance(day, datetime) else day).isocalendar()
    return f"{year:04d}-W{week:02d}"


def weeks_of(moments: pl.Expr) -> pl.Expr:
    """ISO weeks of a column of days or moments in UTC, as `week_of` writes them.

    Parameters
    ----------
    moments : polars.Expr
        Column of dates or datetimes.

    Returns
    -------
    polars.Expr
        Column of text.
    """
    return moments.dt.strftime("%G-W%V")


def check_week(week: str, *, today: datetime) -> str:
    """The week itself, if it is one and has begun.

    Parameters
    ----------
    week : str
        Such as 2026-W14.
    today : datetime
        With a UTC offset.

    Returns
    -------
    str

    Raises
    ------
    InputError
        If it is not an ISO week, or still to come.
    """
    week_start(week)
    if week > week_of(today):
        raise InputError(f"week {week} is still to come: give one up to {week_of(today)}")
    return week


def week_start(week: str) -> date:
    """Monday of an ISO week.

    Parameters
    ----------
    week : str
        Such as 2026-W14.

    Returns
    -------
    date

    Raises
    ------
    InputError
        If it is not an ISO week.
    """
    match = re.fullmatch(r"(\d{4})-W(\d{2})", week)
    try:
        if match is None:
            raise ValueError
        return date.fromisocalendar(int(match[1]), int(match[2]), 1)
    except ValueError:
        raise InputError(f"week {week!r} is not an ISO week: write it like 2026-W14") from None


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
    return datetime.combine(week_start(week) + timedelta(weeks=1), datetime.min.time(), UTC)


def is_silent(last: str, week: str) -> bool:
    """Whether the latest visit of any van is too old for a week's list to mean that the others are well.

    Parameters
    ----------
    last, week : str
        ISO weeks: of the last visit, and of the list.

    Returns
    -------
    bool
    """
    return week_end(week) - week_end(last) >= timedelta(weeks=SILENT_WEEKS)


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


def week_number(week: str) -> int:
    """Number of an ISO week; consecutive weeks have consecutive numbers.

    Parameters
    ----------
    week : str
        For example 2026-W14.

    Returns
    -------
    int
    """
    return week_start(week).toordinal() // 7


def week_name(number: float) -> str:
    """The ISO week of a moment; the inverse of `week_number`.

    Parameters
    ----------
    number : float
        Number of the week and the fraction of it. [weeks]

    Returns
    -------
    str
        For example 2026-W14.
    """
    return week_of(date.fromordinal(int(number) * 7 + 1))
