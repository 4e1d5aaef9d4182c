"""How one quantity of one van has moved, as a drawing: large on a van's card, small beside it on the list."""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from dashboards import drawing, text
from dashboards.charts import Row, column
from dashboards.display import language, units
from dashboards.drawing import Drawing, Floats, Frame
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts.facts.fact import Fact
from data_contracts.facts.numerals import in_language, plain
from data_contracts.facts.rendering import render_place
from data_contracts.weeks import week_name, week_number
from models.statistics.few_values import differ_by


@dataclass(frozen=True)
class _Size:
    """Of a drawing, and the room left, above, right and below of its plot: levels stand to the left, names of lines to the
    right. [px]"""

    width: float
    height: float
    left: float
    above: float
    right: float
    below: float
    most: float

    def frame(self, x: tuple[float, float], y: tuple[float, float]) -> Frame:
        """Where the plot lies."""
        width, height = self.width - self.left - self.right, self.height - self.above - self.below
        return Frame(x, y, left=self.left, top=self.above, width=width, height=height)


_SIZES = {
    "large": _Size(520, 240, 50, 28, 122, 30, most=620),
    "narrow": _Size(340, 220, 42, 26, 120, 28, most=420),
    "small": _Size(260, 100, 6, 22, 8, 20, most=300),
    "slim": _Size(330, 104, 6, 22, 8, 20, most=360),
}
"""For a card, for a card on a phone; to stand beside a line of text without levels and names, and the same on a phone, whose width it
has: letters that grew with it would be larger than the text."""

_NAMES_FROM = 18.0
"""Left end of the names at the right of a plot, from its edge. [px]"""
_LETTER = 9.2
"""Width of a bold letter of a name, at most on average, in any font a browser may take. [px]"""
_APART = 17.0
"""Between two names at the right. [px]"""
_UNSEEN = 6
"""Longer without a visit, the line is dotted: nothing was seen of the way between. Common practice, no source (2026-11-30). [week]"""


def trend_picture(
    rows: Sequence[Row],
    palette: Palette,
    *,
    fact: Fact | None = None,
    size: Literal["large", "narrow", "small", "slim"] = "large",
    reach: tuple[float, float] | None = None,
    of: str = "",
) -> Drawing | None:
    """How one quantity of one van has moved: range expected and point at each visit, alarms as crosses, limits dashed.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of one trend, oldest first.
    palette : Palette
        Colours.
    fact : Fact or None
        The verdict about the quantity, as `models.work.in_short` gives it: what it was and is now is named beside the lines; of
        repeats that disagree their spread is drawn.
    size : {"large", "narrow", "small", "slim"}
        For a card, for a card on a phone, or without levels and names to stand beside a line of text, on a desk and on a phone.
    reach : tuple of float or None
        Values that the scale reaches, for drawings that are compared. [unit of the quantity]
    of : str
        The van, where several stand beside each other.

    Returns
    -------
    Drawing or None
        None without a value.
    """
    name = str(rows[0]["quantity"])
    scale = text.scale(text.unit(name))
    value, low, high = (scale * column(rows, each) for each in ("value", "expected_low", "expected_high"))
    if not np.isfinite(value).any():
        return None
    spread = None
    if fact is not None and fact.code == "in_short_unsteady":
        spread = scale * np.array([differ_by(row) for row in rows], dtype=np.float64)
        # what is expected of the level says nothing of how far its snaps lie apart
        low, high = np.full_like(value, np.nan), np.full_like(value, np.nan)
    weeks = np.array([week_number(str(row["week"])) for row in rows], dtype=np.float64)
    limits = [scale * at for key in ("limit_low", "limit_high") if (at := text.finite(rows[-1].get(key))) is not None]
    foot, top = _span(value, low, high, limits, spread) if reach is None else _room(scale * np.array(reach))
    limits = [limit for limit in limits if foot <= limit <= top]
    on, small = _with_room(_SIZES[size], rows, fact, limits), size in ("small", "slim")
    frame = on.frame((weeks[0], max(weeks[-1], weeks[0] + 1)), (foot, top))
    parts = [drawing.words(on.left if small else 4, 13, text.quantity_with_unit(name), palette.quiet, 12)]
    parts += _weeks(frame, weeks, palette, steps=3 if size == "large" else 1)
    if not small:
        parts += _levels(frame, palette)
    parts += _expected(frame, weeks, low, high, palette, 4.0 if small else 8.0)
    known = np.isfinite(low) & np.isfinite(high)
    for limit in limits:
        across, down = frame.at(frame.x[0], limit)
        parts.append(drawing.rule(across, down, frame.left + frame.width, palette.alarm, 1.3, "5 4"))
    names = [(limit, message("card.limit", level=_level_of(limit, name, fact)), palette.alarm, 400) for limit in limits]
    if not small and fact is not None and fact.code == "in_short":
        told, lines = _was_and_now(frame, fact, scale, palette)
        parts += lines
        names += told
    if not small and fact is not None and spread is not None:
        names += _apart_at_last(fact, rows, value, spread, palette)
    if not small:
        parts += _named(frame, names, palette)
    if spread is not None:
        parts += _spread(frame, rows, weeks, value, spread, palette)
    parts += _course(frame, weeks, value, palette, 1.5 if small else 1.8)
    parts += _visits(frame, rows, weeks, value, palette, small=small)
    says = _says(
        rows,
        of,
        expected=bool(known.any()),
        alarms=any(row.get("alarm") for row in rows),
        limits=len(limits),
        spread=spread is not None,
    )
    return drawing.drawing(parts, on.width, on.height, says, most=on.most)


