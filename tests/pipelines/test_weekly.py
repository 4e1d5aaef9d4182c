"""The whole chain on the committed small fleet: delivered folder in, watchlist out, and nothing twice."""

import hashlib
import json
import shutil
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSE_CODES
from data_contracts.reasons import GRADE_REASONS, QUARANTINE_RULES, UNREAD_REASONS
from data_contracts.signals import QUANTITIES
from data_contracts.tables import TABLES, polars_schema
from pipelines.commands.check import check_workspace
from pipelines.intake.check_results import kept
from pipelines.storage.models import load_model
from pipelines.storage.publish import published_run
from pipelines.weekly import steps
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.workspace.workspace import Workspace, open_workspace
from sample_fleet.make_small import FIRST_RUN, LAST_RUN
from tests.pipelines.small_home import SMALL_FLEET, copied_home, lay_decisions, run_steps, small_home


@pytest.fixture
def home(judged_small: Workspace) -> Workspace:
    """To be read."""
    return judged_small


@pytest.fixture
def own_home(judged_small: Workspace, tmp_path: Path) -> Workspace:
    """To be written into."""
    return copied_home(judged_small, tmp_path / "home")


def ask(workspace: Workspace, sql: str) -> pl.DataFrame:
    with duckdb.connect(str(workspace.published_path), read_only=True) as connection:
        return connection.sql(sql).pl()


def test_the_row_account_closes_to_the_row(home: Workspace) -> None:
    account = ask(
        home,
        "SELECT sum(rows) r, sum(held) h, sum(superseded) s, sum(duplicates) d, sum(quarantined) q FROM deliveries",
    )
    rows, held, superseded, duplicates, quarantined = account.row(0)
    assert rows == held + superseded + duplicates + quarantined
    truth = pl.read_csv(SMALL_FLEET / "truth_rows.csv")
    assert rows == truth.height


def test_every_published_table_has_its_columns_and_words(home: Workspace) -> None:
    for table in TABLES.values():
        if table.published:
            assert ask(home, f"SELECT * FROM {table.name} LIMIT 0").columns == list(polars_schema(table))
    grades = ask(home, "SELECT DISTINCT grade, unnest(grade_reasons) AS reason FROM captures")
    assert set(grades["reason"]) <= set(GRADE_REASONS)
    unread = ask(home, "SELECT DISTINCT u.name, u.reason FROM (SELECT unnest(unread) AS u FROM readings)")
    assert set(unread["name"]) <= set(QUANTITIES)
    assert set(unread["reason"]) <= set(UNREAD_REASONS)
    assert set(ask(home, "SELECT DISTINCT rule FROM quarantine")["rule"]) <= set(QUARANTINE_RULES)


def test_a_value_has_an_uncertainty_or_a_reason(home: Workspace) -> None:
    readings = ask(home, "SELECT * FROM readings")
    unread = [{entry["name"] for entry in row} for row in readings["unread"]]
    for name in QUANTITIES:
        given = readings[name].is_not_null()
        assert readings.filter(given)[name + "_u"].is_not_null().all(), name
        assert all((name in names) != value for names, value in zip(unread, given, strict=True)), name


def test_cause_probabilities_cover_every_code_and_sum_to_one(home: Workspace) -> None:
    for causes in ask(home, "SELECT causes FROM watchlist")["causes"]:
        assert {cause["code"] for cause in causes} == set(CAUSE_CODES)
        assert sum(cause["probability"] for cause in causes) == pytest.approx(1.0)


def test_main_peaks_agree_with_the_generator(home: Workspace) -> None:
    """Healthy good captures of the committed fleet: 95 % within three standard uncertainties of the truth."""
    truth = pl.read_parquet(SMALL_FLEET / "truth_captures.parquet")
    name = "main_peak_g_s"
    read = ask(
        home,
        f"SELECT c.file, c.delivery, r.{name}, r.{name}_u FROM captures c JOIN readings r USING (capture_id) "
        f"WHERE c.grade = 'good' AND r.{name} IS NOT NULL AND len(r.marked) = 0",
    )
    both = read.with_columns(pl.col("file").str.split("/").list.last()).join(
        truth.with_columns(pl.col("file").str.split("/").list.last()).select(
            "file", "delivery", pl.col(name).alias("true")
        ),
        on=["file", "delivery"],
    )
    assert both.height >= 20
    error = np.abs(both[name].to_numpy() / both["true"].to_numpy() - 1.0)
    assert np.quantile(error, 0.9) < 0.01


