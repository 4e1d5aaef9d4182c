"""Recorders whose clock was set wrong: nothing is lost, and the week does not jump."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipelines.intake.corrections import Mend, record_mend
from pipelines.intake.take_in import accounts
from pipelines.storage.warehouse import Warehouse
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


@pytest.mark.parametrize(("day", "said"), [("2031-03-04", "after the rest"), ("2024-06-01", "before the rest"), ("2001-01-01", "went into service")])  # fmt: skip
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
    put(home, "one", *DAYS, "2031-03-04")
    run_intake(home)
    give_time(home, "2031-03-04", datetime(2031, 3, 5, tzinfo=UTC))
    assert [counts(a) for a in run_intake(home)] == [(4, 4, 0, 0, 0)]
    with Warehouse(home.warehouse_path) as warehouse:
        assert all(account.closes for account in accounts(warehouse))


def test_the_right_time_given_later_takes_the_row_in(home: Workspace) -> None:
    put(home, "one", *DAYS, "2031-03-04")
    run_intake(home)
    give_time(home, "2026-03-04", datetime(2026, 3, 5, tzinfo=UTC))
    assert [counts(a) for a in run_intake(home)] == [(4, 4, 0, 0, 0)]
    assert ask(home, "SELECT count(*) AS n FROM quarantine WHERE state = 'waiting'")["n"][0] == 0