def _says(
    rows: Sequence[Mapping[str, Any]], of: str, *, expected: bool, alarms: bool, limits: int, spread: bool
) -> str:
    """What is drawn, in words; nothing that is not."""
    title, first, last = text.quantity(str(rows[0]["quantity"])), str(rows[0]["week"]), str(rows[-1]["week"])
    told = [message("card.trend", title=f"{of}: {title}" if of else title, first=first, week=last)]
    there = {
        "spread": spread,
        "expected": expected,
        "crosses": alarms and not spread,
        "crosses_apart": alarms and spread,
        "dashed": bool(limits),
    }
    return " ".join([*told, *(message(f"card.trend_{key}") for key, drawn in there.items() if drawn)])


def _course(frame: Frame, weeks: Floats, value: Floats, palette: Palette, width: float) -> list[str]:
    """The line through the visits, dotted where none came for long."""
    seen = np.isfinite(value)
    across, level = weeks[seen], value[seen]
    gaps = np.flatnonzero(np.diff(across) > _UNSEEN)
    ends = [0, *(gaps + 1).tolist(), len(across)]
    drawn = [
        drawing.line(frame, across[k : k + 2], level[k : k + 2], palette.accent, 0.8 * width, "0.1 4") for k in gaps
    ]
    for start, end in itertools.pairwise(ends):
        drawn.append(drawing.line(frame, across[start:end], level[start:end], palette.accent, width))
    return drawn


def _visits(
    frame: Frame, rows: Sequence[Row], weeks: Floats, value: Floats, palette: Palette, *, small: bool
) -> list[str]:
    """A point for each visit, a cross where it stands in alarm."""
    drawn = []
    for row, week, level in zip(rows, weeks, value, strict=True):
        if np.isfinite(level) and row.get("alarm"):
            drawn.append(drawing.cross(frame, float(week), float(level), palette.alarm, 2.8 if small else 4.2))
        elif np.isfinite(level):
            drawn.append(drawing.dot(frame, float(week), float(level), palette.accent, 1.9 if small else 3.0))
    return drawn


def _expected(frame: Frame, weeks: Floats, low: Floats, high: Floats, palette: Palette, width: float) -> list[str]:
    """The range by which each visit was judged, as a bar at the visit: between visits nothing was known."""
    bars = []
    for week, under, over in zip(weeks, low, high, strict=True):
        if np.isfinite(under) and np.isfinite(over):
            across, foot = frame.at(float(week), max(float(under), frame.y[0]))
            _, top = frame.at(float(week), min(float(over), frame.y[1]))
            bars.append(
                f'<rect x="{across - width / 2:.1f}" y="{top:.1f}" width="{width}" height="{max(foot - top, 0.0):.1f}" '
                f'fill="{palette.band}" stroke="{palette.past}" stroke-width="1"/>'
            )
    return bars


