"""What fails for one van, family or recording is said and kept apart; the week is published for the others."""

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

from data_contracts.errors import NoRoomError
from models.causes import infer as causes
from models.reading import read as reading
from models.tracking.state import told
from models.work import orders, standing_codes
from pipelines.decisions import proofs
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import judging, steps
from pipelines.weekly.judge_apart import MOST_TRIALS, judge_apart, make_apart
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.workspace.workspace import Workspace
from tests.deliveries import ask, deliver, make_home, recording, row, run_intake
from tests.pipelines.judged_home import fleet_of_readings, judge, judged_home
from tests.pipelines.small_home import copied_home, run_steps
from tests.readings_fleet import ReadingsFleet


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return fleet_of_readings()


@pytest.fixture(scope="module")
def judged_before(tmp_path_factory: pytest.TempPathFactory, fleet: ReadingsFleet) -> Workspace:
    """Judged in the last week but one, so that something is known before the week that fails."""
    home = judged_home(tmp_path_factory.mktemp("before") / "home", fleet)
    judge(home, fleet.weeks[-2])
    return home


@pytest.fixture
def home(tmp_path: Path, judged_before: Workspace) -> Workspace:
    return copied_home(judged_before, tmp_path / "home")


def texts(tracked: steps.Tracked) -> list[str]:
    """The notices of a run."""
    return [str(notice["text"]) for notice in tracked.notices]


def fail_for(monkeypatch: pytest.MonkeyPatch, place: object, name: str, hit: Callable[..., bool]) -> None:
    """Let a function raise where its arguments say so."""
    real = getattr(place, name)

    def failing(*given: object, **named: object) -> object:
        if hit(*given, **named):
            raise ZeroDivisionError("division by zero\nin a second line")
        return real(*given, **named)

    monkeypatch.setattr(place, name, failing)


def published(home: Workspace, sql: str) -> pl.DataFrame:
    with duckdb.connect(str(home.published_path), read_only=True) as connection:
        return connection.sql(sql).pl()


def of_van(van_id: str) -> Callable[..., bool]:
    return lambda std, *_, **__: van_id in std.visits["van_id"].to_list()


def fail_at_once_for(monkeypatch: pytest.MonkeyPatch, column: str, value: str) -> None:
    """Let the first thing that a judgement does raise where a van or family is in it: trials that fail take no time."""
    fail_for(monkeypatch, standing_codes, "standing_codes", lambda captures, _: value in captures[column].to_list())


def listed_of(home: Workspace, week: str) -> dict[str, str]:
    return dict(ask(home, f"SELECT van_id, family FROM watchlist WHERE week = '{week}' ORDER BY rank").iter_rows())


