"""Recorders whose clock was set wrong: nothing is lost, and the week does not jump."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.intake.accounts import accounts
from pipelines.intake.capture_dates import has_come
from pipelines.intake.corrections import Mend, record_mend
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.deliveries import ask, counts, deliver, make_home, recording, row, run_intake

DAYS = ("2026-03-02", "2026-03-03", "2026-03-04")


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def put(home: Workspace, name: str, *days: str) -> None:
    """A delivery of one recording per day."""
    rows = [row(f"{n}.csv", van=f"V00{1 + n % 3}", at=f"{day}T09:00:00Z") for n, day in enumerate(days)]
    deliver(home.inbox / name, rows, {f"{n}.csv": recording(seed_of(name, n)) for n in range(len(days))})


def give_time(home: Workspace, day: str, on: datetime) -> None:
    """Somebody says the time of row 4 of delivery `one`."""
    record_mend(home, Mend("one", 4, {"captured_at": f"{day}T09:00:00+00:00"}, on, "Head of workshop"))


def seed_of(name: str, number: int) -> int:
    """A seed of its own for each recording of each delivery."""
    return 100 * sum(name.encode()) + number


@pytest.mark.parametrize(
    ("day", "said"),
    [("2031-03-04", "after the rest"), ("2024-06-01", "before the rest"), ("2001-01-01", "went into service")],
)
def test_a_capture_dated_years_away_waits_and_the_account_closes(home: Workspace, day: str, said: str) -> None:
    put(home, "one", *DAYS, day)
    assert [counts(a) for a in run_intake(home)] == [(4, 3, 0, 0, 1)]
    item = ask(home, "SELECT * FROM quarantine").row(0, named=True)
    assert (item["rule"], item["row"], item["state"]) == ("wrong_clock", 4, "waiting")
    assert said in item["reason"]
    assert day in item["reason"]
    assert ask(home, "SELECT max(captured_at) AS at FROM recordings")["at"][0].year == 2026


def test_a_year_of_backlog_is_taken_in_whenever_it_comes(home: Workspace) -> None:
    put(home, "backlog", "2025-01-10", "2025-07-01", "2026-01-08")
    assert [counts(a) for a in run_intake(home, now=datetime(2039, 1, 1, tzinfo=UTC))] == [(3, 3, 0, 0, 0)]


def test_the_time_a_person_gives_is_believed_though_it_is_the_same(home: Workspace) -> None:
    put(home, "one", *DAYS, "2024-06-01")
    run_intake(home)
    give_time(home, "2024-06-01", datetime(2026, 3, 5, tzinfo=UTC))
    assert [counts(a) for a in run_intake(home)] == [(4, 4, 0, 0, 0)]
    with Warehouse(home.warehouse_path) as warehouse:
        assert all(account.closes for account in accounts(warehouse))


def test_the_right_time_given_later_takes_the_row_in(home: Workspace) -> None:
    put(home, "one", *DAYS, "2031-03-04")
    run_intake(home)
    give_time(home, "2026-03-04", datetime(2026, 3, 5, tzinfo=UTC))
    assert [counts(a) for a in run_intake(home)] == [(4, 4, 0, 0, 0)]
    assert ask(home, "SELECT count(*) AS n FROM quarantine WHERE state = 'waiting'")["n"][0] == 0


def test_a_delivery_dated_far_ahead_waits_and_the_list_stays_where_it_is(home: Workspace) -> None:
    put(home, "one", *DAYS)
    put(home, "two", "2099-12-30", "2099-12-31", "2026-03-05")
    assert [counts(a) for a in run_intake(home)] == [(3, 3, 0, 0, 0), (3, 1, 0, 0, 2)]
    items = ask(home, "SELECT rule, reason FROM quarantine ORDER BY row")
    assert set(items["rule"]) == {"wrong_clock"}
    assert items["reason"].to_list() == [
        f"captured_at is 2099-12-{day}, over a year after the rest of its delivery (about 2026-03-05): the recorder's clock "
        "was set wrong; give the right time under Captures, or deliver again"
        for day in (30, 31)
    ]
    steps.read_captures(home.root)
    assert steps.resolve_week(home.root, None) == "2026-W10"


def test_a_capture_dated_tomorrow_is_taken_in_when_its_day_has_come(home: Workspace) -> None:
    put(home, "one", "2026-04-02")
    assert [counts(a) for a in run_intake(home, now=datetime(2026, 4, 1, 23, 59, tzinfo=UTC))] == [(1, 0, 0, 0, 1)]
    (reason,) = ask(home, "SELECT reason FROM quarantine")["reason"]
    assert reason.startswith("captured_at is 2026-04-02, a day still to come: ")
    assert "\n" not in reason
    assert run_intake(home, now=datetime(2026, 4, 1, 23, 59, 59, tzinfo=UTC)) == []  # nothing changes
    assert [counts(a) for a in run_intake(home, now=datetime(2026, 4, 2, 0, 0, tzinfo=UTC))] == [(1, 1, 0, 0, 0)]


@pytest.mark.parametrize("offset", [14, 1, 0, -12])
def test_the_day_is_counted_in_utc_wherever_it_was_recorded(home: Workspace, offset: int) -> None:
    """A recording made now, told in any zone, is never ahead of the run that takes it in."""
    zone = timezone(timedelta(hours=offset))
    for hour in (0, 12, 23):
        now = datetime(2026, 3, 31, hour, 30, tzinfo=UTC)
        assert has_come(now.astimezone(zone), now)
    assert has_come(
        datetime(2026, 4, 1, 13, 0, tzinfo=timezone(timedelta(hours=14))), datetime(2026, 3, 31, tzinfo=UTC)
    )


def test_a_time_still_to_come_is_refused_though_a_person_gives_it(home: Workspace) -> None:
    put(home, "one", *DAYS, "2031-03-04")
    run_intake(home)
    with pytest.raises(InputError, match="a day still to come: give the time it was recorded"):
        give_time(home, "2031-03-04", datetime(2026, 4, 1, tzinfo=UTC))
    give_time(home, "2031-03-04", datetime(2031, 3, 5, tzinfo=UTC))  # on another machine, with a clock set wrong itself
    run_intake(home)
    assert ask(home, "SELECT state FROM quarantine")["state"].to_list() == ["waiting"]
    assert [counts(a) for a in run_intake(home, now=datetime(2031, 3, 5, tzinfo=UTC))] == [(4, 4, 0, 0, 0)]


def test_a_capture_taken_in_before_it_came_does_not_move_the_list(home: Workspace) -> None:
    put(home, "one", *DAYS)
    put(home, "two", "2099-12-30")
    run_intake(home, now=datetime(2099, 12, 31, tzinfo=UTC))
    steps.read_captures(home.root)
    assert steps.resolve_week(home.root, None) == "2026-W10"
