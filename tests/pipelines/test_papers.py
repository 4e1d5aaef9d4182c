"""The sheet for a driver and the set-up card: one page each, in both languages, in words the reader knows."""

from datetime import date
from pathlib import Path

import duckdb
import pytest

from data_contracts.causes import CAUSES
from data_contracts.cautions import cautions_for_snap
from data_contracts.limits import TRIGGER_V
from pipelines.cli import run
from pipelines.read_side.published import open_published
from pipelines.reports.driver_sheet import _meanwhile, _next, _when, driver_pdf
from pipelines.reports.paper import written_for
from pipelines.reports.setup_card import card_of
from pipelines.workspace.register import load_families
from pipelines.workspace.settings import DisplaySettings
from pipelines.workspace.workspace import Workspace
from tests.pdf_text import page_count, text_of
from tests.pipelines.small_home import copied_home

TRADE = ("lambda", "Lambda", "injector", "EWMA", "baseline", "quantit", "g/s")


@pytest.fixture(scope="module")
def home(judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small fleet, with one van that was never recorded."""
    workspace = copied_home(judged_small, tmp_path_factory.mktemp("papers") / "home")
    with duckdb.connect(str(workspace.published_path)) as connection:
        connection.execute("INSERT INTO vans BY NAME SELECT 'new' AS van_id, 'brook-20' AS family, 'north' AS depot")
    return workspace


def read(pdf: bytes) -> str:
    """Text of a page, lines joined."""
    assert page_count(pdf) == 1
    return " ".join(text_of(pdf).split())


def sheet(home: Workspace, van: str, out: Path, language: str = "en") -> str:
    """The sheet as it is on the Monday after the list's week; the command's own, of today, is one page too."""
    assert run(["sheet", van, "--home", str(home.root), "--out", str(out), "--language", language]) == 0
    assert page_count(out.read_bytes()) == 1
    display = DisplaySettings(language=language)
    return read(driver_pdf(open_published(home.root), van, display, today=date(2026, 4, 13)))


def rows(home: Workspace, sql: str) -> list[tuple[object, ...]]:
    with duckdb.connect(str(home.published_path), read_only=True) as connection:
        return connection.sql(sql).fetchall()


def test_a_listed_van_is_told_in_everyday_words(home: Workspace, tmp_path: Path) -> None:
    listed = rows(
        home,
        "SELECT w.van_id, w.leading_cause, w.urgency FROM watchlist w JOIN runs USING (week) JOIN work_orders o USING (van_id) "
        "WHERE o.state = 'proposed' AND w.leading_cause <> 'not_separable' ORDER BY w.rank",
    )
    assert listed
    for van, cause, urgency in listed:
        everyday = CAUSES[str(cause)].everyday
        assert everyday is not None
        english, german = (sheet(home, str(van), tmp_path / "a.pdf", language) for language in ("en", "de"))
        assert everyday.en in english
        assert everyday.de in german
        assert f"Van {van}" in english
        assert ("should not wait" in english) == (urgency == "now")
        before_workshop = english.split("There, first:")[0]
        assert [word for word in TRADE if word in before_workshop] == []
        assert "The workshop is asked to see the van" in english
        assert "Die Werkstatt soll das Fahrzeug" in german


def test_a_well_van_and_one_never_recorded_are_told_so(home: Workspace, tmp_path: Path) -> None:
    (well,) = rows(
        home,
        "SELECT min(van_id) FROM captures WHERE van_id NOT IN (SELECT van_id FROM watchlist) "
        "AND van_id NOT IN (SELECT van_id FROM work_orders)",
    )
    told = sheet(home, str(well[0]), tmp_path / "a.pdf")
    assert "Nothing unusual." in told
    assert "Nothing to do." in told
    assert "no usable recording" in sheet(home, "new", tmp_path / "b.pdf")
    assert "keine brauchbare Aufnahme" in sheet(home, "new", tmp_path / "b.pdf", "de")


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ("booked", "is booked into the workshop on 2026-05-04"),
        ("postponed", "asked for again on 2026-05-04"),
        ("done", "The next recordings will show whether it helped"),
        ("not_proven", "The workshop will look again"),
        ("declined", "recorded again at its next visit"),
    ],
)
def test_what_happens_next_follows_the_order(home: Workspace, tmp_path: Path, state: str, said: str) -> None:
    changed = copied_home(home, tmp_path / "home")
    (van,) = rows(changed, "SELECT min(van_id) FROM work_orders JOIN watchlist USING (van_id)")
    with duckdb.connect(str(changed.published_path)) as connection:
        connection.execute("DELETE FROM order_events")
        connection.execute(
            "UPDATE work_orders SET state = $state, until = DATE '2026-05-04', found = 'lambda_slow' WHERE van_id = $van",
            {"state": state, "van": van[0]},
        )
    assert said in sheet(changed, str(van[0]), tmp_path / "a.pdf")


def test_a_repair_that_helped_is_told(home: Workspace, tmp_path: Path) -> None:
    changed = copied_home(home, tmp_path / "home")
    (van,) = rows(changed, "SELECT min(van_id) FROM work_orders")
    with duckdb.connect(str(changed.published_path)) as connection:
        connection.execute("DELETE FROM order_events")
        connection.execute("DELETE FROM watchlist")
        connection.execute("UPDATE work_orders SET state = 'proven', found = 'lambda_slow'")
    told = read(driver_pdf(open_published(changed.root), str(van[0])))
    assert "the repair helped" in told
    assert "has become slow" in told


def test_a_card_names_columns_ranges_trigger_and_cautions(home: Workspace, tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    for language in ("en", "de"):
        arguments = ["card", "brook-20", "--recorder", "slate", "--home", str(home.root), "--out", str(out)]
        assert run([*arguments, "--language", language]) == 0
        told = read(out.read_bytes())
        assert "Probe A [V]" in told
        assert "Probe B [mV]" in told
        assert f"{TRIGGER_V:g} V" in told
        assert "30 %" in told
        for caution in cautions_for_snap(load_families(home.register)[0]["brook-20"]):
            assert caution.text.in_language(language) in told
    assert "Luftmassensignal" in told


@pytest.mark.parametrize(
    ("family", "said"),
    [
        ("brook-20", "rising through 2 V"),
        ("marsh-16", "by hand, since the air-mass signal is no voltage"),
        ("fell-15", "as the control unit reports it"),
        ("dale-25", "This family's lambda sensor is not recorded"),
    ],
)
def test_a_card_fits_its_family(home: Workspace, family: str, said: str) -> None:
    cards = {
        language: card_of(home.register, family, "canonical", DisplaySettings(language=language, units="imperial"))
        for language in ("en", "de")
    }
    assert cards["en"] == card_of(home.register, family, "canonical", DisplaySettings(language="en", units="imperial"))
    told = read(cards["en"])
    assert ("not recorded" in told) == (family == "dale-25")
    assert said in told
    assert "lb/min" in told
    assert read(cards["de"]) != told


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["sheet", "nobody", "--out", "x.pdf"], "nobody"),
        (["sheet", "V001", "--out", "x.txt"], "x.txt"),
        (["sheet", "V001", "--out", "x.pdf", "--language", "fr"], "fr"),
        (["sheet", "V001", "--out", "no/such/x.pdf"], "no/such"),
        (["card", "no-such", "--out", "x.pdf"], "no-such"),
        (["card", "brook-20", "--recorder", "none-such", "--out", "x.pdf"], "none-such"),
    ],
)
def test_a_mistake_is_one_line(
    home: Workspace, arguments: list[str], named: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert run([*arguments, "--home", str(home.root)]) == 2
    err = capsys.readouterr().err
    assert named in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("due", "said"),
    [
        (date(2026, 7, 6), "on 2026-07-06"),  # as the order says
        (date(2026, 7, 8), "between 2026-07-06 and 2026-07-08"),
        (date(2026, 7, 30), "between 2026-07-06 and 2026-07-10"),
        (date(2026, 6, 30), "between 2026-07-06 and 2026-07-10"),  # overdue: the week planned
        (None, "between 2026-07-06 and 2026-07-10"),
    ],
)
def test_the_day_told_a_driver_is_no_later_than_the_orders(due: date | None, said: str) -> None:
    with written_for(DisplaySettings()):
        assert _when({"until": None, "plan_week": "2026-W28", "due_by": due})[0] == said


def test_an_order_that_waits_sends_no_driver_to_the_workshop() -> None:
    waits = {"state": "proposed", "hours": 0.0, "urgency": "watch", "cause": "lambda_slow", "until": None}
    waits |= {"plan_week": None, "due_by": date(2026, 9, 28)}
    listed = {"urgency": "watch", "leading_cause": "lambda_slow", "reason_facts": [{"code": "unlike_healthy"}]}
    with written_for(DisplaySettings()):
        assert _next(listed, waits, recorded=True) == [
            "The van is recorded again at its next visit. Nothing else is planned."
        ]
        proving = listed | {"reason_facts": [{"code": "being_proven"}]}
        assert _next(proving, waits, recorded=True)[0].startswith("At its next visit the van is recorded three times")


def test_a_danger_on_the_list_is_told_a_driver_whatever_was_decided_on_the_order() -> None:
    listed = {"urgency": "now", "leading_cause": "fuel_delivery_weak", "reason_facts": None}
    with written_for(DisplaySettings()):
        for order in (None, {"safety": True, "state": "declined"}, {"safety": False, "state": "proposed"}):
            assert "before the next drive" in _meanwhile(listed, order)[0]
        either = listed | {"leading_cause": "not_separable", "reason_facts": [{"code": "dangers_likely"}]}
        assert "before the next drive" in _meanwhile(either, None)[0]
        slow = listed | {"leading_cause": "lambda_slow"}
        assert not any("before the next drive" in line for line in _meanwhile(slow, None))