def test_a_second_run_changes_not_a_byte(own_home: Workspace) -> None:
    home = own_home
    run_steps(home)  # a copy stands elsewhere: its view of the samples is made again
    before = hashlib.sha256(home.published_path.read_bytes()).hexdigest()
    stamp = home.published_path.stat().st_mtime_ns
    assert steps.intake(home.root) == ()
    assert steps.read_captures(home.root) == 0
    tracked = steps.track(home.root, steps.resolve_week(home.root, None))
    assert not tracked.changed
    assert hashlib.sha256(home.published_path.read_bytes()).hexdigest() == before
    assert home.published_path.stat().st_mtime_ns == stamp


def test_the_published_file_shows_every_stored_sample(home: Workspace) -> None:
    """Through the view, as any SQL client sees it; the warehouse has the same view."""
    stored = ask(home, "SELECT sum(samples * len(channels))::BIGINT AS n FROM waveforms").item()
    for path in (home.published_path, home.warehouse_path):
        with duckdb.connect(str(path), read_only=True) as connection:
            shown = connection.execute("SELECT count(*) FROM waveform_samples").fetchall()
            assert shown == [(stored,)]


def test_the_check_of_every_delivery_is_kept_and_agrees_with_the_quarantine(home: Workspace) -> None:
    for delivery, rows in ask(home, "SELECT delivery, rows FROM deliveries WHERE rows > 0").iter_rows():
        broken = ask(
            home, f"SELECT count(*) FROM quarantine WHERE delivery = '{delivery}' AND rule LIKE '%\\_value' ESCAPE '\\'"
        )
        check = kept(home.checks, delivery)[0]  # of all its rows; later ones are of what was tried again
        assert {r["result"]["element_count"] for result in check["results"] for r in result["results"]} == {rows}
        assert all(result["success"] for result in check["results"]) is (broken.item() == 0)


def test_a_moved_workspace_gets_its_view_again(home: Workspace, tmp_path: Path) -> None:
    moved = shutil.copytree(home.root, tmp_path / "elsewhere")
    run = published_run(home.published_path)
    assert run is not None
    assert published_run(moved / "published.duckdb") is None
    assert published_run(moved / "published.duckdb", whole=False) == run
    run_steps(open_workspace(moved))
    assert published_run(moved / "published.duckdb") == run


def test_an_earlier_week_sees_nothing_later(own_home: Workspace) -> None:
    workspace, newest = own_home, LAST_RUN
    first = ask(workspace, "SELECT min(week) FROM captures").item()
    full = ask(workspace, "SELECT * FROM watchlist ORDER BY ALL")
    assert run_steps(workspace, first) == first
    for table in ("captures", "trends", "watchlist", "work_orders"):
        assert ask(workspace, f"SELECT count(*) FROM {table} WHERE week > '{first}'").item() == 0
    run_steps(workspace)
    again = ask(workspace, "SELECT * FROM watchlist ORDER BY ALL")
    assert newest > first
    assert again.filter(pl.col("week") == newest).drop("new").equals(full.filter(pl.col("week") == newest).drop("new"))


