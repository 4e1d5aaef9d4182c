"""Columns of the record in the made-up trends: as tracking would fill them for a value that stands for its visits."""

from collections.abc import Mapping, Sequence


def record_columns(
    value: float, u: float, own: float, spread: float, weeks_left: float | None, *, drifting: bool, alarm: bool
) -> dict[str, object]:
    """Level, expected range, movement and limit of one row; `weeks_left` is None for a quantity without a limit."""
    ahead = (weeks_left if drifting else float("inf")) if weeks_left is not None else None
    return {
        "level": value,
        "level_u": u / 2.0,
        "change": value - own,
        "expected_low": own - 1.96 * spread,
        "expected_high": own + 1.96 * spread,
        "movement": ("drifting" if drifting else "unclear") if alarm else None,
        "limit_low": 50.0 if weeks_left == 6.0 else None,
        "limit_high": 0.28 if weeks_left == 2.0 else None,
        "limit_state": None if weeks_left is None else ("ahead" if drifting else "not_in_sight"),
        "weeks_to_limit_low": None if ahead is None else ahead / 2,
        "weeks_to_limit": ahead,
        "weeks_to_limit_high": None if ahead is None else ahead * 2,
    }


def row_of(trends: Sequence[Mapping[str, object]], van_id: str, week: str, quantity: str) -> Mapping[str, object]:
    """The row of one van, week and quantity."""
    asked = {"van_id": van_id, "week": week, "quantity": quantity}
    return next(row for row in reversed(trends) if asked.items() <= row.items())