def _spread(
    frame: Frame, rows: Sequence[Row], weeks: Floats, value: Floats, spread: Floats, palette: Palette
) -> list[str]:
    """How far the snaps of each visit lie apart, as an upright line with ends."""
    drawn = []
    for row, week, level, half in zip(rows, weeks, value, spread, strict=True):
        if not np.isfinite(level) or not np.isfinite(half):
            continue
        across, foot = frame.at(float(week), max(float(level - half), frame.y[0]))
        _, top = frame.at(float(week), min(float(level + half), frame.y[1]))
        colour = palette.alarm if row.get("unsteady") else palette.accent
        drawn.append(
            f'<path d="M{across:.1f} {foot:.1f}V{top:.1f}M{across - 3:.1f} {foot:.1f}h6M{across - 3:.1f} {top:.1f}h6" '
            f'stroke="{colour}" stroke-width="1.6" fill="none"/>'
        )
    return drawn


def _apart_at_last(
    fact: Fact, rows: Sequence[Row], value: Floats, spread: Floats, palette: Palette
) -> list[tuple[float, str, str, int]]:
    """How far the snaps last lay apart, at the top of that line, and how far they usually do, at the level; as the verdict says it."""
    apart = [
        k for k, row in enumerate(rows) if row.get("unsteady") and np.isfinite(value[k]) and np.isfinite(spread[k])
    ]
    told = {key: render_place(fact, key, language(), units()) for key in ("visit_spread", "usual_spread")}
    if not apart or None in told.values():
        return []
    last = apart[-1]
    return [
        (float(value[last] + spread[last]), message("card.now", level=f"± {told['visit_spread']}"), palette.alarm, 650),
        (float(value[last]), message("card.usual", level=f"± {told['usual_spread']}"), palette.ink, 400),
    ]


def _with_room(on: _Size, rows: Sequence[Row], fact: Fact | None, limits: Sequence[float]) -> _Size:
    """The size with as much room at the right as the names there need."""
    name = str(rows[0]["quantity"])
    told = [message("card.limit", level=_level_of(limit, name, fact)) for limit in limits]
    if fact is not None and fact.code == "in_short_unsteady":
        for key, place in (("now", "visit_spread"), ("usual", "usual_spread")):
            told.append(message(f"card.{key}", level=f"± {render_place(fact, place, language(), units()) or ''}"))
    if fact is not None and fact.code == "in_short":
        for key, place in (("was", "was"), ("others", "others"), ("now", "rounded")):
            told.append(message(f"card.{key}", level=render_place(fact, place, language(), units()) or ""))
    longest = max(map(len, told), default=0)
    return on if on.right < 20 else replace(on, right=max(_NAMES_FROM + _LETTER * longest, 20.0))


def _was_and_now(
    frame: Frame, fact: Fact, scale: float, palette: Palette
) -> tuple[list[tuple[float, str, str, int]], list[str]]:
    """Names and lines of the level now and of what it is held against, in the figures of the verdict."""
    names, lines, ends = [], [], []
    against = "others" if "peer_baseline" in fact.numbers else "was"
    for key, number, place, colour, weight in (
        (against, "peer_baseline" if against == "others" else "baseline", against, palette.ink, 400),
        ("now", "level", "rounded", palette.alarm, 650),
    ):
        told, at = render_place(fact, place, language(), units()), fact.numbers.get(number)
        if told is None or at is None or not frame.y[0] <= scale * at <= frame.y[1]:
            continue
        names.append((scale * at, message(f"card.{key}", level=text.plain_minus(told)), colour, weight))
        ends.append(scale * at)
        if key != "now":
            across, down = frame.at(frame.x[0], scale * at)
            lines.append(drawing.rule(across, down, frame.left + frame.width, palette.quiet, 1.0, "1.5 3"))
    if len(ends) == 2:
        lines.append(_arrow(frame, ends[0], ends[1], palette))
    return names, lines


