"""By when an order is due, as list, cards and papers tell it: one place that knows what is overdue, and what puts a day off."""

from collections.abc import Mapping
from datetime import date
from typing import Any, Literal

from data_contracts.states import PLANNED_STATES

Due = Literal["by", "overdue", "postponed", "booked", "booked_past"]
"""How a day is told: due by it, overdue since it, postponed until it, booked for it, or booked for it and past."""


def is_past(day: object, today: date) -> bool:
    """Whether a day lies before today; what is no day does not."""
    return isinstance(day, date) and day < today


def due_of(order: Mapping[str, Any], today: date) -> tuple[Due, date | None, int]:
    """The day that an order is told with: the booked one, that until which it is postponed, else that by which it is due.

    Parameters
    ----------
    order : mapping
        With state, due_by and until, as `work_orders` has them.
    today : date
        Day of the reader's clock.

    Returns
    -------
    tuple of (word, date or None, int)
        How the day is told, the day, and the whole weeks it is overdue; 0 where it is not. Work that is done or declined is never
        overdue. [week]
    """
    state, day = str(order["state"]), order["due_by"]
    word: Due = "by"
    if order["until"] and state in ("postponed", "booked"):
        word, day = ("booked" if state == "booked" else "postponed"), order["until"]
    if state not in PLANNED_STATES or not is_past(day, today):
        return word, day, 0
    return ("booked_past", day, 0) if word == "booked" else ("overdue", day, (today - day).days // 7)
