"""The driver's sheet decision by decision: which finding, which next step, which day, which warning."""

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from data_contracts.causes import CAUSES, EVERY_CAUSE
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.jobs import JOBS
from pipelines.read_side.published import open_published
from pipelines.reports import driver_sheet
from pipelines.reports.driver_sheet import _cause, _found, _meanwhile, _next, _tested, _when
from pipelines.reports.paper_words_en import WORDS
from tests.published_sample import make_workspace
from tests.sample_papers import Paper

CAUSE = "lambda_slow"
HARMLESS = next(code for code in CAUSES if not CAUSES[code].endangers)
HARMFUL = next(code for code in CAUSES if CAUSES[code].endangers)
REPEATED = WORDS["driver.next_proof"]


def listed(**changes: Any) -> dict[str, Any]:
    row = {"urgency": "plan", "leading_cause": CAUSE, "leading_cause_probability": 0.9, "reason_facts": None}
    return row | changes


def order(state: str, **changes: Any) -> dict[str, Any]:
    row = {"state": state, "cause": CAUSE, "found": None, "hours": 1.5, "safety": False}
    return row | {"until": None, "plan_week": None, "due_by": date(2026, 4, 30)} | changes


def test_what_was_tested() -> None:
    at = datetime(2026, 3, 2, 23, 30, tzinfo=UTC)
    assert _tested(0, None) == [WORDS["driver.not_tested"]]
    once, often = _tested(1, at), _tested(7, at)
    assert once[0].startswith("On 2026-03-02 the van was recorded")
    assert "visits in all" not in once[0]
    assert "at 7 visits in all" in often[0]
    assert once[1:] == often[1:] == [WORDS["driver.how"]]


@pytest.mark.parametrize(
    ("probability", "word"),
    [
        (None, "Possible"),
        (0.1, "Possible"),
        (0.65, "Possible"),
        (0.66, "Likely"),
        (0.89, "Likely"),
        (0.9, "Very likely"),
    ],
)
def test_how_sure_is_told_by_the_odds(probability: float | None, word: str) -> None:
    verdict, lines = _found(listed(leading_cause_probability=probability), None, True)
    assert verdict == WORDS["driver.changed_plan"]
    assert lines[0] == f"{word}: {_everyday(CAUSE)}"
    assert lines[1].startswith("Left as it is, it means: ")


def _everyday(code: str) -> str:
    told = CAUSES[code].everyday
    assert told is not None
    return told.en


@pytest.mark.parametrize("urgency", ["now", "plan", "watch"])
def test_the_finding_follows_the_urgency(urgency: str) -> None:
    unsure = listed(urgency=urgency, leading_cause="not_separable")
    assert _found(unsure, None, True) == (WORDS[f"driver.changed_{urgency}"], [WORDS["driver.not_certain"]])
    assert _found(listed(urgency=urgency), None, True)[0] == WORDS[f"driver.changed_{urgency}"]


def test_the_finding_follows_a_repair() -> None:
    nothing: list[str] = []
    assert _found(listed(), order("proposed"), False) == (WORDS["driver.nothing_known"], nothing)
    assert _found(None, None, True) == (WORDS["driver.well"], [WORDS["driver.well_more"]])
    found = _everyday(HARMFUL)
    assert _found(None, order("proven", found=HARMFUL), True) == (WORDS["driver.mended"], [found])
    assert _found(None, order("proven"), True) == (WORDS["driver.mended"], [_everyday(CAUSE)])
    assert _found(listed(), order("proven", found=HARMFUL), True)[0] == WORDS["driver.changed_plan"]  # it is back
    for row in (None, listed()):
        assert _found(row, order("done", found=HARMFUL), True) == (WORDS["driver.being_proven"], [found])
    assert _found(None, order("done", found="none"), True)[0] == WORDS["driver.well"]
    assert _found(None, order("accepted", found=HARMFUL), True)[0] == WORDS["driver.well"]


def test_what_leaving_it_means_is_taken_from_the_list() -> None:
    said = [name.removeprefix("means.") for name in PHRASES if name.startswith("means.")]
    for word in said:
        facts = [{"code": "own_movement", "words": {"means": "x"}}, {"code": "cause_hurts", "words": {"means": word}}]
        (_, lines) = _found(listed(reason_facts=facts), None, True)
        assert lines[1] == f"Left as it is, it means: {PHRASES[f'means.{word}'].en}."
    facts = [{"code": "cause_hurts", "words": None}]
    assert _found(listed(reason_facts=facts), None, True) == _found(listed(), None, True)


