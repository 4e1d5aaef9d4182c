"""A snap drawn for a phone: what is there is drawn, whatever is missing, in volts and in the reader's units."""

import copy
import xml.etree.ElementTree as ElementTree
from typing import Any

import pytest

from dashboards.palette import DARK, LIGHT
from dashboards.room_for_labels import roomiest
from dashboards.snap_drawing import _ticks, draw

BAND = {"kind": "band", "name": "main_peak", "first": 0.4, "stop": 0.8, "low": 50.0, "high": 60.0}
PEAK = {"kind": "point", "name": "main_peak", "first": 0.6, "stop": 0.6, "low": 55.0, "high": 55.0}
HELD = {"kind": "level", "name": "lambda_full_throttle", "first": 0.6, "stop": 0.8, "low": 0.9, "high": 0.9}
DOCUMENT: dict[str, Any] = {
    "from_opening": True,
    "events": [{"kind": "event", "name": "opening", "first": 0.0, "stop": 0.0}],
    "air": {
        "volts": True,
        "transfer": [[0.0, 5.0], [0.0, 100.0]],
        "trace": [[-0.5, 0.0, 0.5, 1.0], [0.1, 0.1, 2.75, 0.1]],
        "marks": [BAND, PEAK],
    },
    "lambda": {
        "volts": False,
        "rich_is_up": False,
        "traces": [[[-0.5, 0.5, 1.0], [1.0, 0.9, 1.6]]],
        "marks": [HELD],
    },
}


