"""A snap drawn for a phone, as a small SVG: volts as recorded with the flow beside them, lambda below, bands, landmarks.

Values in, text out: no page, no query. Labels are placed one after the other where they cover neither each other nor, as far
as there is room, the trace; one that finds no room is left out, for the table says it too.
"""

import html
import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dashboards import text
from dashboards.display import language
from dashboards.palette import Palette
from dashboards.room_for_labels import Box, around, filled, meet, nearest, roomiest, wide, within
from dashboards.text import message
from data_contracts.facts.numerals import in_language
from models.at_the_van.marks import HIGHEST

WIDTH = 340.0
"""What a phone of 360 px leaves of its width. [px]"""
TEXT, SMALL = 13.0, 12.0
"""Sizes of labels, and of the numbers on axes. [px]"""
_FONT = "Source Sans 3, Noto Sans, Roboto, Helvetica, Arial, sans-serif"  # a picture has no part in the page's own
_LEFT, _RIGHT, _HEAD = 34.0, 34.0, 22.0
_AIR_HEIGHT, _LAMBDA_HEIGHT = 190.0, 140.0
_RING = 5.0  # half of a point with its edge
_FAR = 14.0  # a label farther from its point than that is joined to it by a line [px]
_LEVEL = 3.0  # width of a level's line, which hides a band that is narrower
_RATIOS = (1.0, 0.8, 0.9, 1.2, 1.5, 2.0, 1.1, 0.7, 3.0, 4.0)  # lambda beside its volts, what matters most first
_LAMBDA_SHOWN = (0.65, 1.7)  # fuel cut goes to the end of any characteristic
_NAMED = ("main_peak", "first_peak", "highest", "idle", "lambda_full_throttle", "lambda_idle", "lambda_fuel_cut")
"""Marks with a label, the one that matters most first."""


@dataclass
class _Panel:
    """One pair of axes: where it lies and what it spans, and what is written on it already."""

    top: float
    height: float
    times: tuple[float, float]
    levels: tuple[float, float]
    palette: Palette
    written: list[Box] = field(default_factory=list)
    traced: list[tuple[float, float]] = field(default_factory=list)
    ruled: list[float] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    band_seen: bool = False

    def x(self, time: float) -> float:
        first, last = self.times
        inside = min(max(time, first), last)
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * (inside - first) / (last - first)

    def y(self, level: float) -> float:
        low, high = self.levels
        inside = min(max(level, low), high)
        return self.top + self.height * (1.0 - (inside - low) / (high - low))

    def write(self, words: str, box: Box, colour: str, size: float = TEXT, anchor: str = "start") -> None:
        """Text in its box, with a rim of paper that keeps it readable on a line."""
        at = {"start": box[0], "middle": 0.5 * (box[0] + box[2]), "end": box[2]}[anchor]
        self.written.append(box)
        self.lines.append(
            f'<text x="{at:.1f}" y="{box[3] - 0.3 * size:.1f}" text-anchor="{anchor}" font-size="{size:g}" '
            f'fill="{colour}" stroke="{self.palette.paper}" stroke-width="3" stroke-linejoin="round" '
            f'paint-order="stroke">{html.escape(words)}</text>'
        )

    def label(self, words: str, x: float, y: float, colour: str) -> None:
        """A label near a point, where it collides with none before it."""
        width, height = wide(words, TEXT), TEXT + 4.0
        paper = (0.0, self.top, WIDTH - _RIGHT, self.top + self.height)
        box = roomiest((x, y), around(x, y, width, height), paper, self.written, self.traced, self.ruled)
        if box is not None:
            if math.dist((x, y), nearest((x, y), box)) > _FAR:
                self.lead(x, y, box, colour)
            self.write(words, box, colour)

    def lead(self, x: float, y: float, box: Box, colour: str) -> None:
        """A thin line from a point to a label that had no room beside it."""
        to_x, to_y = nearest((x, y), box)
        self.lines.append(
            f'<line class="lead" x1="{x:.1f}" y1="{y:.1f}" x2="{to_x:.1f}" y2="{to_y:.1f}" stroke="{colour}" '
            f'stroke-width="0.8"/>'
        )

    def beside(self, words: str, x: float, colour: str) -> None:
        """A label right of an upright line, left where there is no room, as low as it collides with none before it."""
        width, height = wide(words, TEXT), TEXT + 4.0
        foot = self.top + self.height
        places = [
            (left, foot - up - height, left + width, foot - up)
            for up in np.arange(2.0, self.height - height, height)
            for left in (x + 4.0, x - 4.0 - width)
            if _LEFT <= left <= WIDTH - _RIGHT - width
        ]
        free = [box for box in places if not any(meet(box, other) for other in self.written)]
        clear = [box for box in free if not any(within(point, box) for point in self.traced)]
        if free:
            self.write(words, (clear or free)[0], colour)


