"""Captures dated by a recorder clock that was set wrong, judged against the delivery, the register and the day of the run.

A delivery carries no date of its own; its date is the middle of what its rows say. About the past the day of the run decides
nothing; what is dated after it waits until that day has come, or until somebody gives the right time.
"""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime, time, timedelta

from pipelines.intake.delivery import RefusedError
from pipelines.intake.manifest import ManifestRow, TextRow
from pipelines.workspace.moments import parse_moment
from pipelines.workspace.register import Van

MOST_APART = timedelta(days=366)
"""Within this of its delivery's date, and of its van's first day in service before that, a capture is taken as dated. It lets a
year's backlog come in one delivery. Common practice, no source (2026-11-25)."""


def date_of_delivery(rows: Sequence[TextRow], now: datetime) -> datetime | None:
    """The median of the moments a manifest states, future ones left out; of two the earlier.

    Parameters
    ----------
    rows : sequence of TextRow
        All rows of the manifest, settled or not.
    now : datetime
        Time of the run.

    Returns
    -------
    datetime or None
        In UTC; None where no row states a moment that has come.
    """
    stated = (parse_moment(row.cells.get("captured_at") or "") for row in rows)
    moments = sorted(moment for moment in stated if moment is not None and has_come(moment, now))
    return moments[(len(moments) - 1) // 2] if moments else None


def has_come(moment: datetime, now: datetime) -> bool:
    """Whether a moment lies before the end of the day of a run.

    The day is counted in UTC, as every moment is told. Its end gives a clock some hours of error, or of a wrong offset.

    Parameters
    ----------
    moment, now : datetime
        With a UTC offset.

    Returns
    -------
    bool
    """
    return moment.astimezone(UTC).date() <= now.astimezone(UTC).date()


def check_moment(row: ManifestRow, van: Van, delivered: datetime | None, said: Collection[int], now: datetime) -> None:
    """Refuse a row whose clock was set wrong.

    Parameters
    ----------
    row : ManifestRow
        Sound in itself.
    van : Van
        Its van.
    delivered : datetime or None
        As `date_of_delivery` gives.
    said : collection of int
        Rows whose time a person gave since: that is believed, unless it has not come yet.
    now : datetime
        Time of the run.

    Raises
    ------
    RefusedError
        If it is dated after the day of the run, over a year from the middle of its delivery, or over a year before its van
        went into service.
    """
    moment = row.captured_at
    if moment is None:
        return
    day = f"captured_at is {moment:%Y-%m-%d}"
    remedy = "the recorder's clock was set wrong; give the right time under Captures, or deliver again"
    if row.number not in said:
        _check_among_others(moment, van, delivered, day, remedy)
    if not has_come(moment, now):  # says nothing of the day of the run: a retry on another day changes nothing
        raise RefusedError("wrong_clock", f"{day}, a day still to come: {remedy}; else it is taken in on that day")


def _check_among_others(moment: datetime, van: Van, delivered: datetime | None, day: str, remedy: str) -> None:
    """Refuse a moment far from its delivery or its van's service."""
    if van.in_service_on is not None:
        began = datetime.combine(van.in_service_on, time(), UTC)
        if moment < began - MOST_APART:
            raise RefusedError(
                "wrong_clock",
                f"{day}, over a year before van {van.van_id} went into service ({began:%Y-%m-%d}): {remedy}",
            )
    if delivered is not None and abs(moment - delivered) > MOST_APART:
        side = "after" if moment > delivered else "before"
        raise RefusedError(
            "wrong_clock", f"{day}, over a year {side} the rest of its delivery (about {delivered:%Y-%m-%d}): {remedy}"
        )
