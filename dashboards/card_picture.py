"""The picture on a van's card: this visit's trace over those of its earlier visits, with the difference marked."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dashboards import drawing, lambda_panel, text
from dashboards.drawing import Drawing, Floats, Frame
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts import lambda_axis
from data_contracts.family import LambdaSensor
from data_contracts.quantities.record import Seen
from models.reading.aligned_traces import OPENING_GRID_S, RELEASE_GRID_S
from pipelines.read_side.past_snaps import PastSnaps

Mask = NDArray[np.bool_]
Side = Literal["above", "below"]
Windows = tuple[tuple[float, float], ...]

WIDTH, NARROW, HEIGHT = 480, 340, 260
"""Of the drawing, of the one for a phone, and of both. [px]"""
_LEFT, _RIGHT, _TOP, _FOOT, _GAP = 42, 8, 26, 34, 18
_OUTSIDE = 0.06
"""The trace counts as outside the band from this share of the drawn range."""


def trace_picture(
    snaps: PastSnaps,
    seen: Seen,
    mark: str,
    *,
    side: Side | None = None,
    narrowband: bool,
    rich_is_up: bool | None,
    palette: Palette,
    says: str,
    width: float = WIDTH,
) -> Drawing | None:
    """The latest snap over the range of earlier ones, with where it leaves that range marked.

    Parameters
    ----------
    snaps : PastSnaps
        The latest snap, and earlier ones.
    seen : Seen
        Trace, and where on it the difference is looked for.
    mark : str
        Words at the difference.
    side : {"above", "below"} or None
        Where of the band the difference lies, as `side_drawn` tells; None for either.
    narrowband : bool
        The lambda trace is in volts.
    rich_is_up : bool or None
        Rich is up on the axis of lambda; None where that is not known.
    palette : Palette
        Colours.
    says : str
        What it shows, in words.
    width : float
        Of the drawing. [px]

    Returns
    -------
    Drawing or None
        None where there is nothing to lay it over, or it does not leave it on that side.
    """
    trace = seen.trace
    latest, earlier = _drawn_traces(snaps, trace, volts=narrowband)
    if not earlier.shape[0] or not np.isfinite(latest).any() or not np.isfinite(earlier).any():
        return None
    low, high = _range(earlier)
    foot, top = _reach(np.concatenate([latest, low, high]))
    over = np.where((latest > high) & (side != "below"), latest - high, 0.0)
    beyond = np.where((latest < low) & (side != "above"), low - latest, over)
    looked = np.concatenate([_inside(OPENING_GRID_S, seen.after_opening), _inside(RELEASE_GRID_S, seen.after_release)])
    outside = (np.nan_to_num(beyond) > _OUTSIDE * (top - foot)) & looked
    if not outside.any():
        return None
    rising, falling = _frames((foot, top), width)
    split = OPENING_GRID_S.size
    right = width - _RIGHT
    parts = [_axis(rising, right, trace, palette, volts=narrowband), _title(trace, palette, volts=narrowband)]
    if trace == "lambda" and rich_is_up is not None:
        parts.append(lambda_panel.ends(rising, palette, rich_is_up=rich_is_up))
    for frame, grid, part in ((rising, OPENING_GRID_S, slice(0, split)), (falling, RELEASE_GRID_S, slice(split, None))):
        parts.append(_moment(frame, message("snap.opening" if frame is rising else "snap.release"), palette))
        parts += _over_band(frame, grid, latest[part], (low[part], high[part]), outside[part], palette)
    parts.append(
        _mark((rising, falling), right, latest, (latest, low, high), outside, np.nan_to_num(beyond), mark, palette)
    )
    return drawing.drawing(parts, width, HEIGHT, says, most=620)


def _over_band(
    frame: Frame, grid: Floats, latest: Floats, band: tuple[Floats, Floats], outside: Mask, palette: Palette
) -> list[str]:
    """The range of earlier snaps with its edges, what lies outside of it shaded, and the latest snap."""
    low, high = band
    edge = np.where(latest > high, high, low)
    under, over = np.minimum(edge, latest), np.maximum(edge, latest)
    return [
        drawing.band(frame, grid, low, high, palette.past, 0.32),
        *(drawing.line(frame, grid, one, palette.past, 1.0) for one in band),
        *(drawing.band(frame, grid[a:b], under[a:b], over[a:b], palette.alarm, 0.28) for a, b in _wider(outside)),
        drawing.line(frame, grid, latest, palette.accent, 2.2),
    ]


def side_drawn(quantity: str, seen: Seen, side: str, sensor: LambdaSensor | None) -> Side | None:
    """On which side of the band a quantity is seen that is higher or lower than expected.

    Parameters
    ----------
    quantity : str
        Quantity.
    seen : Seen
        Where it is seen.
    side : {"high", "low"}
        Where it lies of what is expected.
    sensor : LambdaSensor or None
        Of the family.

    Returns
    -------
    {"above", "below"} or None
        None for what is no level, and may show on either side.
    """
    if not seen.level:
        return None
    up = side == "high"
    if seen.trace == "lambda":
        narrowband = quantity.endswith("_v") if sensor is None else sensor.kind == "narrowband"
        rich_low = sensor is not None and sensor.polarity == "rich_low"
        as_drawn = quantity.endswith("_v") == narrowband  # volts of a narrowband sensor are drawn, else lambda
        up = up if as_drawn or rich_low else not up  # where volts fall when rich they rise with lambda
    return "above" if up else "below"


def _inside(grid: Floats, windows: Windows) -> Mask:
    inside: Mask = np.zeros(grid.size, dtype=np.bool_)
    for first, last in windows:
        inside |= (grid >= first) & (grid <= last)
    return inside


def _range(earlier: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest of the earlier snaps at each point; NaN where none reached it."""
    known = np.isfinite(earlier).any(axis=0)
    low, high = np.full(earlier.shape[1], np.nan), np.full(earlier.shape[1], np.nan)
    low[known], high[known] = np.nanmin(earlier[:, known], axis=0), np.nanmax(earlier[:, known], axis=0)
    return low, high