def draw(document: Mapping[str, Any], palette: Palette) -> str:
    """Draw a snap.

    Parameters
    ----------
    document : mapping
        As `pipelines.reports.snap_drawn.drawn` returns it.
    palette : Palette
        Colours.

    Returns
    -------
    str
        SVG, a picture of its own; empty where there is no trace.
    """
    air, mixture = document["air"], document["lambda"]
    traces = [trace for trace in (air["trace"], *mixture["traces"]) if trace[0]]
    if not traces:
        return ""
    first, last = min(at[0] for at, _ in traces), max(at[-1] for at, _ in traces)
    times = (first, max(last, first + 0.01))
    panels = [_air(air, document["events"], times, palette)] if air["trace"][0] else []
    if any(at for at, _ in mixture["traces"]):
        top = _HEAD + (panels[-1].top + panels[-1].height + 8.0 if panels else 0.0)
        panels.append(_mixture(mixture, document["events"], top, times, palette))
    bottom = panels[-1].top + panels[-1].height
    lines = list(itertools.chain.from_iterable(panel.lines for panel in panels))
    lines += _time_axis(panels[-1], document["from_opening"])
    height = bottom + 2.0 * SMALL + 16.0
    for words, look in _keys(panels, air, mixture):
        lines += _key(words, look, height, palette)
        height += SMALL + 8.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:.0f}" font-family="{_FONT}">'
        + "".join(lines)
        + "</svg>"
    )


def _air(
    air: Mapping[str, Any], events: Sequence[Mapping[str, Any]], times: tuple[float, float], palette: Palette
) -> _Panel:
    """Air mass flow: volts with the flow on the right, or the flow in the reader's unit."""
    volts, scale = air["volts"], text.scale("g/s")
    transfer = air["transfer"]

    def drawn(flow: float) -> float:
        return float(np.interp(flow, transfer[1], transfer[0])) if volts else scale * flow

    def shown(recorded: Sequence[float]) -> list[float]:
        return list(recorded) if volts else [scale * level for level in recorded]

    at, recorded = air["trace"]
    trace, others = shown(recorded), [(times_of, shown(levels)) for times_of, levels in air.get("others", ())]
    marks = [{**m, "low": drawn(m["low"]), "high": drawn(m["high"])} for m in air["marks"]]
    levels = [*trace, *(level for _, behind in others for level in behind)]
    top = max([*levels, *(mark["high"] for mark in marks), 0.1])
    panel = _Panel(_HEAD, _AIR_HEIGHT, times, (min([0.0, *levels]), 1.16 * top), palette)
    unit = text.shown_unit("g/s")
    _axis(panel, message("snap.airflow_v") if volts else message("snap.airflow", unit=unit))
    if volts:
        highest = scale * float(np.interp(panel.levels[1], transfer[0], transfer[1]))
        _right_axis(panel, lambda tick: drawn(tick / scale), f"[{unit}]", _ticks(0.0, highest, most=6))
    _body(panel, [(at, trace)], marks, events, others)
    _say(panel, marks)
    for event in events:
        panel.beside(message(f"snap.{event['name']}"), panel.x(event["first"]), palette.quiet)
    return panel