def _arrow(frame: Frame, start: float, end: float, palette: Palette) -> str:
    """From what it was to what it is, beside the last visit."""
    across = frame.left + frame.width + 8
    (_, first), (_, last) = frame.at(frame.x[1], start), frame.at(frame.x[1], end)
    way = 4.0 if last < first else -4.0
    return (
        f'<path d="M{across:.1f} {first:.1f}V{last:.1f}m-3.5 {way:.1f}L{across:.1f} {last:.1f}l3.5 {way:.1f}" '
        f'stroke="{palette.alarm}" stroke-width="1.6" fill="none" stroke-linejoin="round"/>'
    )


def _named(frame: Frame, names: Sequence[tuple[float, str, str, int]], palette: Palette) -> list[str]:
    """Names of lines at the right, each at its line or as near to it as the others leave room."""
    places = [frame.at(frame.x[1], level)[1] for level, *_ in names]
    order = sorted(range(len(names)), key=lambda k: places[k])
    down, placed = -np.inf, {}
    for k in order:
        placed[k] = down = max(places[k], down + _APART)
    last = frame.top + frame.height
    for k in reversed(order):  # what was pushed past the foot moves up again, and those above it
        placed[k] = last = min(placed[k], last)
        last -= _APART
    across = frame.left + frame.width + _NAMES_FROM
    return [
        drawing.words(across, placed[k] + 4, says, colour, 12, weight=weight, paper=palette.paper)
        for k, (_, says, colour, weight) in enumerate(names)
    ]


def _level_of(limit: float, name: str, fact: Fact | None) -> str:
    """A limit that is in the reader's unit, with it: in the figures of the verdict where that names it."""
    unit = text.unit(name)
    named = None if fact is None else text.in_units(fact.numbers.get("limit"), unit)
    if fact is not None and named is not None and math.isclose(named, limit):
        return text.plain_minus(render_place(fact, "limit", language(), units()) or "")
    return text.plain_minus(in_language(plain(limit), language())) + (
        "" if unit == "1" else f" {text.shown_unit(unit)}"
    )


def _room(values: Floats) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.08 * (high - low or abs(high) or 1.0)
    return low - room, high + 1.5 * room


def _span(
    value: Floats, low: Floats, high: Floats, limits: Sequence[float], spread: Floats | None
) -> tuple[float, float]:
    """From the lowest to the highest that is drawn; a far limit does not flatten the trend, a wide range neither."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    usual = float(np.nanmedian(half)) if np.isfinite(half).any() else 0.0
    about = [value, middle - np.minimum(half, 3 * usual), middle + np.minimum(half, 3 * usual)]
    if spread is not None:
        about += [value - spread, value + spread]
    held = np.concatenate(about)
    first, last = float(np.nanmin(held)), float(np.nanmax(held))
    reach = (last - first) or abs(last) or 1.0
    for limit in limits:
        if first - reach <= limit <= last + reach:
            first, last = min(first, limit), max(last, limit)
    return first - 0.08 * reach, last + 0.12 * reach


def _levels(frame: Frame, palette: Palette) -> list[str]:
    parts, levels = [], drawing.ticks(*frame.y)
    for level in levels:
        across, down = frame.at(frame.x[0], level)
        parts.append(drawing.rule(across, down, frame.left + frame.width, palette.line))
        parts.append(drawing.words(across - 10, down + 4, text.tick(level, levels), palette.quiet, 12, "end"))
    return parts


def _weeks(frame: Frame, weeks: Floats, palette: Palette, *, steps: int) -> list[str]:
    """The first and last week, and where there is room some between them."""
    first, last = float(weeks[0]), float(weeks[-1])
    down = frame.top + frame.height + 18
    steps = 1 if last - first < 6 else steps
    parts = []
    for step in range(steps + 1 if last > first else 1):
        week = round(first + (last - first) * step / steps)
        across, _ = frame.at(float(week), frame.y[0])
        name, anchor = week_name(week), "start" if step == 0 else "end" if step == steps else "middle"
        parts.append(drawing.words(across, down, name if step == 0 else name[5:], palette.quiet, 12, anchor))
    return parts