def _reach(values: Floats) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.06 * (high - low or abs(high) or 1.0)
    return low - room, high + 2.2 * room


def _frames(y: tuple[float, float], width: float) -> tuple[Frame, Frame]:
    room = width - _LEFT - _GAP - _RIGHT
    first = room * 0.6
    height = HEIGHT - _TOP - _FOOT
    rising = Frame((OPENING_GRID_S[0], OPENING_GRID_S[-1]), y, left=_LEFT, top=_TOP, width=first, height=height)
    left = _LEFT + first + _GAP
    return rising, Frame(
        (RELEASE_GRID_S[0], RELEASE_GRID_S[-1]), y, left=left, top=_TOP, width=room - first, height=height
    )


def _wider(here: Mask) -> list[tuple[int, int]]:
    """Runs of true values, one point wider at each end, so that the shading meets the band."""
    return [(max(0, a - 1), min(here.size, b + 1)) for a, b in drawing.stretches(here)]


def _drawn_traces(snaps: PastSnaps, trace: str, *, volts: bool) -> tuple[Floats, Floats]:
    """The latest and the earlier traces where they are drawn: flow in the reader's unit, volts, or lambda."""
    if trace == "airflow":
        scale = text.scale("g/s")
        return scale * snaps.latest_airflow, scale * snaps.airflow
    if volts:
        return snaps.latest_lambda, snaps.lambda_signal
    return lambda_axis.height(snaps.latest_lambda), lambda_axis.height(snaps.lambda_signal)


