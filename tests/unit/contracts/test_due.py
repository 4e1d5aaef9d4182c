"""By when an order is due: one answer for screens and papers."""

from datetime import date

import pytest

from data_contracts.due import due_of, is_past

MONDAY = date(2026, 7, 6)


@pytest.mark.parametrize(
    ("state", "until", "today", "told"),
    [
        ("proposed", None, date(2026, 7, 6), ("by", MONDAY, 0)),  # the day itself is in time
        ("proposed", None, date(2026, 7, 7), ("overdue", MONDAY, 0)),
        ("accepted", None, date(2026, 7, 13), ("overdue", MONDAY, 1)),
        ("proposed", None, date(2026, 11, 30), ("overdue", MONDAY, 21)),
        ("postponed", date(2026, 8, 1), date(2026, 8, 1), ("postponed", date(2026, 8, 1), 0)),
        ("postponed", date(2026, 8, 1), date(2026, 8, 9), ("overdue", date(2026, 8, 1), 1)),
        ("booked", date(2026, 7, 8), date(2026, 7, 7), ("booked", date(2026, 7, 8), 0)),
        ("booked", date(2026, 7, 8), date(2026, 7, 8), ("booked", date(2026, 7, 8), 0)),
        ("booked", date(2026, 7, 8), date(2026, 11, 30), ("booked_past", date(2026, 7, 8), 0)),
        ("booked", None, date(2026, 7, 7), ("overdue", MONDAY, 0)),
        ("done", None, date(2026, 11, 30), ("by", MONDAY, 0)),  # nobody waits for it
        ("declined", None, date(2026, 11, 30), ("by", MONDAY, 0)),
        ("proven", None, date(2026, 11, 30), ("by", MONDAY, 0)),
        ("accepted", date(2026, 8, 1), date(2026, 7, 1), ("by", MONDAY, 0)),
    ],
)
def test_a_day_is_due_overdue_or_put_off(
    state: str, until: date | None, today: date, told: tuple[str, date, int]
) -> None:
    assert due_of({"state": state, "due_by": MONDAY, "until": until}, today) == told


def test_without_a_day_nothing_is_overdue() -> None:
    assert due_of({"state": "proposed", "due_by": None, "until": None}, MONDAY) == ("by", None, 0)
    assert not is_past(None, MONDAY)