def test_any_order_of_arrival_gives_the_same_state(tmp_path: Path, home: Workspace) -> None:
    workspace = small_home(tmp_path / "home")
    deliveries = sorted(workspace.inbox.iterdir(), reverse=True)
    aside = tmp_path / "aside"
    aside.mkdir()
    for delivery in deliveries:
        shutil.move(delivery, aside / delivery.name)
    for delivery, week in (
        (deliveries[: len(deliveries) // 2], None),
        (deliveries[len(deliveries) // 2 :], FIRST_RUN),
    ):
        for path in delivery:
            shutil.move(aside / path.name, workspace.inbox / path.name)
        run_steps(workspace, week)
    lay_decisions(workspace)
    run_steps(workspace)
    columns = "van_id, week, quantity, round(value, 9) AS value, round(z, 6) AS z, alarm"
    query = f"SELECT {columns} FROM trends ORDER BY van_id, week, quantity"
    assert ask(workspace, query).equals(ask(home, query))


def test_an_earlier_week_has_an_order_for_every_van_on_its_list(own_home: Workspace) -> None:
    workspace = own_home
    later = ask(workspace, "SELECT order_id, van_id, state FROM work_orders ORDER BY ALL")
    weeks = ask(workspace, "SELECT DISTINCT week FROM captures ORDER BY week")["week"].to_list()
    run_steps(workspace, weeks[-2])
    listed = ask(workspace, f"SELECT van_id FROM watchlist WHERE week = '{weeks[-2]}'")["van_id"].to_list()
    ordered = ask(workspace, "SELECT van_id FROM work_orders")["van_id"].to_list()
    assert set(listed) <= set(ordered)
    run_steps(workspace)
    again = ask(workspace, "SELECT order_id, van_id FROM work_orders")
    assert set(later["van_id"]) <= set(again["van_id"])
    stood = later.filter((pl.col("state") != "proposed") | pl.col("van_id").is_in(listed))
    assert stood.height > 3
    assert set(stood["order_id"]) <= set(again["order_id"])  # a proposal for a van that left the list was withdrawn


def test_a_listed_van_may_leave_the_register_and_a_family_may_break(own_home: Workspace) -> None:
    workspace, week = own_home, LAST_RUN
    listed = ask(workspace, f"SELECT van_id, family FROM watchlist WHERE week = '{week}' ORDER BY rank")
    assert listed.height > 0
    gone = listed["van_id"][0]
    vans = workspace.register / "vans.csv"
    kept = [line for line in vans.read_text().splitlines() if not line.startswith(f"{gone},")]
    vans.write_text("\n".join(kept) + "\n")
    assert run_steps(workspace) == week
    assert gone not in ask(workspace, f"SELECT van_id FROM watchlist WHERE week = '{week}'")["van_id"]
    assert ask(workspace, f"SELECT count(*) FROM captures WHERE van_id = '{gone}'").item() > 0
    families = workspace.register / "families.toml"
    families.write_text(families.read_text().replace('aspiration = "turbo"', 'aspiration = "steam"', 1))
    assert run_steps(workspace) == week
    assert ask(workspace, "SELECT count(*) FROM captures").item() > 0


def test_a_file_that_is_no_decision_is_found_by_check(own_home: Workspace) -> None:
    workspace = own_home
    (workspace.decisions / "note.json").write_text("{}")
    assert any("note.json" in finding for finding in check_workspace(workspace))


def test_kept_models_come_back_the_same(home: Workspace) -> None:
    kept = sorted(home.models.glob("*.skops"))
    cards = json.loads((home.models / "cards.json").read_text())
    assert len(cards) >= len(kept)
    for path in kept:
        assert hasattr(load_model(path), "predict")


def test_the_workspace_is_sound_apart_from_what_was_planted(home: Workspace) -> None:
    findings = check_workspace(home)
    waiting = ask(home, "SELECT count(*) FROM quarantine WHERE state = 'waiting'").item()
    assert all("\n" not in finding for finding in findings)
    assert bool(findings) == bool(waiting)


def test_summary_reads_and_serialises() -> None:
    summary = WeeklySummary("2026-W14", (), 0, {"now": 1}, 1, ({"text": "a notice"},), False)
    assert "1 now, 0 plan, 0 watch" in summary.text()
    assert "a notice" in summary.text("de")
    assert json.loads(json.dumps(summary.document()))["watchlist"] == {"now": 1}
