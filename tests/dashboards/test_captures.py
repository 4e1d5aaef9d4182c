"""Captures: by visit, with where each is from, and every spread beside the limit it is judged by."""

import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from dashboards.captures import _graded as graded
from pipelines.read_side import capture_queries
from pipelines.read_side.capture_queries import CaptureFilter
from pipelines.read_side.published import open_published
from tests.dashboards.conftest import View, everything, unlinked


def test_captures_stand_by_visit_with_depot_recorder_and_file(view: View, sample_home: Path) -> None:
    """Each visit once, its captures counted by grade; every page holds whole visits, and together they hold all; files below."""
    app = view("captures")
    published = open_published(sample_home)
    week = str(app.selectbox(key="week").value)
    every = published.ask("SELECT * FROM captures WHERE week = $week", {"week": week})
    visits, rows, page = 0, 0, 1
    while True:
        (listed,) = [table.value for table in app.table if "Visit" in table.value.columns]
        (files,) = [
            table.value for table in app.table if list(table.value.columns) == ["Van", "Grade, and why", "File"]
        ]
        assert all(re.match(r"\*\*.+\*\* \w+", cell) for cell in listed["Visit"])
        assert all(", " in cell for cell in files["File"])
        counted = sum(
            int(n)
            for cell in listed["Grade, and why"]
            for n in re.findall(r"\\\((\d+)\\\)", re.sub(r":gray\[.*?(?<!\\)\]", "", cell))
        )
        assert counted == len(files)
        visits, rows, page = visits + len(listed), rows + len(files), page + 1
        if visits >= every.select("van_id", "visit").n_unique():
            break
        app.number_input(key="captures-page").set_value(page).run()
    assert rows == every.height
    van = str(every["van_id"][0])
    app.text_input(key="captures-van").set_value(f" {van.lower()} ").run()
    (listed,) = [table.value for table in app.table if "Visit" in table.value.columns]
    assert len(listed) == every.filter(pl.col("van_id") == van)["visit"].n_unique()
    app.text_input(key="captures-van").set_value("%' OR 1=1 --").run()
    assert not app.exception
    assert "No snap matches" in app.info[0].value


def test_the_head_says_what_to_tell_the_depots_and_that_the_rest_was_used(
    view: View, sample_home: Path, tmp_path: Path
) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        week, depot = connection.execute("SELECT max(week), min(depot) FROM captures").fetchone() or ("", "")
        connection.execute("UPDATE captures SET grade = 'usable', held = NULL, grade_reasons = []")
        connection.execute(
            "UPDATE captures SET grade_reasons = ['hold_short'] WHERE week = ? AND depot = ?", [week, depot]
        )
        of, total = connection.execute(
            "SELECT count(*) FILTER (depot = ?), count(*) FROM captures WHERE week = ?", [depot, week]
        ).fetchone() or (0, 0)
    shown = everything(view("captures", home)).replace("\\", "").replace("\N{NON-BREAKING HYPHEN}", "-")
    assert "Tell the depots: hold the pedal to the floor until the engine no longer gains, about a second." in shown
    assert f"in {of} of {total} snaps; most at {depot} {of} of {of}" in shown
    assert f"{total} of {total} snaps were used: enough for the list of {week}." in shown


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_spread_of_a_recorder_stands_beside_the_limit_it_is_judged_by(
    view: View, sample_home: Path, tmp_path: Path, language: str
) -> None:
    home = shutil.copytree(sample_home, tmp_path / "home")
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        connection.execute("DELETE FROM repeatability")
        for serial, spread in (("A", 0.002), ("B", 0.004), ("C", 0.0121)):
            connection.execute("INSERT INTO repeatability VALUES ('canonical', ?, 3, 9, ?)", [serial, spread])
    app = view("captures", home)
    app.session_state["display-language"] = language
    shown = unlinked(everything(app.run())).replace("\\", "")
    limit = "1.2" if language == "en" else "1,2"
    assert f"{limit} %, " in shown  # three times the middle one, 0.4 %
    spreads = next(table.value.iloc[:, -1].tolist() for table in app.table if "A" in table.value.iloc[:, 0].tolist())
    assert [cell.startswith("▲") for cell in spreads] == [False, False, True]


def test_what_sends_a_snap_back_stands_before_what_marks_the_others_down() -> None:
    def snap(grade: str, *reasons: str) -> dict[str, object]:
        return {"shown_grade": grade, "grade_reasons": list(reasons)}

    mixed = [
        snap("usable", "hold_short", "needles"),
        snap("repeat", "hold_short", "no_snap"),
        snap("usable", "needles"),
    ]
    said = graded(mixed).replace("\\", "")
    assert said.index("record again") < said.index("no throttle snap was found") < said.index("usable")
    assert said.index("usable") < said.index("the pedal was released before") < said.index("(2 of 3)")
    alone = graded([snap("repeat", "needles", "ends_early", "cold", "no_snap")]).replace("\\", "")
    assert alone.endswith("; one more]")
    assert "needles" not in alone
    assert "·" not in alone + graded([snap("good"), snap("usable", "needles")])


def test_visits_with_a_snap_to_record_again_come_first_within_their_week(sample_home: Path) -> None:
    frame = capture_queries.captures(open_published(sample_home), CaptureFilter(), limit=1000)
    visits = frame.group_by("van_id", "visit", maintain_order=True).agg(
        pl.col("week").max(), (pl.col("shown_grade") == "repeat").any().alias("again")
    )
    assert visits["again"].n_unique() == 2
    assert visits["week"].to_list() == sorted(visits["week"], reverse=True)
    for _, week in visits.group_by("week"):
        assert week["again"].to_list() == sorted(week["again"], reverse=True)
