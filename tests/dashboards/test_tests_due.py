"""Tests of the coming week on *This week*: its states without a browser, its way in one, and who sees what."""

import re
from pathlib import Path

import duckdb
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboards import tests_due
from dashboards.display import LANGUAGE_KEY
from dashboards.text import inert, message
from pipelines.read_side import testing_queries as queries
from pipelines.read_side.order_queries import jobs_worth
from pipelines.read_side.published import Published, open_published
from pipelines.read_side.queries import weeks
from pipelines.read_side.restricted import restricted
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import ARGUMENTS, DESKTOP, PHONE, WAIT_MS, open_page
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet with a van that was never recorded and one that should have been."""
    made = tmp_path_factory.mktemp("tests-due") / "home"
    make_workspace(made, vans_per_depot=4, weeks=12, never_seen=("N-90",))
    with duckdb.connect(str(made / "published.duckdb")) as connection:
        connection.execute(
            "UPDATE test_plan SET overdue = true, next_test = next_test - 60, last_seen = last_seen - 60, "
            "unseen_until = unseen_until - 60 WHERE van_id = 'S-01'"
        )
    return made


@pytest.fixture
def published(home: Path) -> Published:
    return open_published(home)


def week_of_list(published: Published) -> str:
    return str(published.ask("SELECT max(week) AS week FROM test_plan")["week"][0])


def lines(app: AppTest) -> list[list[str]]:
    """The lists of vans, a line each."""
    told = [element.value.splitlines()[::2] for element in app.markdown]
    return [part for part in told if part and all(re.match(r"- \*\*\S+\*\* \(", line) for line in part)]


def unfold(app: AppTest, *folds: str) -> None:
    """Open parts of the section, and run the page again."""
    for name in folds:
        app.session_state[f"fold-tests-{name}"] = True
    app.run()


def van_of(line: str) -> str:
    return line.split("**")[1]


def test_sums_of_depots_are_those_of_the_fleet(published: Published) -> None:
    week = week_of_list(published)
    whole = queries.totals(published, week, ())
    parts = queries.by_depot(published, week, ())
    assert parts["depot"].to_list() == ["north", "south"]
    for name in ("vans", "chosen", "overdue", "never_seen", "no_room", "month_cost", "month_saving"):
        assert parts[name].sum() == pytest.approx(whole[name]), name
    assert (whole["vans"], whole["never_seen"], whole["overdue"]) == (9, 1, 1)
    assert queries.totals(published, week, ["south"])["never_seen"] == 0
    assert queries.vans(published, week, ["north"], "never_seen", limit=5)["van_id"].to_list() == ["N-90"]
    assert queries.vans(published, week, (), "all", limit=3).height == 3


def test_a_week_without_a_plan_says_how_to_get_one(view: View, home: Path, published: Published) -> None:
    week = week_of_list(published)
    earlier = str(published.ask("SELECT min(week) AS week FROM watchlist")["week"][0])
    assert not queries.has_plan(published, earlier)
    app = view("this_week", home, week=earlier)
    assert not app.exception
    assert any(message("tests.none", week=earlier) in element.value for element in app.markdown)
    assert message("tests.metric") not in [metric.label for metric in app.metric]
    assert any(message("tests.metric") == metric.label for metric in view("this_week", home, week=week).metric)


@pytest.mark.parametrize(("language", "word"), [("en", "Never seen"), ("de", "Nie gesehen")])
def test_the_section_names_vans_days_odds_and_money(
    view: View, home: Path, published: Published, language: str, word: str
) -> None:
    week = week_of_list(published)
    app = view("this_week", home, week=week)
    app.session_state[LANGUAGE_KEY] = language
    app.run()
    unfold(app, "all", "never_seen", "chosen")
    assert not app.exception
    labels = [expander.label for expander in app.expander]
    assert f"{word} (1)" in labels
    listed = lines(app)
    everyone = map(inert, queries.vans(published, week, (), "all", limit=99)["van_id"])
    assert sorted(map(van_of, listed[-1])) == sorted(everyone)
    assert any(len(part) == 1 and van_of(part[0]) == inert("N-90") for part in listed)
    assert not any("None" in line or "nan" in line for part in listed for line in part)
    text = " ".join(element.value for element in app.markdown)
    counts = queries.totals(published, week, ())
    assert f"{round(counts['month_saving'])} EUR" in text


def test_the_list_joins_what_visits_cost_and_what_their_jobs_save_in_the_figure_of_the_workshop(
    view: View, home: Path, published: Published
) -> None:
    """One sum, told where the visits are planned and where the jobs are done; orders of now are not held against a plan of then."""
    jobs, saving = jobs_worth(published, [])
    assert jobs >= 2
    assert saving > 0
    joined = f"{jobs} open jobs save about"
    week = [one.value for one in view("this_week", home).markdown if joined in one.value]
    workshop = [one.value for one in view("workshop", home).markdown if "Together they save about" in one.value]
    assert len(week) == len(workshop) == 1
    worth = re.search(r"save about ([^*]* EUR) more, once, against waiting 26 weeks", week[0])
    assert worth is not None
    assert f"save about {worth[1]} against waiting 26 weeks" in workshop[0]
    before = weeks(published)[1]
    assert not [one for one in view("this_week", home, week=before).markdown if joined in one.value]


def test_each_depot_lists_its_own_vans_to_test(view: View, home: Path, published: Published) -> None:
    week = week_of_list(published)
    app = view("this_week", home, week=week)
    assert not lines(app)
    unfold(app, "chosen")
    for depot, told in zip(("north", "south"), lines(app), strict=True):
        mine = queries.vans(published, week, [depot], "chosen", limit=99)["van_id"]
        assert [van_of(line) for line in told] == [inert(van) for van in mine]


def test_the_depots_of_the_filter_are_those_shown(view: View, home: Path, published: Published) -> None:
    app = view("this_week", home, week=week_of_list(published))
    app.multiselect(key="depot").set_value(["south"]).run()
    unfold(app, "all", "chosen")
    assert lines(app)
    assert not app.exception
    assert {van_of(line)[0] for part in lines(app) for line in part} == {"S"}


def test_a_person_of_one_depot_sees_its_vans_and_its_money_only(published: Published) -> None:
    week = week_of_list(published)
    mine = restricted(published, ["south"])
    assert queries.by_depot(mine, week, ())["depot"].to_list() == ["south"]
    assert queries.totals(mine, week, ()) == queries.totals(published, week, ["south"])
    assert queries.totals(mine, week, ["north"])["vans"] == 0
    assert queries.vans(mine, week, (), "never_seen", limit=9).is_empty()


@pytest.mark.browser
def test_the_engineer_takes_the_tests_of_the_week_along(chromium: str, home: Path, tmp_path: Path) -> None:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with serving(home) as address, playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        context = browser.new_context(viewport=DESKTOP, accept_downloads=True)
        context.set_default_timeout(WAIT_MS)
        page = context.new_page()
        open_page(page, address)
        assert page.get_by_role("heading", name="Tests for").is_visible()
        assert page.get_by_text("A month of visits costs").is_visible()
        page.get_by_text("Never seen (1)").click()
        page.get_by_text("N-90").first.wait_for()
        with page.expect_download() as waiting:
            page.locator(".st-key-download-tests button").click()
        waiting.value.save_as(tmp_path / "tests.csv")
        told = pl.read_csv(tmp_path / "tests.csv")
        assert told.columns[:5] == ["week", "van_id", "family", "depot", "rank"]
        assert told.height == 9
        assert told.filter(pl.col("van_id") == "N-90")["last_seen"].to_list() == [None]
        assert set(told.filter("chosen")["test_week"]) == {told["test_week"].drop_nulls().min()}
        page.set_viewport_size(PHONE)
        open_page(page, address)
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
        context.close()
        browser.close()


def test_of_many_depots_those_with_most_to_test_are_listed(
    view: View, home: Path, published: Published, monkeypatch: pytest.MonkeyPatch
) -> None:
    week = week_of_list(published)
    counts = queries.by_depot(published, week, ())
    most, other = counts.sort("chosen", "depot", descending=[True, False])["depot"]
    monkeypatch.setattr(tests_due, "DEPOTS_LISTED", 1)
    app = view("this_week", home, week=week)
    said = message("tests.depots_listed", count=1, all="2")
    assert any(said in element.value for element in app.markdown)
    unfold(app, "chosen")
    told = {van_of(line) for part in lines(app) for line in part}
    assert told == set(map(inert, queries.vans(published, week, [most], "chosen", limit=99)["van_id"]))
    assert counts.filter(depot=other)["chosen"].item() > 0
    labels = [expander.label for expander in app.expander]
    assert f"{message('tests.all', count=str(counts['vans'].sum()))}" in labels
