"""The board in another language and other units: chosen by one setting, or by the reader."""

import re
from pathlib import Path

import duckdb
import pytest
from streamlit.testing.v1 import AppTest

import dashboards
from dashboards import parts, words_de
from data_contracts.facts.rendering import sentences
from pipelines.read_side.published import open_published
from tests.dashboards.conftest import unlinked
from tests.published_sample import make_workspace

VIEWS = ("this_week", "a_van", "workshop", "captures", "proof", "how_sure", "meaning", "read_one_now")
APP = Path(dashboards.__file__).with_name("app.py")


def _shown(app: AppTest) -> str:
    parts = [*app.markdown, *app.title, *app.header, *app.success, *app.info, *app.caption]
    return " ".join(str(element.value) for element in parts)


@pytest.fixture(scope="module")
def german_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("german") / "home"
    make_workspace(home)
    (home / "settings.toml").write_text('[display]\nlanguage = "de"\nunits = "imperial"\n', encoding="utf-8")
    return home


@pytest.mark.parametrize("name", VIEWS)
def test_every_view_speaks_german(german_home: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = f"from dashboards import display, who, {name}\ndisplay.start(who.home())\n{name}.show()\n"
    app = AppTest.from_string(script, default_timeout=120).run()
    assert not app.exception
    heading = {
        "this_week": "week.heading",
        "a_van": None,
        "read_one_now": "read.heading",
        "how_sure": "sure.heading",
    }.get(name, f"{name}.heading")
    if heading:
        assert app.title[0].value.startswith(words_de.WORDS[heading].split("{")[0])


def test_an_address_asks_for_a_language_and_the_reader_may_choose_another(
    german_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = "from dashboards import display, who, meaning\ndisplay.start(who.home())\nmeaning.show()\n"
    app = AppTest.from_string(script, default_timeout=120)
    for asked, told in (("en", "What it means"), ("de", "Was es bed"), ("no such", "Was es bed")):
        app = AppTest.from_string(script, default_timeout=120)
        app.query_params["language"] = asked
        assert app.run().title[0].value.startswith(told)
    app.session_state["display-language"] = "en"
    assert app.run().title[0].value.startswith("What it means")


@pytest.mark.parametrize("name", ["this_week", "a_van", "workshop"])
def test_what_a_run_found_out_is_told_in_german_units_included(
    german_home: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """No sentence a run stored in English is left: not a reason, an action, a worth, a plan nor a notice."""
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = f"from dashboards import display, who, {name}\ndisplay.start(who.home())\n{name}.show()\n"
    app = AppTest.from_string(script, default_timeout=120)
    app.query_params["van"] = "S-03"
    app.session_state["fold-why"] = True
    shown = unlinked(_shown(app.run())).replace("\\", "")
    tables = {
        "this_week": {"watchlist": ["reasons"], "work_orders": ["action"], "notices": ["text"]},
        "a_van": {"watchlist": ["reasons"]},
        "workshop": {"work_orders": ["action", "worth", "warranty", "plan_note"]},
    }[name]
    published = open_published(german_home)
    for table, columns in tables.items():
        rows = published.ask(f"SELECT * FROM {table}").to_dicts()
        for column in columns:
            english = {one for row in rows for one in sentences(row, column)}
            german = {one for row in rows for one in sentences(row, column, "de", "imperial")}
            assert english
            assert not english & german
            assert not [one for one in english if one in shown]
            assert [one for one in german if one in shown], (table, column)


def test_what_an_order_is_worth_stands_sum_by_sum_in_german() -> None:
    numbers = {"horizon_weeks": 26.0, "failure_avoided": 1175.0, "running": 0.2, "work": -178.0, "total": 997.0}
    row = {"worth": "Expected", "worth_facts": [{"code": "worth", "quantity": None, "numbers": numbers, "words": {}}]}
    script = f"import streamlit as st\nst.session_state['display-language'] = 'de'\nfrom dashboards import order_card\norder_card._worth({row!r}, 'EUR')\n"
    app = AppTest.from_string(script).run()
    assert not app.exception
    (shown,) = (element.proto.body for element in app.get("html"))
    amounts = re.findall(r"<th scope='row'>(.+?)</th><td>(.+?)</td>", shown)
    assert amounts == [
        (words_de.WORDS["worth.failure_avoided"], "+1.175 EUR"),
        (words_de.WORDS["worth.work"], "\u2212178 EUR"),
        (words_de.WORDS["worth.total"], "+997 EUR"),
    ]


@pytest.mark.parametrize(
    ("reason", "named"),
    [
        ("x.csv: can't be read (no column 'Air' nor 'MAF 1'): export it again", "Air, MAF 1"),
        ("van 'N-01' is not in register/vans.csv: add it", "N-01"),
        ("manifest.csv can't be read (it's no table): deliver again", ""),
    ],
)
def test_names_that_a_reason_of_quarantine_quotes_are_told_from_apostrophes(reason: str, named: str) -> None:
    script = (
        "import streamlit as st\nst.session_state['display-language'] = 'de'\nfrom dashboards import text\n"
        f"st.text(text.quarantined('unreadable_file', {reason!r}))\n"
    )
    app = AppTest.from_string(script).run()
    assert not app.exception
    assert re.findall(r" \((.*)\)$", app.text[0].value) == ([named] if named else [])


def test_an_older_file_without_facts_shows_what_was_stored(
    german_home: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    make_workspace(home, vans_per_depot=3)
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        facts = "SELECT table_name, column_name FROM duckdb_columns() WHERE column_name LIKE '%_facts'"
        for table, column in connection.execute(facts).fetchall():
            connection.execute(f'ALTER TABLE "{table}" DROP COLUMN "{column}"')
    monkeypatch.setenv("VANSNAP_HOME", str(home))
    for name in ("this_week", "a_van", "workshop"):
        app = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=120).run()
        assert not app.exception
    assert "Measure fuel pressure while the engine is snapped" in _shown(app)


def test_values_are_shown_in_the_units_of_the_setting(german_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = "from dashboards import display, who, a_van\ndisplay.start(who.home())\na_van.show()\n"
    app = AppTest.from_string(script, default_timeout=120)
    app.query_params["van"] = "N-01"
    app.session_state["fold-trends"] = app.session_state["fold-reading"] = True
    app.run()
    shown = _shown(app)
    assert "Hauptspitze" in shown
    assert "lb/min" in shown
    assert "inHg" in shown
    assert "g/s" not in shown
    assert re.search(r"\d,\d+ ± \d,\d+ lb/min", shown)
    assert not re.search(r"\d\.\d+ lb/min", shown.replace("\\", ""))
    app.session_state["display-units"] = "metric"
    app.session_state["display-language"] = "en"
    shown = _shown(app.run())
    assert "Main peak" in shown
    assert "g/s" in shown
    assert "lb/min" not in shown


def test_columns_of_figures_are_told_from_days_and_words() -> None:
    assert parts._of_figures(["1 234", "−3.2 %", "—", "< 1 %", "2 · 4.4 h (28 %)"])
    assert not parts._of_figures(["2026-07-06", "2026-07-07"])
    assert not parts._of_figures(["2026-W27"])
    assert not parts._of_figures(["north", "12"])
    assert not parts._of_figures([])
