"""Moments as people and recorders write them."""

import re
from datetime import UTC, date, datetime


def parse_moment(text: str, *, day_allowed: bool = False) -> datetime | None:
    """A moment in UTC from ISO 8601 text.

    Parameters
    ----------
    text : str
        With a UTC offset.
    day_allowed : bool
        Take a bare day as midnight UTC.

    Returns
    -------
    datetime or None
        In UTC, whole microseconds; None if the text is no moment or has no offset.
    """
    text = text.strip().replace(",", ".")
    if "." in text:
        text = re.sub(r"\.(\d{1,6})\d*", lambda m: "." + m.group(1).ljust(6, "0"), text)
    if len(text.split()) > 1:
        text = re.sub(r"\s+(?=[Zz+-])", "", text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        if not (day_allowed and len(text) == 10):
            return None
        moment = moment.replace(tzinfo=UTC)
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        return None


def today() -> date:
    """The day of the clock in UTC: what is past by it is overdue, on screen and on paper."""
    return datetime.now(UTC).date()


def minute(moment: datetime) -> str:
    """A moment as people are told it, in UTC, to the minute.

    Parameters
    ----------
    moment : datetime
        With offset.
    """
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