def test_a_cause_without_everyday_words_is_named_by_its_part(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(driver_sheet.EVERY_CAUSE, CAUSE, replace(EVERY_CAUSE[CAUSE], everyday=None))  # type: ignore[index]
    assert _cause(CAUSE) == f"A part needs attention: {EVERY_CAUSE[CAUSE].title.en}."
    assert _cause("gremlins") == WORDS["driver.not_certain"]


def test_what_comes_next_follows_the_order() -> None:
    assert _next(listed(), order("booked"), False) == [WORDS["driver.next_record"]]
    for row, again in ((None, "driver.next_none"), (listed(), "driver.next_watch")):
        for one in (None, order("declined"), order("proven")):
            assert _next(row, one, True) == [WORDS[again]]
        assert _next(row, order("not_proven"), True) == [WORDS["driver.next_again"]]
        assert _next(row, order("not_proven", proof="cant_tell"), True) == [WORDS[again]]
        assert _next(row, order("done"), True) == [REPEATED]
    assert _next(None, order("proposed"), True) == [WORDS["driver.next_none"]]
    for state, words in (("proposed", "asked to see"), ("accepted", "will see"), ("postponed", "put off")):
        steps = _next(listed(), order(state), True)
        assert words in steps[0]
        assert "by 2026-04-30" in steps[0]
        assert steps[1] == f"There, first: {JOBS[CAUSE].action.en}."
        assert steps[2:] == [WORDS["driver.next_after"]]
    assert "on 2026-05-04" in _next(None, order("booked", until=date(2026, 5, 4)), True)[0]
    assert _next(listed(), order("accepted", due_by=None), True)[0] == WORDS["driver.next_no_day"]
    assert len(_next(listed(), order("accepted", cause="not_separable_here"), True)) == 2  # no job of that name


def test_the_day_is_the_booked_one_else_the_planned_week_else_the_latest() -> None:
    booked = order("booked", until=date(2026, 5, 4), plan_week="2026-W30")
    assert _when(booked) == ("on 2026-05-04", date(2026, 5, 4))
    planned = order("accepted", plan_week="2026-W19", due_by=None)
    assert _when(planned) == ("between 2026-05-04 and 2026-05-08", date(2026, 5, 8))
    assert _when(order("accepted")) == ("by 2026-04-30", date(2026, 4, 30))
    assert _when(order("accepted", due_by=None)) == ("", None)


def test_a_sheet_of_an_old_list_asks_for_no_day_that_is_past() -> None:
    for state in ("proposed", "accepted", "postponed", "booked"):
        due, after = (_next(listed(), order(state), True, date(2026, month, 1))[0] for month in (4, 5))
        assert "by 2026-04-30" in due
        assert due.startswith("The ")
        assert "past" not in due
        assert after.startswith("The workshop was to see the van by 2026-04-30, and that is past.")
    assert "past" not in _next(listed(), order("booked"), True, date(2026, 4, 30))[0]
    assert _next(listed(), order("accepted", due_by=None), True, date(2030, 1, 1))[0] == WORDS["driver.next_no_day"]


def test_a_driver_is_warned_where_people_could_come_to_harm() -> None:
    always = [WORDS["driver.stop"], WORDS["driver.no_repair"]]
    ask, soon = [WORDS["driver.ask_first"]], [WORDS["driver.soon"]]
    calm = listed(leading_cause=HARMLESS)
    assert _meanwhile(None, None) == always
    assert _meanwhile(calm, None) == always
    assert _meanwhile(calm | {"urgency": "now"}, None) == soon + always
    assert _meanwhile(listed(leading_cause=HARMFUL), None) == ask + always
    assert _meanwhile(listed(leading_cause=HARMFUL, urgency="now"), None) == ask + always
    for state in ("proposed", "booked", "done", "declined"):
        assert _meanwhile(None, order(state, safety=True)) == ask + always
    assert _meanwhile(None, order("proven", safety=True)) == always
    told = listed(leading_cause="not_separable", reason_facts=[{"code": "dangers_likely"}])
    assert _meanwhile(told, None) == ask + always


def test_no_driver_reads_of_another_van(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sheet as a whole: the van, the day of the run, its newest order and nobody else's."""
    home = tmp_path / "sample"
    make_workspace(home, vans_per_depot=4, weeks=12, finished_at=datetime(2026, 3, 27, 6, tzinfo=UTC))
    paper = Paper(home, tmp_path / "home", monkeypatch)
    monkeypatch.setattr(driver_sheet, "make_pdf", lambda *told: paper.given.append(told) or b"%PDF-")
    paper.change("UPDATE work_orders SET state = 'booked', until = DATE '2026-05-04' WHERE van_id = 'N-02'")
    for van, words in (("N-02", "on 2026-05-04"), ("S-03", "by 20")):
        driver_sheet.driver_pdf(open_published(paper.home), van)
        template, document, drawings, at = paper.given[-1]
        assert (template, drawings, at) == ("driver_sheet.typ", {}, datetime(2026, 3, 27, 6, tzinfo=UTC))
        assert (document["van"], document["date"]) == (f"Van {van}", "2026-03-27")
        assert words in document["next"][0]
        visits = paper.rows(f"SELECT count(*) AS n FROM captures WHERE van_id = '{van}' AND representative")[0]["n"]
        assert f"at {visits} visits" in document["tested"][0]
        assert set(document) == {"van", "date", "tested", "verdict", "found", "next", "meanwhile", "foot"}
        assert document["foot"].startswith("Vansnap 0.1.0, run of week 2026-W13")
        assert document["verdict"]
