"""Whatever people wrote into names, notes and files is shown, and does nothing; no export holds a formula."""

import csv
import io
import re
from base64 import b64decode
from pathlib import Path

import duckdb
import pytest
from streamlit.testing.v1 import AppTest

import dashboards
import pipelines
from data_contracts.tables import TABLES
from pipelines.read_side.published import open_published
from pipelines.storage.plain_text import spreadsheet_csv
from tests.published_sample import make_workspace

HOSTILE = "=1+1<img src=x onerror=alert(1)> [go](https://example.org) :red[x] $y$"
WRITTEN = {  # what people or their files wrote, by table
    "vans": ("note", "depot"),
    "captures": ("depot", "file", "delivery", "recorder_serial", "fuel"),
    "watchlist": ("depot",),
    "work_orders": ("depot", "action", "reason"),
    "repairs": ("work", "parts", "note"),
    "quarantine": ("file", "delivery", "reason"),
    "deliveries": ("source",),
    "notices": ("text",),
}
VIEWS = ("this_week", "a_van", "workshop", "captures", "proof", "how_sure")
_MARKUP = re.compile(r"(?<!\\)<img|(?<!\\)\]\(https?://|(?<!\\):red\[|(?<!\\)\$y")


@pytest.fixture(scope="module")
def hostile_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("hostile") / "home"
    make_workspace(home)
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        for table, columns in WRITTEN.items():
            for column in columns:
                connection.execute(f'UPDATE "{table}" SET "{column}" = $text', {"text": HOSTILE})
        connection.execute("UPDATE watchlist SET reasons = [$text, $text], reason_facts = NULL", {"text": HOSTILE})
        connection.execute("UPDATE work_orders SET action_facts = NULL, reason_facts = NULL")
        connection.execute(
            "UPDATE notices SET text_facts = [{'code': 'moved_together', 'quantity': 'idle_g_s', 'numbers': MAP {'vans': 6.0},"
            " 'words': MAP {'depot': $text}}]",
            {"text": HOSTILE},
        )
    return home


@pytest.mark.parametrize("name", VIEWS)
def test_what_people_wrote_is_inert_in_every_view(
    hostile_home: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(hostile_home))
    app = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=120)
    app.query_params["van"] = "N-04"
    app.run()
    assert not app.exception
    words = [*app.markdown, *app.title, *app.header, *app.subheader, *app.info, *app.warning, *app.success, *app.error]
    told = [str(element.value) for element in words]
    told += [str(cell) for table in app.table for row in table.value.to_numpy().tolist() for cell in row]
    assert [text for text in told if _MARKUP.search(text)] == []
    if name != "how_sure":
        assert any("onerror" in text for text in told) or name == "proof"


@pytest.mark.parametrize("table", sorted(name for name, table in TABLES.items() if table.published))
def test_no_export_of_any_table_holds_a_formula(hostile_home: Path, table: str) -> None:
    """A cell a spreadsheet computes starts with = + - @ or a control sign (OWASP, CSV injection); numbers may be negative."""
    frame = open_published(hostile_home).ask(f'SELECT * FROM "{table}"')
    texts = {name for name, kind in frame.schema.items() if not kind.is_numeric()}
    for row in csv.DictReader(io.StringIO(spreadsheet_csv(frame))):
        assert not [name for name in texts if row[name][:1] in ("=", "+", "-", "@", "\t", "\r", "\n")]


def test_every_csv_for_people_is_written_in_one_place() -> None:
    allowed = {
        "plain_text.py": 1,  # the one place
        "evidence.py": 1,  # samples: numbers only
        "steps.py": 1,  # only hashed
    }
    written = {
        path.name: count
        for folder in (dashboards, pipelines)
        for path in Path(str(folder.__file__)).parent.rglob("*.py")
        if (count := path.read_text("utf-8").count("write_csv("))
    }
    assert written == allowed


def test_no_view_writes_html_of_its_own() -> None:
    found = [
        path.name
        for path in Path(str(dashboards.__file__)).parent.glob("*.py")
        if "unsafe_allow_html" in path.read_text("utf-8")
        or (re.search(r"st\.html\((?!STYLE\)|OF_THE_THEME\.)", path.read_text("utf-8")) and path.name != "markup.py")
    ]
    assert found == []


def test_what_is_written_as_html_holds_text_from_outside_as_text() -> None:
    script = f"""
from dashboards import drawing, markup
hostile = {HOSTILE + '"><b>'!r}
markup.picture(drawing.drawing([drawing.words(1, 2, hostile, "#000000")], 10, 10, hostile))
markup.bars([(hostile, hostile, 0.5, hostile), (hostile, hostile, 0.5, None)])
markup.sums(hostile, [(hostile, hostile)])
markup.cautions(hostile, [hostile])
markup.photos([("", hostile)])
"""
    app = AppTest.from_string(script).run()
    assert not app.exception
    written = [element.proto.body for element in app.get("html")]
    assert len(written) == 5
    drawn = b64decode(written[0].split("base64,")[1].split('"')[0]).decode()
    assert [body for body in (*written, drawn) if "<img src=x" in body or "<b>" in body] == []
    assert all("&lt;img src=x" in body for body in (*written, drawn))
