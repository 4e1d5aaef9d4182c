"""Captures: by visit, with where each is from, and every spread beside the limit it is judged by."""

import re
import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.read_side.published import open_published
from tests.dashboards.conftest import View, everything, unlinked


def test_captures_stand_by_visit_with_depot_recorder_and_file(view: View, sample_home: Path) -> None:
    """Each visit once, in front of its first capture; every page holds whole visits, and together they hold all."""
    app = view("captures")
    published = open_published(sample_home)
    week = str(app.selectbox(key="week").value)
    every = published.ask("SELECT * FROM captures WHERE week = $week", {"week": week})
    visits, rows, page = 0, 0, 1
    while True:
        (listed,) = [table.value for table in app.table if "Visit" in table.value.columns]
        begun = [cell for cell in listed["Visit"] if cell]
        assert listed["Visit"].iloc[0]
        assert all(re.match(r"\*\*.+\*\* \w+", cell) for cell in begun)
        assert all(", " in cell for cell in listed["File"])
        visits, rows, page = visits + len(begun), rows + len(listed), page + 1
        if visits >= every.select("van_id", "visit").n_unique():
            break
        app.number_input(key="captures-page").set_value(page).run()
    assert rows == every.height
    van = str(every["van_id"][0])
    app.text_input(key="captures-van").set_value(f" {van.lower()} ").run()
    (listed,) = [table.value for table in app.table if "Visit" in table.value.columns]
    assert len(listed) == every.filter(pl.col("van_id") == van).height
    app.text_input(key="captures-van").set_value("%' OR 1=1 --").run()
    assert not app.exception
    assert "No capture matches" in app.info[0].value


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
