"""Wording and numbers."""

import re
from datetime import date
from pathlib import Path

import polars as pl
import pytest

import dashboards
from dashboards import standing, text
from dashboards.palette import DARK, LIGHT, contrast
from dashboards.standing import how_long, when
from dashboards.trend_sentence import trend_sentence
from dashboards.unbroken import plainly
from dashboards.words_en import WORDS
from data_contracts.signals import QUANTITIES
from pipelines.storage.plain_text import spreadsheet_csv

SOURCES = [p for p in Path(dashboards.__file__).parent.glob("*.py") if not p.name.startswith("words_")]


@pytest.mark.parametrize(
    ("value", "u", "unit", "shown"),
    [
        (61.23, 0.4, "g/s", "61.2 ± 0.4 g/s"),
        (0.0456, 0.0021, "s", "0.046 ± 0.002 s"),
        (3.4, 0.14, "1", "3.40 ± 0.14"),
        (3.4, 0.096, "1", "3.40 ± 0.10"),
        (3.4, 0.198, "1", "3.4 ± 0.2"),
        (-3.42, 0.98, "%", "−3.4 ± 1.0 %"),
        (23456.0, 300.0, "1/min", "23,500 ± 300 1/min"),
        (None, None, "s", "—"),
        (float("nan"), 0.1, "s", "—"),
        (2.5, None, "V", "2.500 V"),
    ],
)
def test_a_value_is_rounded_to_its_uncertainty(value: float, u: float, unit: str, shown: str) -> None:
    assert text.uncertain(value, u, unit).replace(text.NARROW_SPACE, " ") == shown


def test_a_lone_tick_keeps_its_decimals() -> None:
    assert text.tick(2.65, [2.65]) == "2.65"
    assert text.tick(-0.5, [-0.5]) == "−0.5"
    assert [text.tick(level, [2.5, 3.0]) for level in (2.5, 3.0)] == ["2.5", "3.0"]


def test_probabilities_never_claim_certainty() -> None:
    assert [text.percent(p).replace(text.NARROW_SPACE, " ") for p in (0.0, 0.004, 0.52, 0.999)] == [
        "< 1 %",
        "< 1 %",
        "52 %",
        "> 99 %",
    ]


def test_every_sentence_asked_for_is_there_and_none_is_left_over() -> None:
    asked = {
        key
        for path in SOURCES
        for key in re.findall(r"""["']([a-z]+\.[a-z_0-9]+(?:\.[a-z_]+)?)["']""", path.read_text("utf-8"))
    }
    families = tuple(
        {
            key.split("{")[0]
            for path in SOURCES
            for key in re.findall(r"""f["']([a-z]+\.[a-z_]*\{)""", path.read_text("utf-8"))
        }
    )
    joined = ("quantity.", "urgency.", "grade.", "order.", *families)
    rooms = {key.split(".")[0] for key in WORDS}
    assert [
        k for k in sorted(asked) if k.split(".")[0] in rooms and k not in WORDS and k.split(".")[1] not in ("csv", "py")
    ] == []
    assert [key for key in WORDS if key not in asked and not key.startswith(joined)] == []


def test_every_quantity_has_a_title() -> None:
    assert [name for name in QUANTITIES if text.quantity(name) == name] == []


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_colours_pass_aa_on_page_and_panel(palette: object) -> None:
    """WCAG 2.1, 1.4.3: 4.5 for text; 1.4.11: 3 for graphics."""
    for role, least in {
        "ink": 4.5,
        "quiet": 4.5,
        "accent": 4.5,
        "alarm": 4.5,
        "plan": 4.5,
        "watch": 4.5,
        "well": 4.5,
        "past": 3.0,
    }.items():
        for paper in ("paper", "panel"):
            assert contrast(getattr(palette, role), getattr(palette, paper)) >= least, (role, paper)