def _mixture(
    mixture: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    top: float,
    times: tuple[float, float],
    palette: Palette,
) -> _Panel:
    """Lambda of every bank, as recorded; both ends say which is rich."""
    volts, marks, others = mixture["volts"], mixture["marks"], mixture.get("others", ())
    levels = [level for _, trace in (*mixture["traces"], *others) for level in trace]
    levels += [mark[end] for mark in marks for end in ("low", "high")]
    if not volts:
        levels = [level for level in levels if _LAMBDA_SHOWN[0] <= level <= _LAMBDA_SHOWN[1]]
    low, high = (min(levels), max(levels)) if levels else (0.0, 1.0)
    room = 0.18 * max(high - low, 0.05)
    panel = _Panel(top, _LAMBDA_HEIGHT, times, (low - room, high + room), palette)
    _axis(panel, message("snap.lambda_v" if volts else "snap.lambda_ratio"))
    for up in (True, False):
        words = ("↑ " if up else "↓ ") + message("snap.rich" if up == mixture["rich_is_up"] else "snap.lean")
        edge = panel.top + 2.0 if up else panel.top + panel.height - TEXT - 4.0
        edge = next(
            (line + 2.0 if up else line - TEXT - 4.0 for line in panel.ruled if -2.0 < line - edge < TEXT + 4.0), edge
        )
        panel.write(words, (_LEFT + 3.0, edge, _LEFT + 3.0 + wide(words, TEXT), edge + TEXT + 2.0), palette.quiet)
    if curve := mixture.get("transfer"):
        of_volts, ratios = (np.asarray(column) for column in curve)
        rising = np.argsort(ratios)
        known = [ratio for ratio in _RATIOS if ratios.min() <= ratio <= ratios.max()]
        _right_axis(
            panel,
            lambda ratio: float(np.interp(ratio, ratios[rising], of_volts[rising])),
            message("snap.lambda_ratio"),
            known,
        )
    _body(panel, mixture["traces"], marks, events, others)
    _say(panel, marks)
    return panel


def _body(
    panel: _Panel,
    traces: Sequence[Sequence[Sequence[float]]],
    marks: Sequence[Mapping[str, Any]],
    events: Sequence[Mapping[str, Any]],
    others: Sequence[Sequence[Sequence[float]]],
) -> None:
    """Bands, then events, then the other snaps, the traces and levels, each over what is before it."""
    colours, lines = panel.palette, []
    for mark in marks:
        if mark["kind"] == "band":
            left, right, upper, lower = (
                panel.x(mark["first"]),
                panel.x(mark["stop"]),
                panel.y(mark["high"]),
                panel.y(mark["low"]),
            )
            lines.append(
                f'<rect class="band" x="{left:.1f}" y="{upper:.1f}" width="{right - left:.1f}" '
                f'height="{max(lower - upper, 2.0):.1f}" {_band_look(colours)}/>'
            )
            panel.band_seen |= lower - upper > _LEVEL or any(
                _outside(m, marks) for m in marks if m["name"] == mark["name"]
            )
    for event in events:
        x = panel.x(event["first"])
        panel.traced += filled([(x, panel.top), (x, panel.top + panel.height)])
        lines.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{panel.top:.1f}" y2="{panel.top + panel.height:.1f}" '
            f'stroke="{colours.quiet}" stroke-width="1" stroke-dasharray="2 3"/>'
        )
    lines += [_line(panel, other, f'stroke="{colours.past}" stroke-width="1" class="other"') for other in others]
    for number, trace in enumerate(traces):
        dash = ' stroke-dasharray="5 3"' if number else ""
        lines.append(_line(panel, trace, f'stroke="{colours.accent}" stroke-width="1.8"{dash}'))
    for mark in marks:
        y = panel.y(mark["low"])
        colour = _colour(mark, marks, colours)
        if mark["kind"] == "level":
            lines.append(
                f'<line x1="{panel.x(mark["first"]):.1f}" x2="{panel.x(mark["stop"]):.1f}" y1="{y:.1f}" y2="{y:.1f}" '
                f'stroke="{colour}" stroke-width="{_LEVEL:g}"/>'
            )
    panel.lines[:0] = lines