def test_one_van_that_fails_is_named_and_keeps_its_place(
    home: Workspace, fleet: ReadingsFleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, week = listed_of(home, fleet.weeks[-2]), fleet.weeks[-1]
    van_id = next(iter(before))
    order = ask(home, f"SELECT * FROM work_orders WHERE van_id = '{van_id}'")
    assert order["state"].to_list() == ["proposed"]
    fail_at_once_for(monkeypatch, "van_id", van_id)
    tracked = judge(home)
    said = f"Not judged this week: van {van_id} (family {before[van_id]}): ZeroDivisionError: division by zero in a second line."
    assert [text for text in texts(tracked) if text.startswith("Not judged")] == [
        said + " What was known before stands, and so do open orders."
    ]
    summary = WeeklySummary(week, (), 0, tracked.listed, tracked.orders, tracked.notices, True)
    assert said in summary.text()
    assert any(said in notice for notice in json.loads(json.dumps(summary.document()))["notices"])
    kept = published(home, f"SELECT * FROM watchlist WHERE week = '{week}' AND van_id = '{van_id}'")
    assert kept["reasons"][0][0] == f"Not judged this week; this stands from {fleet.weeks[-2]}."
    assert published(home, f"SELECT * FROM work_orders WHERE van_id = '{van_id}'").equals(
        order.select(published(home, "FROM work_orders").columns)
    )
    assert published(home, f"SELECT count(*) FROM trends WHERE van_id = '{van_id}'").item() > 0
    ranks = published(home, f"SELECT rank FROM watchlist WHERE week = '{week}' ORDER BY rank")["rank"].to_list()
    assert ranks == list(range(1, len(ranks) + 1))
    assert len(set(listed_of(home, week)) - {van_id}) >= 5
    assert "ZeroDivisionError" in (home.reports / f"not-judged-{week}.txt").read_text()

    judge(home)  # again: it still stands from the week it was judged in, and says so once
    assert listed_of(home, week)[van_id] == before[van_id]
    again = published(home, f"SELECT reasons FROM watchlist WHERE week = '{week}' AND van_id = '{van_id}'")
    assert again["reasons"][0].to_list() == kept["reasons"][0].to_list()

    monkeypatch.undo()
    judge(home)
    assert not (home.reports / f"not-judged-{week}.txt").exists()
    assert not any("Not judged" in text for text in ask(home, "SELECT text FROM notices")["text"])


def test_the_others_are_judged_as_they_are_without_the_van_that_fails(
    home: Workspace, fleet: ReadingsFleet, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    well = set(fleet.frame["van_id"]) - set(listed_of(home, fleet.weeks[-2]))  # a listed one would keep its place
    van_id, columns = min(well), "van_id, urgency, leading_cause, leading_cause_probability, reasons"
    fail_for(monkeypatch, told, "fleet_forecasts", of_van(van_id))
    judge(home)
    monkeypatch.undo()
    rest = ReadingsFleet(fleet.frame.filter(pl.col("van_id") != van_id), fleet.truth, fleet.weeks)
    alone = judged_home(tmp_path / "rest", rest)
    judge(alone)
    query = f"SELECT {columns} FROM watchlist WHERE week = '{fleet.weeks[-1]}' ORDER BY rank"
    assert ask(home, query).equals(ask(alone, query))


def test_a_family_that_fails_is_named_once_and_none_of_its_vans_is_called_well(
    home: Workspace, fleet: ReadingsFleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    week, family = fleet.weeks[-1], "heron-16"
    before = listed_of(home, fleet.weeks[-2])
    proposals = ask(home, f"SELECT order_id FROM work_orders WHERE family = '{family}' AND state = 'proposed'")
    assert proposals.height >= 2
    fail_at_once_for(monkeypatch, "family", family)
    tracked = judge(home)
    failed = [text for text in texts(tracked) if text.startswith("Not judged")]
    assert len(failed) == 1
    assert f"family {family}: ZeroDivisionError" in failed[0]
    now = listed_of(home, week)
    assert {v for v, f in before.items() if f == family} <= set(now)
    assert {f for f in now.values() if f != family}
    still = ask(home, f"SELECT order_id FROM work_orders WHERE family = '{family}' AND state = 'proposed'")
    assert set(still["order_id"]) == set(proposals["order_id"])


@pytest.mark.parametrize("step", ["causes", "orders"])
def test_a_van_whose_causes_or_orders_fail_keeps_its_order(
    home: Workspace, fleet: ReadingsFleet, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    van_id = next(iter(listed_of(home, fleet.weeks[-2])))
    order = ask(home, f"SELECT order_id, state FROM work_orders WHERE van_id = '{van_id}'")
    if step == "causes":
        fail_for(monkeypatch, causes, "gather_evidence", lambda residuals, n, *_, **__: residuals.van_ids[n] == van_id)
        told = "Not judged this week"
    else:
        fail_for(monkeypatch, orders, "due_by", lambda van, *_, **__: van.van_id == van_id)
        told = "No order made this week"
    tracked = judge(home)
    assert any(text.startswith(f"{told}: van {van_id} ") for text in texts(tracked))
    assert ask(home, f"SELECT order_id, state FROM work_orders WHERE van_id = '{van_id}'").equals(order)
    assert tracked.orders >= 5


def test_a_failure_of_every_family_ends_the_run(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    fail_for(monkeypatch, standing_codes, "standing_codes", lambda *_: True)
    before = ask(home, "SELECT * FROM watchlist ORDER BY ALL")
    with pytest.raises(ZeroDivisionError):
        judge(home)
    assert ask(home, "SELECT * FROM watchlist ORDER BY ALL").equals(before)


def test_one_proof_that_fails_stops_no_other(
    judged_small: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    with Warehouse(home.warehouse_path) as warehouse, warehouse.transaction():  # as before the last run proved anything
        warehouse.execute("DELETE FROM order_events WHERE person = ?", [proofs.PERSON])
        warehouse.execute("UPDATE work_orders SET state = 'done' WHERE state IN ('proven', 'not_proven')")
    fail_for(monkeypatch, proofs, "_verdict", lambda _, mine, row, *more: row["van_id"] == "V003" and mine.height > 0)
    tracked = judge(home)
    (told,) = [text for text in texts(tracked) if text.startswith("No repair proven this week: van V003 ")]
    assert "ZeroDivisionError" in told
    done = "SELECT van_id, state FROM work_orders WHERE van_id IN ('V003', 'V004') AND state <> 'proposed'"
    states = dict(ask(home, done).iter_rows())
    assert states == {"V003": "done", "V004": "not_proven"}


def test_one_recording_that_can_not_be_read_stops_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = make_home(tmp_path / "home")
    rows = [row(f"{n}.csv", van=f"V00{1 + n % 3}", at=f"2026-03-02T{8 + n:02d}:00:00Z") for n in range(5)]
    deliver(home.inbox / "one", rows, {f"{n}.csv": recording(50 + n) for n in range(5)})
    run_intake(home)
    bad = ask(home, "SELECT waveform_id FROM recordings WHERE row = 3").item()
    fail_for(monkeypatch, reading, "read_waveforms", lambda waveforms, *_: any(w.waveform_id == bad for w in waveforms))
    assert steps.read_captures(home.root) == 4
    week = run_steps(home)
    said = "1 recording could not be read: 2.csv of delivery one: see reports/not-read.txt."
    assert any(text.startswith(said) for text in published(home, "SELECT text FROM notices")["text"])
    assert "ZeroDivisionError" in (home.root / "reports/not-read.txt").read_text()
    monkeypatch.undo()
    assert steps.read_captures(home.root) == 1
    assert run_steps(home) == week
    assert not any("could not be read" in text for text in published(home, "SELECT text FROM notices")["text"])
    with Warehouse(home.warehouse_path) as warehouse:
        assert warehouse.query("SELECT count(DISTINCT row) FROM captures").item() == 5


def test_few_trials_find_the_vans_that_fail() -> None:
    calls = []

    def add_up(vans: frozenset[str]) -> int:
        calls.append(vans)
        if vans & {"a7", "b3"}:
            raise ValueError("no")
        return len(vans)

    count, failed = judge_apart(add_up, {"a": [f"a{n}" for n in range(64)], "b": [f"b{n}" for n in range(64)]})
    assert count == 126
    assert [(one.family, one.van_ids, one.whole) for one in failed] == [("a", ("a7",), False), ("b", ("b3",), False)]
    assert len(calls) <= 40


def test_a_large_family_that_fails_whole_is_left_out_after_few_trials() -> None:
    calls = []

    def add_up(vans: frozenset[str]) -> int:
        calls.append(vans)
        if any(van_id.startswith("a") for van_id in vans):
            raise ValueError("no")
        return len(vans)

    count, failed = judge_apart(add_up, {"a": [f"a{n}" for n in range(640)], "b": [f"b{n}" for n in range(64)]})
    assert count == 64
    assert [(one.family, len(one.van_ids), one.whole) for one in failed] == [("a", 640, True)]
    assert len(calls) <= MOST_TRIALS + 2


def test_vans_that_fail_only_together_are_parted() -> None:
    def add_up(vans: frozenset[str]) -> int:
        if {"a1", "a2"} <= vans:
            raise ValueError("no")
        return len(vans)

    count, failed = judge_apart(add_up, {"a": ["a0", "a1", "a2", "a3"]} | {"b": ["b0"]})
    assert count == 4
    assert len(failed) == 1


@pytest.mark.parametrize("number", range(2, 8))
def test_a_disk_that_is_full_during_the_trials_is_no_vans_fault(number: int) -> None:
    calls = []

    def add_up(vans: frozenset[str]) -> int:
        calls.append(vans)
        if len(calls) == number:
            raise NoRoomError("no room")
        if "bad" in vans:
            raise ValueError("no")
        return len(vans)

    with pytest.raises(NoRoomError):
        judge_apart(add_up, {"a": ["a1", "bad"], "b": ["b1", "b2"]})
    assert len(calls) == number


def test_what_the_week_can_do_without_is_not_left_out_for_a_full_disk() -> None:
    def full() -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(OSError, match="No space left"):
        make_apart("tests", full, None)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("tests_of_week", "No plan of tests made"),
        ("shared_faults", "Not looked for shared faults"),
        ("programme_of_week", "Part lives and the comparison of depots not made"),
    ],
)
def test_what_the_week_can_do_without_does_not_stop_it(
    home: Workspace, fleet: ReadingsFleet, monkeypatch: pytest.MonkeyPatch, name: str, said: str
) -> None:
    fail_for(monkeypatch, judging, name, lambda *_, **__: True)
    tracked = judge(home)
    week = fleet.weeks[-1]
    assert [text for text in texts(tracked) if text.startswith(f"{said} this week: ZeroDivisionError")]
    assert listed_of(home, week)
    assert "ZeroDivisionError" in (home.reports / f"not-judged-{week}.txt").read_text()
    plans = published(home, f"SELECT count(*) FROM test_plan WHERE week = '{week}'").item()
    assert bool(plans) == (name != "tests_of_week")