def _axis(frame: Frame, right: float, trace: str, palette: Palette, *, volts: bool) -> str:
    """Lines with their levels: flow, volts or lambda."""
    if trace == "lambda" and not volts:
        return lambda_panel.lines(frame, right, palette)
    levels = drawing.ticks(*frame.y)
    drawn = ""
    for level in levels:
        across, down = frame.at(frame.x[0], level)
        drawn += drawing.rule(across, down, right, palette.line)
        drawn += drawing.words(across - 6, down + 4, text.tick(level, levels), palette.quiet, 12, "end")
    return drawn


def _title(trace: str, palette: Palette, *, volts: bool) -> str:
    if trace == "airflow":
        says = message("snap.airflow", unit=text.shown_unit("g/s"))
    else:
        says = message("snap.lambda_v" if volts else "snap.lambda_ratio")
    return drawing.words(4, 14, says, palette.quiet, 12)


def _moment(frame: Frame, says: str, palette: Palette) -> str:
    """The opening or the release, and half a second after it."""
    across, foot = frame.at(0.0, frame.y[0])
    drawn = (
        f'<line x1="{across:.1f}" y1="{frame.top}" x2="{across:.1f}" y2="{foot:.1f}" stroke="{palette.quiet}" '
        'stroke-dasharray="2 3"/>' + drawing.words(across, foot + 16, says, palette.quiet, 12)
    )
    later, _ = frame.at(0.5, frame.y[0])
    return drawn + drawing.words(later, foot + 31, f"+{text.number(0.5, 1)} s", palette.quiet, 12, "middle")


def _mark(
    frames: tuple[Frame, Frame],
    right: float,
    latest: Floats,
    drawn: Sequence[Floats],
    outside: Mask,
    beyond: Floats,
    says: str,
    palette: Palette,
) -> str:
    """Words at the middle of the longest stretch outside, and a line to it."""
    split = OPENING_GRID_S.size
    runs = [(a, b) for a, b in drawing.stretches(outside[:split])]
    runs += [(a + split, b + split) for a, b in drawing.stretches(outside[split:])]
    a, b = max(runs, key=lambda run: float(beyond[run[0] : run[1]].sum()))
    middle = (a + b) // 2
    frame, grid = (frames[0], OPENING_GRID_S) if middle < split else (frames[1], RELEASE_GRID_S)
    across, down = frame.at(float(grid[middle - (0 if middle < split else split)]), float(latest[middle]))
    half = 4.1 * len(says)  # of the words, generously
    side = min(max(across, _LEFT + half), right - half)
    to = _free(frames, (side - half, side + half), down, drawn)
    over = to < down
    return (
        f'<line x1="{across:.1f}" y1="{down:.1f}" x2="{side:.1f}" y2="{to + (3 if over else -11):.1f}" '
        f'stroke="{palette.alarm}" stroke-width="1.4"/>'
        f'<circle cx="{across:.1f}" cy="{down:.1f}" r="3.4" fill="none" stroke="{palette.alarm}" stroke-width="1.8"/>'
        + drawing.words(side, to, says, palette.alarm, 13, "middle", weight=600, paper=palette.paper)
    )


def _free(frames: tuple[Frame, Frame], span: tuple[float, float], down: float, drawn: Sequence[Floats]) -> float:
    """Foot of a line of words over a span, where it covers least of what is drawn and stands nearest to a height. [px]"""
    split = OPENING_GRID_S.size
    points = [
        frame.at(float(at), float(level))
        for frame, grid, part in (
            (frames[0], OPENING_GRID_S, slice(0, split)),
            (frames[1], RELEASE_GRID_S, slice(split, None)),
        )
        for trace in drawn
        for at, level in zip(grid, trace[part], strict=True)
        if np.isfinite(level)
    ]
    inside = np.array([y for x, y in points if span[0] <= x <= span[1]])
    top, foot = frames[0].top + 14.0, frames[0].top + frames[0].height - 5.0
    places = [place for place in np.arange(top, foot + 1.0, 6.0) if abs(place - 5.0 - down) >= 22.0]
    return float(min(places, key=lambda to: 40.0 * np.count_nonzero(np.abs(inside - to + 5.0) < 12.0) + abs(to - down)))