def words(svg: str) -> list[str]:
    return [each.text or "" for each in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def changed(**changes: Any) -> dict[str, Any]:
    made = copy.deepcopy(DOCUMENT)
    for path, value in changes.items():
        *way, last = path.split("__")
        place = made
        for key in way:
            place = place[key]
        place[last] = value
    return made


def test_volts_are_drawn_with_the_flow_beside_them_and_the_rich_end_named() -> None:
    said = words(draw(DOCUMENT, LIGHT))
    for expected in ("Air-mass sensor [V]", "[g/s]", "main peak", "opening", "full throttle", "Lambda", "expected"):
        assert expected in said
    assert {"↑ lean", "↓ rich"} <= set(said)
    turned = words(draw(changed(lambda__volts=True, lambda__rich_is_up=True), LIGHT))
    assert {"↑ rich", "↓ lean", "Lambda sensor [V]"} <= set(turned)
    flow = words(draw(changed(air__volts=False, air__transfer=None, air__marks=[]), LIGHT))
    assert "Air mass flow [g/s]" in flow
    assert "[g/s]" not in flow


def test_colours_are_the_themes_and_a_level_outside_its_band_is_marked() -> None:
    light, dark = draw(DOCUMENT, LIGHT), draw(DOCUMENT, DARK)
    assert LIGHT.accent in light
    assert DARK.accent in dark
    assert LIGHT.accent not in dark
    assert LIGHT.alarm not in light
    outside = copy.deepcopy(DOCUMENT)
    outside["air"]["marks"][1] |= {"low": 40.0, "high": 40.0}
    assert LIGHT.alarm in draw(outside, LIGHT)


@pytest.mark.parametrize(
    ("changes", "there", "gone"),
    [
        ({"air__trace": [[], []], "air__marks": []}, "Lambda", "Air-mass sensor [V]"),
        ({"lambda__traces": [], "lambda__marks": []}, "Air-mass sensor [V]", "Lambda"),
        ({"lambda__traces": [[[], []]], "lambda__marks": []}, "Air-mass sensor [V]", "Lambda"),
        ({"events": [], "from_opening": False}, "Time in the recording [s]", "opening"),
        ({"air__marks": [], "lambda__marks": []}, "Lambda", "expected"),
        ({"air__trace": [[0.0], [0.0]], "lambda__traces": [], "lambda__marks": []}, "Air-mass sensor [V]", "Lambda"),
        ({"air__trace": [[0.0, 1.0], [0.0, 0.0]], "air__marks": []}, "Air-mass sensor [V]", "main peak"),
        ({"lambda__traces": [[[0.0, 1.0], [8.0, 8.0]]], "lambda__marks": []}, "Lambda", "full throttle"),
    ],
)
def test_whatever_is_missing_the_rest_is_drawn(changes: dict[str, Any], there: str, gone: str) -> None:
    said = words(draw(changed(**changes), LIGHT))
    assert there in said
    assert gone not in said


def test_the_other_snaps_of_the_visit_lie_behind_in_a_quieter_colour() -> None:
    behind = [[[-9.0, -0.5, 0.5, 9.0], [0.1, 0.1, 4.5, 0.1]]]
    svg = draw(changed(air__others=behind, lambda__others=[[[0.0, 0.5], [1.0, 0.7]]]), LIGHT)
    alone = draw(DOCUMENT, LIGHT)
    assert "other snaps of the visit" in words(svg)
    assert "other snaps of the visit" not in words(alone)
    assert svg.count("<polyline") == alone.count("<polyline") + 2
    assert svg.index(LIGHT.past) < svg.index(LIGHT.accent)
    ends = [line.get("points", "") for line in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}polyline")]
    assert len(ends[0].split()) == 2  # what is outside the time drawn is cut off, not bent to its edge


def test_a_peak_that_is_not_judged_is_not_named_or_coloured_as_one() -> None:
    svg = draw(changed(air__marks=[{**PEAK, "name": "highest"}]), LIGHT)
    assert {"highest", "read, not compared"} <= set(words(svg))
    assert "main peak" not in words(svg)
    circle = next(ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}circle"))
    assert (circle.get("fill"), circle.get("stroke")) == (LIGHT.paper, LIGHT.quiet)


def test_without_any_trace_there_is_no_drawing() -> None:
    nothing = changed(air__trace=[[], []], lambda__traces=[])
    assert draw(nothing, LIGHT) == ""


def test_ticks_are_round_and_few() -> None:
    assert _ticks(0.0, 5.3, most=4) == [0.0, 2.0, 4.0]
    assert _ticks(-0.5, 2.9, most=6) == [0.0, 1.0, 2.0]
    assert _ticks(0.93, 1.11, most=4) == [0.95, 1.0, 1.05, 1.1]
    assert _ticks(1.0, 1.0, most=4) == []


def test_a_label_keeps_clear_of_lines_and_stays_by_its_point() -> None:
    paper, places = (
        (0.0, 0.0, 100.0, 100.0),
        [(40.0, 0.0, 60.0, 10.0), (40.0, 20.0, 60.0, 30.0), (40.0, 80.0, 60.0, 90.0)],
    )
    point = (50.0, 12.0)
    assert roomiest(point, places, paper, [], [], []) == places[0]
    assert roomiest(point, places, paper, [], [], [5.0]) == places[1]
    assert roomiest(point, places, paper, [places[1]], [], [5.0]) == places[0]
    assert roomiest(point, places, paper, [], [(50.0, 5.0), (55.0, 5.0)] * 4, [25.0]) == places[1]
    assert roomiest(point, places, (0.0, 0.0, 50.0, 100.0), [], [], []) is None


@pytest.mark.parametrize("up", [1.0, 3.0, 5.0])
def test_the_words_at_the_ends_of_lambda_lie_on_no_line_of_the_ground(up: float) -> None:
    trace = [[[-0.5, 0.5, 1.0], [1.8, 1.3, 2.8 + 0.1 * up]]]
    svg = ElementTree.fromstring(draw(changed(lambda__volts=True, lambda__traces=trace, lambda__marks=[]), LIGHT))
    space = "{http://www.w3.org/2000/svg}"
    ground = [float(e.get("y1", 0)) for e in svg.iter(f"{space}line") if e.get("stroke") == LIGHT.line]
    ends = [float(e.get("y", 0)) for e in svg.iter(f"{space}text") if (e.text or "")[:1] in "↑↓"]
    assert len(ends) == 2
    assert not [1 for foot in ends for line in ground if foot - 10.0 < line < foot + 3.0]