def _line(panel: _Panel, trace: Sequence[Sequence[float]], look: str) -> str:
    """One trace, which labels keep clear of."""
    points = [
        (panel.x(time), panel.y(level))
        for time, level in zip(*trace, strict=True)
        if panel.times[0] <= time <= panel.times[1]
    ]
    panel.traced += filled(points)
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{path}" fill="none" stroke-linejoin="round" {look}/>'


def _colour(mark: Mapping[str, Any], marks: Sequence[Mapping[str, Any]], colours: Palette) -> str:
    """Outside what is expected, told and not judged, or neither."""
    return colours.alarm if _outside(mark, marks) else colours.quiet if mark["name"] == HIGHEST else colours.ink


def _say(panel: _Panel, marks: Sequence[Mapping[str, Any]]) -> None:
    """Labels of what is marked, the one that matters most first; over them the points, which the ground of a label would hide."""
    points = [mark for mark in marks if mark["kind"] == "point" and mark["name"] in _NAMED]
    for mark in points:
        x, y = panel.x(mark["first"]), panel.y(mark["low"])
        panel.written.append((x - _RING, y - _RING, x + _RING, y + _RING))
    shown = [mark for mark in marks if mark["kind"] in ("point", "level") and mark["name"] in _NAMED]
    for mark in sorted(shown, key=lambda mark: _NAMED.index(mark["name"])):
        middle = 0.5 * (panel.x(mark["first"]) + panel.x(mark["stop"]))
        colour = _colour(mark, marks, panel.palette)
        name = message(f"snap.{mark['name'].removeprefix('lambda_')}")
        panel.label(name, middle, panel.y(mark["low"]), colour)
    for mark in points:
        colour = _colour(mark, marks, panel.palette)
        panel.lines.append(
            f'<circle cx="{panel.x(mark["first"]):.1f}" cy="{panel.y(mark["low"]):.1f}" r="4" '
            f'fill="{colour if _judged(mark, marks) else panel.palette.paper}" stroke="{colour}" stroke-width="2"/>'
        )


def _axis(panel: _Panel, title: str) -> None:
    """Title above the panel, levels on its left, and a frame."""
    colours = panel.palette
    panel.write(title, (0.0, panel.top - TEXT - 5.0, wide(title, TEXT), panel.top - 3.0), colours.quiet)
    for tick in _ticks(*panel.levels, most=4):
        y = panel.y(tick)
        panel.ruled.append(y)
        panel.lines.append(
            f'<line x1="{_LEFT:g}" x2="{WIDTH - _RIGHT:g}" y1="{y:.1f}" y2="{y:.1f}" stroke="{colours.line}"/>'
        )
        panel.write(_numeral(tick), (0.0, y - 0.6 * SMALL, _LEFT - 5.0, y + 0.6 * SMALL), colours.quiet, SMALL, "end")


def _right_axis(panel: _Panel, drawn: Callable[[float], float], title: str, figures: Sequence[float]) -> None:
    """On the right of volts what the sensor's own curve makes of them: figures, the first first, each at its volts where it finds room."""
    right = WIDTH - _RIGHT + 5.0
    panel.write(
        title,
        (WIDTH - wide(title, TEXT), panel.top - TEXT - 5.0, WIDTH, panel.top - 3.0),
        panel.palette.quiet,
        anchor="end",
    )
    taken: list[float] = []
    for figure in figures:
        level = drawn(figure)
        y = panel.y(level)
        if panel.levels[0] <= level <= panel.levels[1] and all(abs(y - other) >= SMALL + 3.0 for other in taken):
            taken.append(y)
            panel.write(_numeral(figure), (right, y - 0.6 * SMALL, WIDTH, y + 0.6 * SMALL), panel.palette.quiet, SMALL)


