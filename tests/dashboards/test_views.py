"""Every view in every state, without a browser."""

import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import escape
from pathlib import Path

import duckdb
import pytest
from streamlit.testing.v1 import AppTest

from dashboards import a_van
from dashboards.decide import moves
from dashboards.text import inert, message
from data_contracts.causes import LOOK_ALIKES
from data_contracts.cautions import CAUTIONS
from data_contracts.limits import SILENT_WEEKS
from data_contracts.weeks import week_end, week_of, week_start
from pipelines.intake import check_results
from pipelines.intake.manifest import check_rows, read_manifest
from pipelines.read_side import order_queries
from pipelines.read_side.published import open_published
from pipelines.workspace.people import SOLE
from tests.dashboards.conftest import BOARD_VIEWS, View, everything
from tests.deciding_home import deciding_home as made_deciding_home
from tests.published_sample import make_workspace


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_a_view_opens_without_an_error(view: View, name: str) -> None:
    app = view(name)
    assert not app.exception
    assert len(app.title) == 1


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_no_workspace_says_how_to_make_one(view: View, name: str, tmp_path: Path) -> None:
    app = view(name, tmp_path / "nowhere")
    assert not app.exception
    assert app.title[0].value == message("state.no_home")
    assert "vansnap init" in everything(app)


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_nothing_published_says_which_command_to_run(view: View, name: str, tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("", encoding="utf-8")
    app = view(name, tmp_path)
    assert app.title[0].value == message("state.nothing_published")
    assert "vansnap weekly" in everything(app)


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_a_damaged_file_says_so(view: View, name: str, tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("", encoding="utf-8")
    (tmp_path / "published.duckdb").write_bytes(os.urandom(20_000))
    app = view(name, tmp_path)
    assert not app.exception
    assert app.title[0].value == message("state.broken")


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_a_file_of_another_version_says_so(view: View, name: str, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute("DROP TABLE watchlist; DROP TABLE captures; DROP TABLE work_orders")
    app = view(name, tmp_path)
    assert not app.exception
    assert "vansnap weekly" in everything(app)


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_an_old_run_is_called_stale(view: View, name: str, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9, finished_at=datetime.now(UTC) - timedelta(days=30))
    app = view(name, tmp_path)
    assert not app.exception
    assert "30 days ago" in app.warning[0].value


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_a_held_file_says_so(view: View, name: str, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    hold = "import duckdb, sys, time\nc = duckdb.connect(sys.argv[1])\nprint('held', flush=True)\ntime.sleep(60)"
    other = subprocess.Popen([sys.executable, "-c", hold, str(tmp_path / "published.duckdb")], stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        app = view(name, tmp_path)
        assert not app.exception
        assert app.title[0].value == message("state.locked")
    finally:
        other.kill()
        other.wait()


def test_an_empty_list_says_that_nothing_needs_doing(view: View, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=4)
    app = view("this_week", tmp_path)
    assert "Nothing needs doing" in app.success[0].value


@pytest.mark.parametrize("ever", [True, False])
def test_an_empty_list_without_a_visit_of_late_is_no_all_clear(view: View, tmp_path: Path, ever: bool) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=4)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        (last,) = connection.execute("SELECT max(week) FROM captures").fetchone() or ("",)
        connection.execute("UPDATE runs SET week = ?", [week_of(week_end(last) + timedelta(weeks=SILENT_WEEKS - 1))])
        if not ever:
            connection.execute("DELETE FROM captures")
    app = view("this_week", tmp_path)
    assert not app.success
    assert (f"No van has been seen since {last}" if ever else "No van has been seen up to") in app.warning[0].value


def test_a_workspace_without_vans_says_where_to_add_them(view: View, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=0, weeks=4)
    for name in BOARD_VIEWS:
        assert not view(name, tmp_path).exception, name
    assert "register/vans.csv" in view("a_van", tmp_path).info[0].value


def test_the_list_ranks_the_faulty_vans_with_reasons_and_causes(view: View) -> None:
    shown = everything(view("this_week"))
    for words in ("1. N\\-02", "Lambda sensor slow", "Injector restricted", "Do first:", "▲ now"):
        assert words in shown or words in str([b.value for b in view("this_week").markdown]), words


def test_a_notice_about_no_single_van_stands_above_the_list(view: View) -> None:
    assert "check recorder REC\\-N1 and the barometer before the vans" in view("this_week").info[0].value


def test_a_filter_narrows_the_list_and_an_empty_result_says_so(view: View) -> None:
    app = view("this_week")
    app.multiselect(key="depot").set_value(["south"]).run()
    shown = everything(app)
    assert "S\\-03" in shown
    assert "N\\-02" not in shown
    app.multiselect(key="urgency").set_value(["watch"]).run()
    assert "matches these filters" in app.info[-1].value


def test_an_earlier_week_can_be_asked_for_by_address(view: View) -> None:
    newest = view("this_week")
    earlier = newest.selectbox(key="week").options[2]
    app = view("this_week", week=earlier)
    assert earlier in app.title[0].value
    assert view("this_week", week="1999-W01").title[0].value == newest.title[0].value


def test_a_van_is_asked_for_by_address(view: View) -> None:
    app = view("a_van", van="S-03")
    shown = everything(app)
    assert "S\\-03" in app.title[0].value
    assert "(meaning?page=causes/airflow_under_reading)" in shown
    assert "brook\\-20" in shown


def test_an_unknown_van_says_so_and_stays_inert(view: View) -> None:
    app = view("a_van", van="<b>[x](https://e.org)")
    assert not app.exception
    assert "is not in the register" in app.warning[0].value
    assert "\\<b\\>" in app.warning[0].value


def test_a_note_of_the_register_stays_inert(view: View) -> None:
    shown = everything(view("a_van", van="N-03"))
    assert "\\<script\\>" in shown
    assert "<script>" not in shown.replace("\\<script\\>", "")
    assert "](https://example.org" not in shown


def test_a_healthy_van_says_that_nothing_stands_out(view: View) -> None:
    app = view("a_van", van="N-04")
    assert "nothing about this van stands out" in app.success[0].value
    assert not app.table
    app.session_state["fold-past"] = True
    assert "air filter replaced" in str([t.value for t in app.run().table])


def test_captures_account_for_every_row_and_say_how_to_mend(view: View) -> None:
    app = view("captures")
    assert "rows delivered, and every one accounted for: " in everything(app)
    cells = [cell for table in app.table for cell in table.value.iloc[:, 0]]
    assert any(re.match(r"Unknown vans? \S+: add (it|them) to the register\. :gray\[", cell) for cell in cells)
    assert any(":gray[Push the pedal to the floor" in cell for cell in cells)


def test_the_contract_check_of_a_delivery_is_shown_on_request(view: View, sample_home: Path, tmp_path: Path) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    app = view("captures", home)
    box = app.selectbox(key="captures-check")
    assert box.value is None
    assert not app.get("iframe")
    app = box.set_value(box.options[0]).run()
    assert "before checks were kept" in app.info[-1].value
    rows = read_manifest(b"file,van_id,captured_at\na.csv,,2026-03-02T09:15:00+01:00\n")
    found = check_results.of_deliveries({str(box.options[0]): (rows, check_rows(rows))})
    check_results.keep(home / "reports" / "checks", found, now=datetime(2026, 3, 9, tzinfo=UTC))
    app = app.run()
    assert not app.exception
    assert "values must never be null" in app.get("iframe")[0].proto.srcdoc


def test_who_sees_some_depots_is_offered_no_delivery(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    """A delivery holds rows of any depot, so its check is for those who see them all."""
    monkeypatch.setattr("dashboards.parts.me", lambda: replace(SOLE, depots=("north",)))
    app = view("captures")
    assert not app.exception
    assert [box.key for box in app.selectbox] == ["week"]


def test_captures_filtered_to_nothing_say_so(view: View) -> None:
    app = view("captures")
    app.selectbox(key="week").set_value(app.selectbox(key="week").options[-1])
    app.multiselect(key="captures-depot").set_value(["north"])
    app.multiselect(key="captures-grade").set_value(["repeat"]).run()
    assert not app.exception


def test_a_run_that_publishes_is_seen_without_a_restart(view: View, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=2, weeks=9)
    app = view("this_week", tmp_path)
    assert "4" in app.metric[3].value
    time.sleep(0.01)
    make_workspace(tmp_path, vans_per_depot=3, weeks=9)
    assert "6" in app.run().metric[3].value


def test_the_address_always_names_what_it_shows(view: View) -> None:
    app = view("a_van")
    assert app.query_params["van"] == "N-01"
    assert app.query_params["week"] == app.selectbox(key="week").value
    app.selectbox(key="van").set_value("S-03").run()
    assert app.query_params["van"] == "S-03"
    assert "S\\-03" in app.title[0].value
    app.query_params["van"] = "N-02"
    assert "N\\-02" in app.run().title[0].value


def test_the_workshop_lists_jobs_with_hours_and_worth(view: View) -> None:
    app = view("workshop")
    assert "Measure fuel pressure while the engine is snapped" in [job.value for job in app.header]
    cautions = [element for element in app.get("html") if 'class="cautions"' in element.proto.body]
    waiting = [button for button in app.button if (button.key or "").startswith("decide-")]
    assert everything(app).count("Saves about 240 EUR") == len(cautions) == len(waiting)
    assert "· 1.5 h" in everything(app)


@pytest.fixture
def deciding_home(tmp_path: Path) -> Path:
    return made_deciding_home(tmp_path).root


def test_an_order_is_declined_in_place_by_name_and_with_a_reason(
    deciding_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(deciding_home))
    published = open_published(deciding_home)
    order = order_queries.orders(published, [], ["proposed"], limit=1)["order_id"][0]
    app = AppTest.from_string(
        f"from dashboards import decide\ndecide.form({order!r}, 'N-01', 'Look', 'proposed')\n", default_timeout=120
    ).run()
    app.button_group(key=f"move-{order}").set_value("declined").run()
    app.button(key=f"save-{order}").click().run()
    assert [e.value for e in app.error] == [message("decide.who")]
    app.text_input(key="decide-person").set_value("A. Fitter").run()
    app.button(key=f"save-{order}").click().run()
    assert "reason" in app.error[0].value
    app.text_input(key="decide-reason").set_value("sold next week").run()
    app.button(key=f"save-{order}").click().run()
    assert not app.exception
    after = open_published(deciding_home).ask("SELECT order_id, state, person, reason, refused FROM order_events")
    assert after.rows() == [(order, "declined", "A. Fitter", "sold next week", None)]
    states = open_published(deciding_home).ask("SELECT state FROM work_orders WHERE order_id = $o", {"o": order})
    assert states["state"].to_list() == ["declined"]


def test_every_state_offers_only_what_a_person_may_do() -> None:
    assert moves("declined") == ["accepted"]
    assert moves("done") == ["done"]
    assert moves("proven") == []
    assert moves("proposed") == ["accepted", "declined", "postponed", "booked", "done"]


def test_an_order_shows_what_to_rule_out_and_how_a_hybrid_is_snapped(
    view: View, sample_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = a_van.families(sample_home)
    hybrids = {name: replace(family, hybrid="full") for name, family in known.items()}
    monkeypatch.setattr(a_van, "families", lambda root: hybrids)
    orders = order_queries.orders(open_published(sample_home), [], ["proposed"], limit=50)
    order = next(row for row in orders.iter_rows(named=True) if LOOK_ALIKES.get(row["cause"]))
    app = view("a_van", van=order["van_id"], order=order["order_id"])
    shown = everything(app)
    assert f"1. Rule out “{LOOK_ALIKES[order['cause']][0].title.en}”" in shown
    beside = [element.proto.body for element in app.get("html")]
    assert any(escape(CAUTIONS["full_hybrid_runs"].text.en) in body for body in beside)


def test_an_order_is_opened_by_its_link_and_an_unknown_one_says_so(view: View, sample_home: Path) -> None:
    order = order_queries.orders(open_published(sample_home), [], ["proposed"], limit=1).row(0, named=True)
    app = view("a_van", van=order["van_id"], order=order["order_id"])
    shown = everything(app)
    assert f"Order {inert(order['order_id'])}" in shown
    assert any(button.key == f"decide-{order['order_id']}" for button in app.button)
    assert "is not among the published ones" in view("a_van", van="N-01", order="no-such").warning[0].value
    other = view("a_van", van="N-04", order=order["order_id"])
    assert "order" not in other.query_params


def test_orders_stand_by_the_day_they_are_due(view: View) -> None:
    app = view("workshop")
    app.button_group(key="workshop-order").set_value("day").run()
    assert not app.exception
    days = [heading.value for heading in app.header if heading.value.startswith("Due ")]
    assert days
    assert all(day.startswith("Due ") and day.split()[1].endswith("day") for day in days)


def test_the_plan_shows_weeks_and_what_is_left_out(view: View, tmp_path: Path) -> None:
    weeks = make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute("UPDATE work_orders SET plan_note = 'no hours left in its weeks', plan_facts = NULL")
        connection.execute(
            "UPDATE work_orders SET plan_week = $week, plan_note = NULL WHERE rank = 1", {"week": weeks[-1]}
        )
    app = view("workshop", tmp_path)
    assert not app.exception
    plan = app.table[0].value
    assert "1 job, 1.5 h (9\u202f%)" in plan[f"{weeks[-1]}, from Monday {week_start(weeks[-1])}"].to_list()
    assert "no hours left in its weeks" in everything(app)
    tables = [table.value for table in app.table]
    ready = next(table for table in tables if "Parts" in table.columns)
    assert ready["Week"].to_list() == [weeks[-1]]
    assert ready["Parts"][0].startswith("1 × ")
    worth = next(table for table in tables if "If nothing is done" in table.columns)
    assert worth["Saved by proven repairs"].to_list() == [message("number.none")] * len(worth)


def test_how_sure_without_findings_says_so_and_with_them_counts(view: View, tmp_path: Path) -> None:
    without = view("how_sure")
    (short,) = [table.value for table in without.table if "So do this" in table.value.columns]
    assert list(short["What we say"])[:2] == ["This van needs a look", "Likely causes"]
    assert list(short["Has it come true?"])[:2] == ["not checked yet", "not checked yet"]
    assert "once orders have 20 findings; 0 are there" in without.markdown[0].value
    assert message("sure.short_no_findings") in everything(without)
    assert not without.metric
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute(
            "UPDATE work_orders SET found = CASE WHEN rank = 1 THEN cause ELSE 'none' END, state = 'done'"
        )
        connection.execute(
            "INSERT INTO learning BY NAME SELECT '2026-W10' AS week, 'cause_share' AS kind, '' AS family, 'lambda_slow' AS "
            "subject, 'share of slow sensors' AS what, 0.05 AS before, 0.08 AS after, '1' AS unit, 0.05 AS \"default\", "
            "3 AS findings, 'three were found' AS why"
        )
        findings = connection.sql("SELECT count(*) FROM work_orders").fetchall()[0][0]
        van_weeks = connection.sql("SELECT count(*) FROM (SELECT DISTINCT van_id, week FROM captures)").fetchall()[0][0]
    app = view("how_sure", tmp_path)
    assert not app.exception
    shown = {metric.label: metric.value for metric in app.metric}
    assert shown[message("sure.findings")] == str(findings)
    assert shown[message("sure.nothing_found")] == str(findings - 1)
    assert float(shown[message("sure.observed")]) == pytest.approx(100 * (findings - 1) / van_weeks, rel=0.05)
    tables = str([table.value for table in app.table])
    assert "share of slow sensors" in tables
    assert "0.0500 → 0.0800" in tables