def test_contrast_of_black_on_white_is_21() -> None:
    """WCAG 2.1: the ratio runs from 1 to 21."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_outside_text_is_inert_in_markdown() -> None:
    shown = text.inert("a*b* <i>\n# h [x](https://e.org) :red[q] $z$ www.e.org")
    assert "\n" not in shown
    assert "https\\://" not in shown
    for mark in ("*", "<", "[", "]", "(", "$", "#"):
        assert not re.search(r"(?<!\\)" + re.escape(mark), shown), mark


def test_a_downloaded_table_holds_no_formula() -> None:
    frame = pl.DataFrame({"van_id": ["=1+1", "@x", "N-01"], "reasons": [["-2"], ["a", "b"], []], "n": [-1.0, 2.0, 3.0]})
    lines = spreadsheet_csv(frame).splitlines()
    assert lines == ["van_id,reasons,n", "'=1+1,'-2,-1.0", "'@x,a; b,2.0", 'N-01,"",3.0']


def test_a_trend_in_words_says_level_expectation_drift_alarm_and_limit() -> None:
    row = {
        "quantity": "main_peak_reference_g_s",
        "week": "2026-W14",
        "value": 60.1,  # one visit: what the van reads is the level
        "level": 61.2,
        "level_u": 0.4,
        "corrected": True,
        "baseline": 66.0,
        "baseline_u": 0.3,
        "movement": "drifting",
        "slope_per_week": -0.35,
        "slope_low": -0.5,
        "slope_high": -0.2,
        "alarm": True,
        "alarm_since": "2026-W12",
        "onset_week": "2026-W09",
        "onset_low": "2026-W08",
        "onset_high": "2026-W10",
        "limit_low": 54.0,
        "limit_high": None,
        "limit_state": "ahead",
        "weeks_to_limit_low": 4.0,
        "weeks_to_limit": 6.2,
        "weeks_to_limit_high": 11.0,
    }
    assert trend_sentence(row).replace(text.NARROW_SPACE, " ") == (
        "Main peak: 61.20 ± 0.40 g/s in 2026-W14 (at reference conditions), 66.00 ± 0.30 g/s expected from its own past. Main peak "
        "is 7.3 % below its own baseline (66 → 61.2 g/s), in alarm since 2026-W12, moving since about 2026-W09 (80 %: 2026-W08 to "
        "2026-W10), and falling by 0.35 g/s a week (95 %: 0.2 to 0.5). Main peak is expected to cross the family's limit in about "
        "6 weeks (80 %: 4 to 11)."
    )
    stepped = trend_sentence(row | {"movement": "stepped", "limit_state": "not_in_sight"})
    assert "changed in one step about 2026-W09" in stepped
    assert "a week" not in stepped
    assert stepped.endswith("Its limit (54 g/s) is not in sight.")
    mended = trend_sentence(row | {"after_repair": "awaited"})
    assert mended.endswith("Repaired since that visit and not recorded again: what it reads now is not known.")
    assert "in alarm" not in mended
    fresh = {"alarm": False, "limit_state": None, "after_repair": "fresh", "segment_since": "2026-W13"}
    assert trend_sentence(row | fresh).endswith(
        " No alarm. A repair before 2026-W13 touched it: its baseline counts from there."
    )
    older = {key: row[key] for key in ("quantity", "week", "value", "baseline", "alarm", "alarm_since")}
    assert trend_sentence(older).startswith("Main peak: 60.1 g/s in 2026-W14")


def _visit(week: int, value: float, *, alarm: str | None = None) -> dict[str, object]:
    ends = {"expected_low": 60.0, "expected_high": 70.0, "limit_low": None, "limit_high": None}
    return {"week": f"2026-W{week}", "value": value, "alarm": alarm is not None, "alarm_since": alarm, **ends}


@pytest.mark.parametrize(
    ("trend", "told"),
    [
        ((), "alarm since 2026-W22 (5 weeks)"),
        ([_visit(21, 65.0), _visit(22, 50.0, alarm="2026-W22")], "alarm since 2026-W22 (5 weeks)"),
        (  # it takes several visits: those before the alarm that lay outside too are told with the first of them
            [
                _visit(18, 50.0),
                _visit(19, 66.0),
                _visit(20, 55.0),
                _visit(21, 54.0),
                _visit(22, 50.0, alarm="2026-W22"),
            ],
            "alarm since 2026-W22 (5 weeks), first outside in 2026-W20",
        ),
        (  # what lay outside before a repair was another fault
            [_visit(19, 50.0), _visit(21, 54.0), _visit(22, 50.0, alarm="2026-W22") | {"segment_since": "2026-W20"}],
            "alarm since 2026-W22 (5 weeks), first outside in 2026-W21",
        ),
        (  # repeats that lie apart: the value says nothing of it
            [_visit(21, 54.0), _visit(22, 50.0, alarm="2026-W22") | {"unsteady": True}],
            "alarm since 2026-W22 (5 weeks)",
        ),
        ([_visit(22, 65.0)], "alarm since 2026-W22 (5 weeks): fuel trim at idle"),
        (
            [_visit(25, 65.0), _visit(26, 50.0, alarm="2026-W26")],
            "alarm since 2026-W26 (1 week) · earlier alarm: fuel trim at idle, since 2026-W22",
        ),
    ],
)
def test_since_when_a_van_stands_in_alarm_and_the_reading_that_is_drawn(
    trend: list[dict[str, object]], told: str
) -> None:
    since = ("2026-W22", "trim_idle_pct")
    assert plainly(how_long(since, None, "2026-W27", trend)) == told
    assert plainly(how_long(since, "2026-W26", "2026-W27", trend)) == told  # one week is no delay
    assert plainly(how_long(since, "2026-W25", "2026-W27", trend)) == f"{told} · proposed in 2026-W25, not decided"


@pytest.mark.parametrize(
    ("due_by", "state", "told"),
    [
        (
            date(2026, 7, 6),
            "proposed",
            "**Due Monday 2026-07-06** · first thing in the plan of that week (2026-W28) · 1.9 h",
        ),
        (date(2026, 7, 9), "accepted", "**Due Thursday 2026-07-09** · in the plan of that week (2026-W28) · 1.9 h"),
        (
            date(2026, 7, 3),
            "proposed",
            "**Due Friday 2026-07-03** · the plan has room only after that: 2026-W28, from Monday 2026-07-06 · 1.9 h",
        ),
        (
            date(2026, 8, 13),
            "proposed",
            "**Due Thursday 2026-08-13** · planned for 2026-W28, from Monday 2026-07-06 · 1.9 h",
        ),
        (
            date(2026, 7, 6),
            "booked",
            "**Booked for Wednesday 2026-07-08** · planned for 2026-W28, from Monday 2026-07-06 · 1.9 h",
        ),
        (None, "proposed", "**Due without a day** · planned for 2026-W28, from Monday 2026-07-06 · 1.9 h"),
    ],
)
def test_when_an_order_is_due_and_planned_never_contradict(due_by: date | None, state: str, told: str) -> None:
    until = date(2026, 7, 8) if state == "booked" else None
    row = {"state": state, "due_by": due_by, "until": until, "plan_week": "2026-W28", "hours": 1.9}
    assert plainly(when(row)) == plainly(told)
    assert "W28" not in when(row | {"plan_week": None})


def test_a_day_that_is_past_by_the_clock_is_overdue_and_a_week_that_is_over_is_no_plan(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    row = {"state": "proposed", "due_by": date(2026, 7, 6), "until": None, "plan_week": "2026-W28", "hours": 1.9}
    monkeypatch.setattr(standing, "today", lambda: date(2026, 7, 6))
    assert when(row).startswith("**Due Monday 2026-07-06** · first thing in the plan")
    monkeypatch.setattr(standing, "today", lambda: date(2026, 7, 7))
    assert when(row).startswith("**Overdue since Monday 2026-07-06** · first thing in the plan")
    monkeypatch.setattr(standing, "today", lambda: date(2026, 11, 30))
    assert plainly(when(row)) == "**Overdue since Monday 2026-07-06 (21 weeks)** · 1.9 h"
    booked = row | {"state": "booked", "until": date(2026, 7, 8)}
    assert plainly(when(booked)) == "**Booked for Wednesday 2026-07-08, and that day is past** · 1.9 h"
    assert plainly(when(row | {"state": "done"})) == "**Due Monday 2026-07-06** · 1.9 h"


@pytest.mark.parametrize(
    ("weeks", "urgency", "told"),
    [
        (21.2, "now", ""),
        (21.2, "plan", "about 21 weeks to a limit"),
        (0.0, "now", "a limit is crossed"),
        (None, "plan", ""),
    ],
)
def test_weeks_to_a_limit_are_told_only_where_there_is_time(weeks: float | None, urgency: str, told: str) -> None:
    assert text.weeks_to_limit(weeks, urgency) == told
