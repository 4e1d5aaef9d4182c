"""The picture on a van's card: this visit's trace over the healthy band, or how one quantity has moved; and the small trend."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dashboards import drawing, text
from dashboards.charts import Row, column
from dashboards.drawing import Drawing, Floats, Frame
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts.family import LambdaSensor
from data_contracts.quantities.record import Seen
from data_contracts.weeks import week_start
from models.reading.aligned_traces import OPENING_GRID_S, RELEASE_GRID_S
from pipelines.read_side.past_snaps import PastSnaps

Mask = NDArray[np.bool_]
Side = Literal["above", "below"]
Windows = tuple[tuple[float, float], ...]

WIDTH, HEIGHT = 430, 250
_LEFT, _TOP, _FOOT, _GAP = 42, 26, 34, 18
_OUTSIDE = 0.06
"""The trace counts as outside the band from this share of the drawn range."""
_LAMBDAS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.3, 1.6, 2.0)


def trace_picture(
    snaps: PastSnaps,
    seen: Seen,
    mark: str,
    *,
    side: Side | None = None,
    narrowband: bool,
    rich_is_up: bool,
    palette: Palette,
    says: str,
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
    rich_is_up : bool
        Those volts rise when rich.
    palette : Palette
        Colours.
    says : str
        What it shows, in words.

    Returns
    -------
    Drawing or None
        None where there is nothing to lay it over, or it does not leave it on that side.
    """
    trace = seen.trace
    flow = text.scale("g/s") if trace == "airflow" else 1.0
    latest = flow * (snaps.latest_airflow if trace == "airflow" else snaps.latest_lambda)
    earlier = flow * (snaps.airflow if trace == "airflow" else snaps.lambda_signal)
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
    rising, falling = _frames((foot, top))
    split = OPENING_GRID_S.size
    parts = [_axis(rising, trace, palette, volts=narrowband), _title(trace, palette, narrowband, rich_is_up)]
    for frame, grid, part in ((rising, OPENING_GRID_S, slice(0, split)), (falling, RELEASE_GRID_S, slice(split, None))):
        here = outside[part]
        edge = np.where(latest[part] > high[part], high[part], low[part])
        parts += [
            _moment(frame, message("snap.opening" if frame is rising else "snap.release"), palette),
            drawing.band(frame, grid, low[part], high[part], palette.past, 0.32),
            *(
                drawing.band(
                    frame,
                    grid[a:b],
                    np.minimum(edge, latest[part])[a:b],
                    np.maximum(edge, latest[part])[a:b],
                    palette.alarm,
                    0.28,
                )
                for a, b in _wider(here)
            ),
            drawing.line(frame, grid, latest[part], palette.accent, 2.2),
        ]
    parts.append(_mark(rising, falling, latest, outside, np.nan_to_num(beyond), mark, palette))
    return drawing.drawing(parts, WIDTH, HEIGHT, says, most=560)


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
        narrowband = sensor is not None and sensor.kind == "narrowband"
        rich_low = sensor is not None and sensor.polarity == "rich_low"
        if quantity.endswith("_v"):  # drawn as they are of a narrowband sensor, else as the inverse of lambda
            up = up if narrowband or not rich_low else not up
        else:
            up = up if narrowband and rich_low else not up
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


def _frames(y: tuple[float, float]) -> tuple[Frame, Frame]:
    room = WIDTH - _LEFT - _GAP - 8
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


def _axis(frame: Frame, trace: str, palette: Palette, *, volts: bool) -> str:
    """Levels: flow or volts, or lambda itself at the heights of its inverse."""
    inverse = trace == "lambda" and not volts
    levels = [1.0 / x for x in _LAMBDAS] if inverse else drawing.ticks(*frame.y)
    drawn, last = "", float("inf")
    for level in sorted(level for level in levels if frame.y[0] <= level <= frame.y[1]):
        across, down = frame.at(frame.x[0], level)
        if last - down < 17:
            continue
        last = down
        shown = text.number(1.0 / level, 2) if inverse else text.tick(level, levels)
        drawn += (
            f'<line x1="{across:.1f}" y1="{down:.1f}" x2="{WIDTH - 8}" y2="{down:.1f}" stroke="{palette.line}"/>'
            + drawing.words(across - 6, down + 4, shown, palette.quiet, 12, "end")
        )
    return drawn


def _title(trace: str, palette: Palette, narrowband: bool, rich_is_up: bool) -> str:
    if trace == "airflow":
        says = message("snap.airflow", unit=text.shown_unit("g/s"))
    elif narrowband:
        says = message("snap.lambda_narrow" if rich_is_up else "snap.lambda_narrow_low")
    else:
        says = message("card.lambda")
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
    rising: Frame,
    falling: Frame,
    latest: Floats,
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
    frame, grid = (rising, OPENING_GRID_S) if middle < split else (falling, RELEASE_GRID_S)
    across, down = frame.at(float(grid[middle - (0 if middle < split else split)]), float(latest[middle]))
    over = down > frame.top + frame.height / 2
    to = down - 26 if over else down + 30
    side = min(max(across, _LEFT + 3.8 * len(says)), WIDTH - 8 - 3.8 * len(says))
    return (
        f'<line x1="{across:.1f}" y1="{down:.1f}" x2="{side:.1f}" y2="{to + (3 if over else -11):.1f}" '
        f'stroke="{palette.alarm}" stroke-width="1.4"/>'
        f'<circle cx="{across:.1f}" cy="{down:.1f}" r="3.4" fill="none" stroke="{palette.alarm}" stroke-width="1.8"/>'
        + drawing.words(side, to, says, palette.alarm, 13, "middle", weight=600, paper=palette.paper)
    )


