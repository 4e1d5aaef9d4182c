"""Everything that is said of a van is the record of its quantities rendered: list, order, plan, warranty file and files."""

import io
import json
import re
import sys
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from dashboards.unbroken import plainly
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from pipelines.cli import run
from pipelines.read_side import queries
from pipelines.read_side.past_snaps import changed_week
from pipelines.read_side.published import families, open_published
from pipelines.read_side.van_card import hurts_most, in_short_of
from pipelines.reports.driver_sheet import driver_pdf
from pipelines.reports.list_pdf import list_pdf
from pipelines.reports.order_pdf import draw_latest, orders_pdf
from pipelines.reports.orders import open_orders, orders_text
from pipelines.workspace.settings import DisplaySettings
from pipelines.workspace.workspace import Workspace
from tests.pdf_text import text_of
from tests.pipelines.small_home import copied_home
from tests.traced_record import NUMBER, english_in, listed, squeezed, traced

VANS = 4
"""Vans whose page is drawn: it takes half a second."""
PAGES = 3
"""Orders set on paper: a page takes half a second."""
ABOUT_NOW = ("own_movement", "limit_crossed", "limit_ahead", "peer_difference", "as_cause_would", "as_cause_may")
"""Facts that state a reading of the van, a limit or the date of a change."""


@pytest.fixture(scope="module", params=["en", "de"])
def home(
    request: pytest.FixtureRequest, judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory
) -> Workspace:
    """The small fleet in either language, which names the folder."""
    workspace = copied_home(judged_small, tmp_path_factory.mktemp("record") / request.param)
    (workspace.root / "settings.toml").write_text(f'[display]\nlanguage = "{request.param}"\n', encoding="utf-8")
    return workspace


def reasons(row: dict[str, Any], language: str) -> list[str]:
    return [render(Fact.from_row(fact), language) for fact in row["reason_facts"]]


def test_list_orders_terminal_and_drivers_sheet_say_the_record(home: Workspace) -> None:
    published, language = open_published(home.root), home.root.name
    orders = open_orders(published)
    listing, terminal = text_of(list_pdf(published, orders)), orders_text(published)
    paper = squeezed(listing).replace("\N{MINUS SIGN}", "-")
    set_pages = text_of(orders_pdf(home, published, orders.head(PAGES)))
    pages = {page.split("\n")[0].split()[0]: page for page in re.split("Work order|Werkstattauftrag", set_pages)[1:]}
    assert len(pages) == PAGES
    of_list = of_order = 0
    for row, record in listed(published):
        told = reasons(row, language)
        of_list += traced(" ".join(told), record, language)
        first = in_short_of(published, [row], row["week"]).get(row["van_id"])
        said = [told[0]] if first is None else [render(first, language)]
        said += [render(hurts, language)] if (hurts := hurts_most(row)) else []
        assert all(squeezed(one) in paper for one in said), said
        for order in orders.filter(pl.col("van_id") == row["van_id"])["order_id"]:
            if order in pages:
                told_there = squeezed(pages[order]).replace("\N{MINUS SIGN}", "-")
                assert all(squeezed(one) in told_there for one in said), said  # the sentences of the van's page
                of_order += 1
                assert re.search(rf"(?:No|Nr)\. {row['rank']} ", pages[order])
        assert any(line.startswith(f"{row['rank']:>4}  ") and row["van_id"] in line for line in terminal.splitlines())
    assert of_list >= 60
    assert of_order >= 2
    sheet = text_of(driver_pdf(published, row["van_id"], DisplaySettings(language=language)))  # type: ignore[arg-type]
    assert not re.search(rf"{NUMBER} (?:g/s|V|s)\b", sheet)  # it states no reading, so none that differs
    if language == "de":
        assert {
            name: english_in(text) for name, text in (("list", listing), ("order", set_pages), ("sheet", sheet))
        } == {
            "list": [],
            "order": [],
            "sheet": [],
        }


def test_every_fact_about_a_reading_holds_the_figures_of_the_record(home: Workspace) -> None:
    published = open_published(home.root)
    seen = 0
    for row, record in listed(published):
        orders = queries.van_orders(published, row["van_id"], row["week"]).filter(pl.col("state") == "proposed")
        told = [row["reason_facts"], *orders["reason_facts"].to_list()]
        for each in (fact for facts in told for fact in facts if fact["code"] in ABOUT_NOW):
            fact = Fact.from_row(each)
            of = record[fact.quantity or ""]
            expected = fact.numbers.get("baseline", fact.numbers.get("expected"))
            if "level" in fact.numbers and fact.words.get("scale") != "scatter":
                assert fact.numbers["level"] == pytest.approx(of["level"]), fact
                assert expected is None or expected == pytest.approx(of["baseline"]), fact
                seen += 1
            if "onset" in fact.words:
                assert (fact.words["since"], fact.words["onset"]) == (of["alarm_since"], of["onset_week"])
    assert seen >= 15


