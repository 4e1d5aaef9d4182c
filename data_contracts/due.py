"""By when an order is due, as list, cards and papers tell it: one place that knows what is overdue, and what puts a day off."""

from collections.abc import Mapping
from datetime import date
from typing import Any, Literal

Due = Literal["by", "overdue", "postponed", "booked"]
"""How a day is told: due by it, overdue since it, postponed until it, or booked for it."""


def is_past(day: object, today: date) -> bool:
    """Whether a day lies before today; what is no day does not."""
    return isinstance(day, date) and day < today


def due_of(order: Mapping[str, Any], today: date) -> tuple[Due, date | None, int]:
    """The day that an order is told with.

    Parameters
    ----------
    order : mapping
        With state, due_by and until, as `work_orders` has them.
    today : date
        Day of the reader's clock.

    Returns
    -------
    tuple of (word, date or None, int)
        How the day is told, the day, and the whole weeks it is overdue; 0 where it is not. [week]
    """
    state, day = str(order["state"]), order["due_by"]
    if state == "postponed" and order["until"]:
        return "postponed", order["until"], 0
    if state == "booked" and order["until"]:
        return "booked", order["until"], 0
    if is_past(day, today):
        return "overdue", day, (today - day).days // 7
    return "by", day, 0