def trend_picture(
    rows: Sequence[Row],
    limits: tuple[float | None, float | None],
    palette: Palette,
    says: str,
    *,
    small: bool = False,
    reach: tuple[float, float] | None = None,
) -> Drawing | None:
    """How one quantity of one van has moved: band and points, alarms as crosses, limits dashed.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of one trend, oldest first.
    limits : tuple of float or None
        Low and high limit. [unit of the quantity]
    palette : Palette
        Colours.
    says : str
        What it shows, in words.
    small : bool
        Without axes, to stand beside a line of text.
    reach : tuple of float or None
        Values that the scale reaches, for drawings that are compared. [unit of the quantity]

    Returns
    -------
    Drawing or None
        None without a value.
    """
    scale = text.scale(text.unit(str(rows[0]["quantity"])))
    value, low, high = (scale * column(rows, name) for name in ("value", "expected_low", "expected_high"))
    if not np.isfinite(value).any():
        return None
    days = np.array([week_start(str(row["week"])).toordinal() for row in rows], dtype=np.float64)
    near = [scale * limit for limit in limits if limit is not None]
    foot, top = _span(value, low, high, near) if reach is None else _reach(scale * np.array(reach))
    width, height = (150, 46) if small else (WIDTH, HEIGHT - 20)
    edge = (4, 5, 5, 8) if small else (_LEFT + 8, _TOP, 28, 14)
    frame = Frame(
        (days[0], max(days[-1], days[0] + 7)),
        (foot, top),
        left=edge[0],
        top=edge[1],
        width=width - edge[0] - edge[3],
        height=height - edge[1] - edge[2],
    )
    parts = [] if small else _weeks_and_levels(frame, rows, palette)
    parts += _expected(frame, days, low, high, palette, 3.0 if small else 7.0)
    for limit in near:
        if foot <= limit <= top:
            (left, down), right = frame.at(frame.x[0], limit), frame.left + frame.width
            parts.append(
                f'<line x1="{left:.1f}" y1="{down:.1f}" x2="{right:.1f}" y2="{down:.1f}" stroke="{palette.alarm}" '
                'stroke-width="1.2" stroke-dasharray="5 4"/>'
            )
            if not small:
                parts.append(drawing.words(right, down - 4, message("card.limit"), palette.alarm, 12, "end"))
    parts.append(drawing.line(frame, days, value, palette.accent, 1.2 if small else 1.6))
    for row, day, level in zip(rows, days, value, strict=True):
        if np.isfinite(level):
            alarm = bool(row.get("alarm"))
            half_size, radius = (2.2, 1.4) if small else (4.0, 2.8)
            draw = (
                drawing.cross(frame, float(day), float(level), palette.alarm, half_size)
                if alarm
                else drawing.dot(frame, float(day), float(level), palette.accent, radius)
            )
            parts.append(draw)
    return drawing.drawing(parts, width, height, says, most=0 if small else 560)


def _expected(frame: Frame, days: Floats, low: Floats, high: Floats, palette: Palette, width: float) -> list[str]:
    """The range by which each visit was judged, as a bar at the visit: between visits nothing was known."""
    bars = []
    for day, under, over in zip(days, low, high, strict=True):
        if np.isfinite(under) and np.isfinite(over):
            across, foot = frame.at(float(day), max(float(under), frame.y[0]))
            _, top = frame.at(float(day), min(float(over), frame.y[1]))
            bars.append(
                f'<rect x="{across - width / 2:.1f}" y="{top:.1f}" width="{width}" height="{max(foot - top, 0.0):.1f}" '
                f'fill="{palette.past}" fill-opacity="0.4"/>'
            )
    return bars


def _span(value: Floats, low: Floats, high: Floats, limits: Sequence[float]) -> tuple[float, float]:
    """From the lowest to the highest that is drawn; a far limit does not flatten the trend, a wide range neither."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    usual = float(np.nanmedian(half)) if np.isfinite(half).any() else 0.0
    held = np.concatenate([value, middle - np.minimum(half, 3 * usual), middle + np.minimum(half, 3 * usual)])
    first, last = float(np.nanmin(held)), float(np.nanmax(held))
    reach = (last - first) or abs(last) or 1.0
    for limit in limits:
        if first - reach <= limit <= last + reach:
            first, last = min(first, limit), max(last, limit)
    return first - 0.08 * reach, last + 0.12 * reach


def _weeks_and_levels(frame: Frame, rows: Sequence[Row], palette: Palette) -> list[str]:
    name = str(rows[0]["quantity"])
    parts = [drawing.words(4, 14, text.quantity_with_unit(name), palette.quiet, 12)]
    levels = drawing.ticks(*frame.y)
    for level in levels:
        across, down = frame.at(frame.x[0], level)
        right = frame.left + frame.width
        parts.append(
            f'<line x1="{across:.1f}" y1="{down:.1f}" x2="{right:.1f}" y2="{down:.1f}" stroke="{palette.line}"/>'
        )
        parts.append(drawing.words(across - 6, down + 4, text.tick(level, levels), palette.quiet, 12, "end"))
    for row in (rows[0], rows[-1]) if len(rows) > 1 else rows[:1]:
        day = float(week_start(str(row["week"])).toordinal())
        across, _ = frame.at(day, frame.y[0])
        anchor = "start" if row is rows[0] else "end"
        parts.append(drawing.words(across, frame.top + frame.height + 18, str(row["week"]), palette.quiet, 12, anchor))
    return parts
