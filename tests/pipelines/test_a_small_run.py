"""A run on a handful of recordings, value by value: what a capture says of its recording, how a run is named and summed up."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from data_contracts.capture import capture_id
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.reasons import GRADE_REASONS
from data_contracts.signals import QUANTITIES
from models.reading.aligned_traces import GRID
from models.reading.read import METHOD
from pipelines.intake.accounts import DeliveryAccount
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.weekly.read_captures import read_new_captures
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.steps import _data_id, _run_row
from pipelines.workspace.register import load_register
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace
from tests.deliveries import VANS, ask, deliver, make_home, recording, row, run_intake


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    home = make_home(tmp_path / "home")
    rows = [
        row("1.csv", van="V001", visit="morning", fault_codes="P0171;P0101", coolant_c=88.5, note="x", fuel="E10"),
        row("2.csv", van="V002", at="2026-03-02T10:15:00+01:00"),
    ]
    deliver(home.inbox / "one", rows, {"1.csv": recording(1), "2.csv": recording(2, samples=2400)})
    run_intake(home)
    return home


def test_a_capture_says_what_its_recording_says(home: Workspace) -> None:
    done: list[tuple[int, int]] = []
    with Warehouse(home.warehouse_path) as warehouse:
        register = load_register(home.register)
        told = {"workers": 1, "progress": lambda *counts: done.append(counts)}
        assert read_new_captures(home, warehouse, register, **told) == 2  # type: ignore[arg-type]
        assert done == [(0, 2), (2, 2)]
        assert read_new_captures(home, warehouse, register, **told) == 0  # type: ignore[arg-type]
    held = {each["row"]: each for each in ask(home, "SELECT * FROM recordings").to_dicts()}
    first, second = ask(home, "SELECT * FROM captures ORDER BY row").to_dicts()
    for capture in (first, second):
        source = held[capture["row"]]
        for name in ("waveform_id", "van_id", "captured_at", "delivery", "file", "recorder", "coolant_c", "fuel"):
            assert capture[name] == source[name], name
        named = (source["waveform_id"], source["van_id"], source["captured_at"], 1)
        assert capture["capture_id"] == capture_id(*named)
        assert (capture["snap"], capture["family"], capture["depot"]) == (1, "brook-20", "north")
        assert capture["week"] == "2026-W10"
        assert capture["rate_hz"] == pytest.approx(1000.0)
        assert capture["grade"] == "repeat"  # noise holds no snap
        assert set(capture["grade_reasons"]) <= set(GRADE_REASONS)
        assert capture["grade_reasons"]
    assert first["length_s"] == pytest.approx(1.2, abs=0.002)
    assert second["length_s"] == pytest.approx(2.4, abs=0.002)
    assert (first["visit"], first["delivered_visit"]) == ("morning", "morning")
    assert (second["visit"], second["delivered_visit"]) == ("2026-03-02T09:15Z", None)
    assert (first["fault_codes"], second["fault_codes"]) == (["P0171", "P0101"], [])
    assert first["coolant_c"] == 88.5
    readings = ask(home, "SELECT * FROM readings ORDER BY capture_id").to_dicts()
    shapes = {each["capture_id"]: each for each in ask(home, "SELECT * FROM shapes").to_dicts()}
    for reading in readings:
        assert reading["method"] == METHOD
        names = [entry["name"] for entry in reading["unread"]]
        assert names == sorted(names)
        assert set(names) == {name for name in QUANTITIES if reading.get(name) is None}
        assert {len(shapes[reading["capture_id"]][name]) for name in ("airflow", "lambda_signal")} == {GRID}
    (home.register / "vans.csv").write_text(VANS.replace("V002,brook-20,north", "V002,brook-20,south"))
    assert steps.read_captures(home.root) == 0
    assert ask(home, "SELECT depot FROM captures ORDER BY row")["depot"].to_list() == ["north", "south"]


def test_a_run_is_named_by_its_week_and_data_alone(home: Workspace) -> None:
    steps.read_captures(home.root)
    register, settings = load_register(home.register), load_settings(home.settings_path)
    with Warehouse(home.warehouse_path) as warehouse:
        data = _data_id(warehouse, register, settings, "2026-W10")
        warranted = {name: replace(family, warranty_km=1e5) for name, family in register.families.items()}
        assert _data_id(warehouse, replace(register, families=warranted), settings, "2026-W10") != data
        assert _data_id(warehouse, register, settings, "2026-W10") == data
        assert _data_id(warehouse, register, settings, "2026-W09") != data  # before its captures
        warehouse.execute("UPDATE captures SET depot = 'south'")
        assert _data_id(warehouse, register, settings, "2026-W10") != data
        warehouse.execute("UPDATE captures SET depot = 'north'")
        warehouse.execute("UPDATE deliveries SET taken_in_at = taken_in_at + INTERVAL 1 DAY")
        assert _data_id(warehouse, register, settings, "2026-W10") == data
        workshop = settings.workshop.model_copy(update={"currency": "XTS", "hour_rate": 1.0})
        changed = settings.model_copy(update={"workshop": workshop})
        assert _data_id(warehouse, register, changed, "2026-W10") != data
        shown = settings.display.model_copy(update={"language": "de"})  # what is only shown is no other run
        assert _data_id(warehouse, register, settings.model_copy(update={"display": shown}), "2026-W10") == data
    at = datetime(2026, 3, 9, 5, 0, tzinfo=UTC)
    one = _run_row("2026-W10", data, at)
    assert (one["week"], one["data_id"]) == ("2026-W10", data)
    assert len(data) == 64
    assert len(one["run_id"]) == 16  # told on paper: short enough to be read out
    assert set(one["run_id"]) <= set("0123456789abcdef")
    assert _run_row("2026-W10", data, at)["run_id"] == one["run_id"]
    assert _run_row("2026-W11", data, at)["run_id"] != one["run_id"]
    assert _run_row("2026-W10", data[::-1], at)["run_id"] != one["run_id"]
    assert one["finished_at"] == at


def test_the_week_is_that_of_the_newest_capture(tmp_path: Path, home: Workspace) -> None:
    assert steps.resolve_week(home.root, "2025-W01") == "2025-W01"
    with pytest.raises(InputError, match="there is no capture yet and the inbox is empty"):
        steps.resolve_week(home.root, None)
    steps.read_captures(home.root)
    assert steps.resolve_week(home.root, None) == "2026-W10"
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("UPDATE captures SET week = '2099-W01' WHERE van_id = 'V001'")  # dated ahead
    assert steps.resolve_week(home.root, None) == "2026-W10"
    other = make_home(tmp_path / "other")
    deliver(other.inbox / "one", [row("1.csv", van="nobody")], {"1.csv": recording(1)})
    run_intake(other)
    with pytest.raises(InputError, match="1 item waits in quarantine"):
        steps.resolve_week(other.root, None)


def test_the_summary_of_a_week_adds_up() -> None:
    accounts = (DeliveryAccount("a", 10, 5, 1, 2, 2), DeliveryAccount("b", 4, 3, 0, 0, 1))
    assert all(account.closes for account in accounts)
    assert not DeliveryAccount("c", 10, 5, 1, 2, 1).closes
    notice = {"text": None, "text_facts": [Fact.of("no_visit_since", since="2026-W01").row()]}
    summary = WeeklySummary("2026-W10", accounts, 8, {"now": 1, "watch": 2}, 3, (notice,), True)
    lines = summary.text().splitlines()
    assert lines[:5] == [
        "week 2026-W10",
        "taken in: 2 deliveries, 14 rows = 8 held, 1 superseded, 2 duplicates, 3 in quarantine",
        "read: 8 recordings",
        "watchlist: 1 now, 0 plan, 2 watch",
        "open work orders: 3",
    ]
    assert lines[5].startswith("No van was seen since 2026-W01")
    assert lines[6:] == ["published"]
    quiet = WeeklySummary("2026-W10", (), 0, {}, 0, (), False).text().splitlines()
    assert quiet[1] == "taken in: nothing new in the inbox"
    assert quiet[-1] == "nothing changed since the last run; the published file stays"
    assert summary.text("de").splitlines()[:5] == [
        "Woche 2026-W10",
        "angenommen: 2 Lieferungen, 14 Zeilen = 8 behalten, 1 ersetzt, 2 doppelt, 3 in Quarantäne",
        "gelesen: 8 Aufnahmen",
        "Liste: 1 jetzt, 0 einplanen, 2 beobachten",
        "offene Werkstattaufträge: 3",
    ]
    assert "Fahrzeug" in summary.text("de")
    assert "1 Entscheidung" in replace(summary, decisions=1).text("de")
    earlier = replace(summary, newest="2026-W12")
    assert (
        earlier.text().splitlines()[-1].startswith("everybody now sees 2026-W10, though there are captures of 2026-W12")
    )
    assert replace(summary, newest="2026-W10").text() == summary.text()
    decided = replace(summary, intake=(), decisions=1)
    assert decided.text().splitlines()[1:3] == ["taken in: nothing new in the inbox", "taken in on orders: 1 decision"]
    assert decided.document()["decisions"] == 1
    halting = replace(summary, unreadable=("waveforms/journal/000001.json",))
    assert "waveforms/journal/000001.json can't be read, the run went on without it" in halting.text()
    assert halting.document()["unreadable_journal"] == ["waveforms/journal/000001.json"]


def test_a_van_of_an_unknown_family_waits_until_the_family_is_added(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home", vans="van_id,family,depot\nV001,none-such,north\n")
    deliver(home.inbox / "one", [row("1.csv")], {"1.csv": recording(1)})
    run_intake(home)
    (item,) = ask(home, "SELECT rule, reason FROM quarantine WHERE state = 'waiting' AND delivery = 'one'").to_dicts()
    assert item["rule"] == "broken_family"
    assert "family none-such of van V001 is not in register/families.toml: add it" in item["reason"]
