"""A fleet that is recorded at idle alone, through the whole chain: followed for what idle tells, silent while it is healthy."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from dashboards.text import grade, message
from data_contracts.capture import Conditions
from pipelines.commands.at_the_van import Target
from pipelines.commands.read import read_file
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.workspace.workspace import Workspace
from tests.dashboards.conftest import View
from tests.idle_fleet import FAULT_FROM, LEAKING, STARVED, VANS, WEEKS, idle, idle_home
from tests.pipelines.small_home import run_steps


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = idle_home(tmp_path_factory.mktemp("idle") / "home")
    run_steps(made)
    return made


def test_every_idle_is_held_and_followed(home: Workspace) -> None:
    captures = open_published(home.root).ask(
        "SELECT DISTINCT grade, list_contains(grade_reasons, 'idle_only') AS idle FROM captures"
    )
    assert captures.to_dicts() == [{"grade": "repeat", "idle": True}]
    followed = open_published(home.root).ask(
        "SELECT van_id, count(DISTINCT week) AS weeks FROM trends WHERE quantity = 'idle_g_s' GROUP BY ALL"
    )
    assert followed["weeks"].to_list() == [WEEKS] * VANS
    assert (
        open_published(home.root).ask("SELECT count(*) AS n FROM trends WHERE quantity = 'main_peak_reference_g_s'")[
            "n"
        ][0]
        == 0
    )


def test_47_healthy_idles_stay_silent_and_faults_are_listed_by_what_idle_tells(home: Workspace) -> None:
    listed = open_published(home.root).ask(
        "SELECT van_id, leading_cause FROM watchlist WHERE week = (SELECT max(week) FROM watchlist)"
    )
    assert dict(listed.iter_rows()) == {LEAKING: "unmetered_air", STARVED: "injector_restricted"}
    alarms = open_published(home.root).ask(
        "SELECT van_id, quantity, min(week) AS since FROM trends WHERE alarm GROUP BY ALL"
    )
    told = {van: set(part["quantity"]) for (van,), part in alarms.group_by("van_id")}
    assert told == {
        LEAKING: {"idle_g_s", "trim_idle_pct", "trim_2500_pct"},
        STARVED: {"cycle_ripple", "trim_idle_pct", "trim_2500_pct"},
    }
    first = f"2025-W{FAULT_FROM + 2:02d}"  # the first recording of the year is of week 2
    assert alarms["since"].min() >= first  # type: ignore[operator]


def test_no_idle_counts_as_a_failed_snap(home: Workspace) -> None:
    published = open_published(home.root)
    week = str(open_published(home.root).ask("SELECT max(week) AS week FROM captures")["week"][0])
    counted = queries.week_in_numbers(published, week)
    assert (counted["captures"], counted["repeat"], counted["idle_only"]) == (VANS, 0, VANS)


def test_the_board_says_idle_only_in_words(home: Workspace, view: View) -> None:
    week = view("this_week", home.root)
    assert any(message("week.idle_only", part=VANS) in element.value for element in week.markdown)
    app = view("captures", home.root)
    assert not app.exception
    shown = {metric.label: metric.value for metric in app.metric}
    assert shown[grade("idle_only")] == str(VANS)
    assert shown[grade("repeat")] == "0"
    app.multiselect(key="captures-grade").set_value(["idle_only"]).run()
    of_van = message("captures.of_visit")
    listed = [table.value for table in app.table if of_van in table.value.columns]
    cells = [cell for table in listed for cell in table[of_van]]
    assert cells
    assert all(grade("idle_only") in cell.replace("\\", "") for cell in cells)
    page = view("a_van", home.root, van=LEAKING)
    page.session_state["fold-reading"] = True
    assert not page.run().exception
    assert grade("idle_only") in " ".join(str(each.value) for each in page.markdown)


@pytest.mark.parametrize(("language", "told"), [("en", "IDLE ONLY"), ("de", "NUR LEERLAUF")])
def test_the_command_line_says_it_in_words(home: Workspace, tmp_path: Path, language: str, told: str) -> None:
    file, register = tmp_path / "idle.csv", tmp_path / "register"
    shutil.copytree(home.register, register)
    idle(np.random.default_rng(1)).write_csv(file)
    (tmp_path / "settings.toml").write_text(f'[display]\nlanguage = "{language}"\n', encoding="utf-8")
    warm = Conditions(coolant_c=90.0, closed_loop=True)
    given = {"family_name": "reed-16", "register": register, "recorder": "canonical", "conditions": warm}
    one = read_file(file, plot=tmp_path / "idle.svg", target=Target(home=tmp_path), **given)  # type: ignore[arg-type]
    assert told in one.text
    assert told in (tmp_path / "idle.svg").read_text(encoding="utf-8")
    assert one.document["captures"][0]["shown_grade"] == "idle_only"
    assert not one.document["against"]["sent_back"]


def test_at_the_van_an_idle_is_held_against_the_idles_before(home: Workspace, tmp_path: Path) -> None:
    file = tmp_path / "idle.csv"
    given = {"register": home.register, "recorder": "canonical", "plot": None, "target": Target("I0", home.root)}
    usual = open_published(home.root).ask(
        "SELECT median(idle_g_s) AS flow FROM readings JOIN captures USING (capture_id) WHERE van_id = 'I0'"
    )
    for part, verdict in ((1.0, "same"), (0.75, "worse")):
        idle(np.random.default_rng(2), flow=part * float(usual["flow"][0])).write_csv(file)
        warm = Conditions(coolant_c=90.0, intake_air_c=15.0, barometer_kpa=99.0, closed_loop=True)
        against = read_file(file, conditions=warm, **given).document["against"]  # type: ignore[arg-type]
        assert against["verdict"] == verdict
        (flow,) = [row for row in against["quantities"] if row["quantity"] == "idle_g_s"]
        assert flow["own"]["low"] < float(usual["flow"][0]) < flow["own"]["high"]
