"""ISO 8601 weeks: the standard's own corner cases, checked against dates in print."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from data_contracts.errors import InputError
from data_contracts.weeks import week_end, week_of


@pytest.mark.parametrize(
    ("day", "week"),
    [  # ISO 8601 corner cases: week 1 holds the year's first Thursday (common knowledge of the standard, from memory)
        (datetime(2021, 1, 3, tzinfo=UTC), "2020-W53"),
        (datetime(2024, 12, 30, tzinfo=UTC), "2025-W01"),
        (datetime(2026, 1, 1, tzinfo=UTC), "2026-W01"),
        (datetime(2026, 3, 30, tzinfo=UTC), "2026-W14"),
    ],
)
def test_weeks_follow_the_standard(day: datetime, week: str) -> None:
    assert week_of(day) == week


def test_the_week_is_read_in_utc() -> None:
    east = timezone(timedelta(hours=10))
    assert week_of(datetime(2026, 4, 6, 5, tzinfo=east)) == "2026-W14"


def test_a_week_ends_where_the_next_begins() -> None:
    end = week_end("2026-W14")
    assert end == datetime(2026, 4, 6, tzinfo=UTC)
    assert week_of(end) == "2026-W15"
    assert week_of(end - timedelta(microseconds=1)) == "2026-W14"


@pytest.mark.parametrize("word", ["2026-14", "2026-W54", "2025-W53", "W14", "", "2026-W00", "next"])
def test_what_is_no_week_is_refused(word: str) -> None:
    with pytest.raises(InputError, match="2026-W14"):
        week_end(word)
