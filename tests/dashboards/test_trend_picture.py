"""The drawing of one quantity of one van over the weeks, large and small."""

import itertools
import re
from typing import Any, Literal

import pytest

from dashboards.palette import DARK, LIGHT, contrast
from dashboards.text import NARROW_SPACE
from dashboards.trend_picture import trend_picture
from dashboards.unbroken import plainly
from data_contracts.facts.fact import Fact


def _rows(*values: float | None, **more: object) -> list[dict[str, Any]]:
    weeks = [f"2026-W{k:02d}" for k in range(1, len(values) + 1)]
    return [
        {
            "week": week,
            "quantity": "idle_g_s",
            "value": value,
            "expected_low": 2.0,
            "expected_high": 3.0,
            "alarm": value == 9.0,
            **more,
        }
        for week, value in zip(weeks, values, strict=True)
    ]


SIZES: tuple[Literal["large", "narrow", "small"], ...] = ("large", "narrow", "small")


def test_a_trend_has_a_point_for_each_visit_and_a_cross_for_each_alarm() -> None:
    for size in SIZES:
        picture = trend_picture(_rows(2.5, None, 2.6, 9.0, limit_high=4.0), LIGHT, size=size)
        assert picture is not None
        assert (picture.svg.count("<circle"), picture.svg.count("<rect")) == (2, 4)
        assert picture.svg.count(f'stroke="{LIGHT.alarm}" stroke-width="1.8"') == 1
        assert ("stroke-dasharray" in picture.svg) is True
        assert picture.says.replace(NARROW_SPACE, " ").endswith(
            "Grey bars: where each reading was expected (95 %). Crosses: alarm, which takes several visits outside what was expected or the limit; the first carry none yet. Dashed: the family's limit."
        )
    assert trend_picture(_rows(None, None), LIGHT) is None
    assert trend_picture(_rows(2.5), LIGHT) is not None


def test_the_words_below_a_trend_name_only_what_is_drawn() -> None:
    picture = trend_picture(_rows(2.5, 2.6, expected_low=None, expected_high=None, limit_high=400.0), LIGHT)
    assert picture is not None
    assert picture.says == "Idle flow, 2026-W01 to 2026-W02."
    assert "<rect" not in picture.svg


def test_what_a_quantity_was_and_is_stands_beside_its_lines_and_never_on_each_other() -> None:
    fact = Fact.of("in_short", "idle_g_s", level=8.96, level_u=0.05, baseline=2.5, limit=9.2, side="high")
    for size in SIZES[:2]:
        picture = trend_picture(_rows(2.5, 2.4, 9.0, limit_high=9.2), LIGHT, fact=fact, size=size)
        assert picture is not None
        told = re.findall(r'y="([\d.]+)"[^>]*>((?:now|was|limit) [^<]+)<', picture.svg)
        assert sorted(words for _, words in told) == ["limit 9.20 g/s", "now 8.96 g/s", "was 2.50 g/s"]
        heights = sorted(float(y) for y, _ in told)
        assert all(b - a >= 14.9 for a, b in itertools.pairwise(heights))
    small = trend_picture(_rows(2.5, 2.4, 9.0, limit_high=9.2), LIGHT, fact=fact, size="small")
    assert small is not None
    assert "now" not in small.svg


def test_repeats_that_disagree_are_drawn_as_how_far_they_lie_apart() -> None:
    fact = Fact.of("in_short_unsteady", "idle_g_s", visit_spread=0.3, usual_spread=0.01)
    rows = _rows(2.5, 2.4, 2.6, repeat_u=0.01)
    rows[-1] |= {"repeat_u": 0.3, "unsteady": True}
    picture = trend_picture(rows, LIGHT, fact=fact)
    assert picture is not None
    spans = [abs(float(a) - float(b)) for a, b in re.findall(r'd="M[\d.]+ ([\d.]+)V([\d.]+)M', picture.svg)]
    assert spans[2] == pytest.approx(30 * spans[0], rel=0.05)
    assert {"now ± 0.3 g/s", "usually ± 0.01 g/s"} <= set(re.findall(r">([^<>]+)</text>", plainly(picture.svg)))
    assert "Upright lines: by how much the snaps of a visit differ (one standard deviation)." in plainly(picture.says)
    assert "Grey" not in picture.says  # what is expected of the level is not drawn here


@pytest.mark.parametrize(("later", "dotted"), [("2026-W08", 0), ("2026-W09", 1)])
def test_a_line_over_weeks_without_a_visit_is_dotted(later: str, dotted: int) -> None:
    rows = _rows(2.5, 2.6, 2.7)
    rows[-1]["week"] = later  # the visit before it was in 2026-W02
    picture = trend_picture(rows, LIGHT)
    assert picture is not None
    assert picture.svg.count('stroke-dasharray="0.1 4"') == dotted


def test_names_at_the_right_of_a_trend_have_the_room_they_need() -> None:
    fact = Fact.of("in_short", "idle_g_s", level=8.96, level_u=0.05, baseline=2.5, limit=1234.5, side="high")
    for size in SIZES[:2]:
        short, long = (
            trend_picture(_rows(2.5, 2.4, 9.0, limit_high=limit), LIGHT, fact=fact, size=size)
            for limit in (9.2, 9.2468)
        )
        assert short is not None
        assert long is not None
        for picture in (short, long):
            width = float(re.findall(r'viewBox="0 0 ([\d.]+)', picture.svg)[0])
            for x, told in re.findall(
                r'<text x="([\d.]+)"[^>]*text-anchor="start"[^>]*>((?:now|was|limit) [^<]+)<', picture.svg
            ):
                assert float(x) + 9.2 * len(told) <= width


def test_marks_of_a_drawing_stand_out_from_the_paper() -> None:
    for palette in (LIGHT, DARK):
        for colour in (palette.accent, palette.past, palette.alarm, palette.quiet):
            assert contrast(colour, palette.paper) >= 3.0  # WCAG 2.1, 1.4.11, non-text contrast


def test_drawings_that_are_compared_have_one_scale() -> None:
    heights = []
    for values in ((2.5, 2.6), (2.5, 8.0)):
        picture = trend_picture(_rows(*values), LIGHT, reach=(2.5, 8.0))
        assert picture is not None
        heights.append(re.findall(r'<circle cx="[\d.]+" cy="([\d.]+)"', picture.svg)[0])
    assert heights[0] == heights[1]
