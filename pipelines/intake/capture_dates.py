"""Captures dated by a clock set wrong: judged by what was delivered and registered, never by the clock of the machine.

The same delivery is judged alike on any day it is taken in. A delivery carries no date of its own; its date is the middle
of what its rows say.
"""

from collections.abc import Collection, Sequence
from datetime import UTC, datetime, time, timedelta

from pipelines.intake.delivery import RefusedError
from pipelines.intake.manifest import ManifestRow, TextRow
from pipelines.workspace.register import Van, parse_moment

MOST_APART = timedelta(days=366)
"""Within this of its delivery's date, and of its van's first day in service before that, a capture is taken as dated. It lets a
year's backlog come in one delivery. Common practice, no source (2026-11-25)."""


def date_of_delivery(rows: Sequence[TextRow]) -> datetime | None:
    """The middle one of the moments a manifest states; of two the earlier.

    Parameters
    ----------
    rows : sequence of TextRow
        All rows of the manifest, settled or not.

    Returns
    -------
    datetime or None
        In UTC; None where no row states a moment.
    """
    stated = (parse_moment(row.cells.get("captured_at") or "") for row in rows)
    moments = sorted(moment for moment in stated if moment is not None)
    return moments[(len(moments) - 1) // 2] if moments else None


def check_moment(row: ManifestRow, van: Van, delivered: datetime | None, said: Collection[int]) -> None:
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
        Rows whose time a person gave since: that is believed.

    Raises
    ------
    RefusedError
        If it is dated over a year from the middle of its delivery, or over a year before its van went into service.
    """
    moment = row.captured_at
    if moment is None or row.number in said:
        return
    day = f"captured_at is {moment:%Y-%m-%d}"
    remedy = "the recorder's clock was set wrong; give the right time under Captures, or deliver again"
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