def _time_axis(panel: _Panel, from_opening: bool) -> list[str]:
    bottom = panel.top + panel.height
    axis = _Panel(bottom, 2.0 * SMALL + 12.0, panel.times, (0.0, 1.0), panel.palette)
    for tick in _ticks(*panel.times, most=6):
        x, half = panel.x(tick), 0.5 * wide(_numeral(tick), SMALL)
        box = (x - half, bottom + 3.0, x + half, bottom + SMALL + 5.0)
        axis.write(_numeral(tick), box, panel.palette.quiet, SMALL, "middle")
    words = message("snap.time" if from_opening else "snap.time_recorded")
    low = bottom + SMALL + 6.0
    axis.write(words, (_LEFT, low, WIDTH - _RIGHT, low + SMALL + 4.0), panel.palette.quiet, SMALL, "middle")
    return axis.lines


def _keys(
    panels: Sequence[_Panel], air: Mapping[str, Any], mixture: Mapping[str, Any]
) -> Iterator[tuple[str, tuple[float, str]]]:
    """What the drawing has beside the snap itself: in words, and the height and look of its sign."""
    palette = panels[0].palette
    if any(panel.band_seen for panel in panels):
        yield message("snap.expected"), (SMALL, _band_look(palette))
    if air.get("others") or mixture.get("others"):
        yield message("snap.others"), (1.5, f'fill="{palette.past}"')
    marks = [*air["marks"], *mixture["marks"]]
    points = [mark for mark in marks if mark["kind"] == "point" and mark["name"] in _NAMED]
    if any(not _judged(mark, marks) for mark in points):
        ring = f'rx="4" fill="{palette.paper}" stroke="{palette.ink}" stroke-width="2"'
        yield message("snap.only_read"), (8.0, ring)


def _key(words: str, look: tuple[float, str], top: float, palette: Palette) -> list[str]:
    key = _Panel(top, SMALL + 8.0, (0.0, 1.0), (0.0, 1.0), palette)
    left, (high, drawn) = _LEFT + 28.0, look
    y, broad = top + 0.5 * (SMALL - high), high if "rx=" in drawn else 22.0
    at = _LEFT + 0.5 * (22.0 - broad)
    key.lines.append(f'<rect x="{at:g}" y="{y:.1f}" width="{broad:g}" height="{high:g}" {drawn}/>')
    key.write(words, (left, top - 2.0, left + wide(words, SMALL), top + SMALL), palette.quiet, SMALL)
    return key.lines


def _band_look(palette: Palette) -> str:
    return f'fill="{palette.band}" stroke="{palette.well}" stroke-width="1.2" stroke-dasharray="4 2"'


def _ticks(low: float, high: float, *, most: int) -> list[float]:
    """Round numbers from low to high; none where there is no room between."""
    if not high > low:
        return []
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step *= next(factor for factor in (1.0, 2.0, 5.0, 10.0) if (high - low) / (factor * step) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _judged(mark: Mapping[str, Any], marks: Sequence[Mapping[str, Any]]) -> bool:
    """Whether a point is held against a band."""
    return any(band["kind"] == "band" and band["name"] == mark["name"] for band in marks)


def _outside(mark: Mapping[str, Any], marks: Sequence[Mapping[str, Any]]) -> bool:
    """Whether a level lies outside the band it is expected in."""
    bands = [band for band in marks if band["kind"] == "band" and band["name"] == mark["name"]]
    return any(not band["low"] <= mark["low"] <= band["high"] for band in bands)


def _numeral(tick: float) -> str:
    return in_language(f"{tick:g}".replace("-", text.MINUS), language())