def test_the_verdict_of_a_van_holds_the_figures_of_its_record(home: Workspace) -> None:
    published = open_published(home.root)
    seen = 0
    for row, record in listed(published):
        fact = in_short_of(published, [row], row["week"]).get(row["van_id"])
        if fact is None or fact.code != "in_short":
            continue
        of = record[fact.quantity or ""]
        peers = fact.numbers.get("peer_baseline")
        assert fact.numbers["level"] == pytest.approx(of["level"]), fact
        assert peers is None or peers == pytest.approx(of["peer_baseline"]), fact
        assert fact.numbers.get("baseline") == (None if peers is not None else of["baseline"]), fact
        told = [Fact.from_row(each) for each in row["reason_facts"]]
        assert fact.numbers["level"] in [each.numbers.get("level") for each in told if each.quantity == fact.quantity]
        seen += 1
    assert seen >= 3


def test_list_and_order_show_a_van_by_the_same_quantity(judged_small: Workspace) -> None:
    published, same = open_published(judged_small.root), 0
    for row, _ in listed(published):
        fact = in_short_of(published, [row], row["week"]).get(row["van_id"])
        orders = queries.van_orders(published, row["van_id"], row["week"]).filter(pl.col("state") == "proposed")
        if fact is None or not orders.height:
            continue
        told = [each for each in orders["reason_facts"][0].to_list() if each.get("quantity")]
        assert not told or told[0]["quantity"] == fact.quantity, (row["van_id"], told[0], fact)
        same += bool(told)
    assert same >= 3


def test_the_picture_on_the_card_lies_over_the_visits_of_the_orders_page(
    judged_small: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    with duckdb.connect(str(home.published_path)) as connection:  # another quantity began to move before the one told
        connection.execute(
            "UPDATE trends SET onset_low = (SELECT min(week) FROM trends t WHERE t.van_id = trends.van_id AND week > "
            "'2026-W08') WHERE alarm AND quantity NOT IN ('main_peak_reference_g_s', 'lambda_full_throttle')"
        )
    monkeypatch.setenv("VANSNAP_HOME", str(home.root))
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])  # a page that is drawn takes its place
    published, day, same = open_published(home.root), r"\d{4}-\d\d-\d\d", 0
    for row, _ in list(listed(published))[:VANS]:
        app = AppTest.from_string("from dashboards import a_van\na_van.show()\n", default_timeout=120)
        app.query_params["van"] = row["van_id"]
        texts = [plainly(one.value).replace("\\", "") for one in app.run().markdown]
        assert not app.exception
        found = [text for text in texts if re.search(rf": {day}\. (?:Grey|Grau): \d", text)]
        visits = queries.van_visits(published, row["van_id"], row["week"], limit=200)
        changed = changed_week(published, row["van_id"], row["week"])
        caption = draw_latest(published, visits, families(home.root).get(row["family"]), changed)[1]
        for text in found:
            assert re.findall(day, text) == re.findall(day, caption)
            same += 1
    assert same


def test_the_warranty_file_says_the_record_in_its_report_and_its_data(home: Workspace, tmp_path: Path) -> None:
    language = home.root.name
    row, record = list(listed(open_published(home.root)))[1]  # beyond two limits, eight quantities outside
    out = tmp_path / "x.zip"
    assert run(["evidence", row["van_id"], "--home", str(home.root), "--out", str(out)]) == 0
    with zipfile.ZipFile(out) as archive:
        report = text_of(archive.read(next(name for name in archive.namelist() if name.endswith("report.pdf"))))
        data = pl.read_parquet(io.BytesIO(archive.read("data/tables/trends.parquet")))
    assert traced(report, record, language) >= 50
    assert (english_in(report) == []) == (language == "de")
    assert all(squeezed(one) in squeezed(report) for one in reasons(row, language))
    assert all(last == record[last["quantity"]] for last in data.group_by("quantity").last().iter_rows(named=True))


def test_files_hold_the_record(judged_small: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "orders"
    for ending in ("csv", "json"):
        assert run(["orders", "--home", str(judged_small.root), "--out", f"{out}.{ending}"]) == 0
    table = pl.read_csv(f"{out}.csv")
    told = json.loads(Path(f"{out}.json").read_text())["work_orders"]
    place = {row["van_id"]: (row["rank"], record) for row, record in listed(open_published(judged_small.root))}
    assert dict(table.select("van_id", "list_rank").iter_rows()) == {van: rank for van, (rank, _) in place.items()}
    assert table["list_rank"].to_list() == sorted(table["list_rank"].to_list())
    held = [
        sum(traced(row["reason"], place[row["van_id"]][1], "en") for row in rows if row["state"] == "proposed")
        for rows in (told, table.to_dicts())
    ]
    assert held[0] == held[1] >= 2
