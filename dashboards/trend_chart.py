"""The chart of one quantity of one van over the weeks."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import plotly.graph_objects as go

from dashboards import text
from dashboards.charts import Row, column, figure, level, note, upright
from dashboards.palette import LIGHT, Palette
from dashboards.text import message
from data_contracts.weeks import week_of, week_start

FORECAST_WEEKS = 8
BAND_DAYS = 4
"""Width of the bar that shows a visit's expected range. [day]"""


def trend_chart(
    rows: Sequence[Row],
    *,
    repairs: Sequence[tuple[str, str]],
    span: tuple[str, str],
    palette: Palette,
    height: int = 230,
) -> go.Figure:
    """One quantity of one van over the weeks.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of one trend, oldest first, at least one.
    repairs : sequence of (week, work)
        Repairs to mark.
    span : tuple of str
        First and last week of the axis, the same for every chart of a page.
    palette : Palette
        Colours.
    height : int
        Of the figure. [px]

    Returns
    -------
    plotly.graph_objects.Figure
    """
    hover = [_hover(row) for row in rows]
    scale = text.scale(text.unit(str(rows[0]["quantity"])))
    rows = [_scaled(row, scale) for row in rows]
    limits = _both_limits(rows[-1])
    days = [week_start(str(row["week"])) for row in rows]
    traces = [
        *_expected(days, rows, palette),
        *_forecast(rows[-1], days[-1], palette),
        _values(rows, days, hover, palette),
        *_alarms(rows, days, hover, palette),
    ]
    shapes, notes = _limits(limits, rows, palette)
    for week in (week for week, _work in repairs if span[0] <= week <= span[1]):
        at = week_start(week).isoformat()
        shapes.append(upright(at, {"color": palette.well, "width": 1.5, "dash": "dashdot"}))
        notes.append(note(message("trend.repair"), palette.well, x=at, y=1, yref="paper"))
    axis = {"xaxis": _week_axis(week_start(span[0]), week_start(span[1]))}
    return figure(traces, axis, palette, height, shapes, notes)


def trend_key(charts: Sequence[Sequence[Row]]) -> str:
    """What the marks of some trends mean; of those that are drawn.

    Parameters
    ----------
    charts : sequence of sequence of mapping
        Rows of each trend, oldest first, at least one.
    """
    every = [row for rows in charts for row in rows]
    there = {
        "visit": True,
        "band": bool(np.isfinite(column(every, "expected_low")).any()),
        "baseline": bool(np.isfinite(column(every, "baseline")).any()),
        "alarm": any(row.get("alarm") for row in every),
        "limit": any(_limits(_both_limits(rows[-1]), rows, LIGHT)[0] for rows in charts),
        "forecast": any(_drifts_on(rows[-1]) for rows in charts),
        "as_read": any("circle-open" in _symbols(rows) for rows in charts),
    }
    return " · ".join(message(f"trend.key_{name}") for name, drawn in there.items() if drawn)


def _both_limits(row: Row) -> tuple[float | None, float | None]:
    return text.finite(row.get("limit_low")), text.finite(row.get("limit_high"))


def _expected(days: Sequence[date], rows: Sequence[Row], palette: Palette) -> list[Row]:
    """The range by which each visit was judged, and its baseline, at the visits: between them nothing was known."""
    low, high, baseline = (column(rows, name) for name in ("expected_low", "expected_high", "baseline"))
    known = np.isfinite(low) & np.isfinite(high)
    traces: list[Row] = []
    if known.any():
        traces.append(
            {
                "type": "bar",
                "x": [d for d, k in zip(days, known, strict=True) if k],
                "base": low[known],
                "y": (high - low)[known],
                "width": BAND_DAYS * 86_400_000,
                "marker": {"color": palette.band, "line": {"color": palette.past, "width": 1}},
                "hoverinfo": "skip",
                "name": message("trend.band"),
            }
        )
    dash = {"size": 12, "symbol": "line-ew", "line": {"color": palette.quiet, "width": 1.5}}
    if np.isfinite(baseline).any():
        traces.append(
            {
                "type": "scatter",
                "x": days,
                "y": baseline,
                "mode": "markers",
                "marker": dash,
                "hoverinfo": "skip",
                "name": message("trend.baseline"),
            }
        )
    return traces


def _values(rows: Sequence[Row], days: Sequence[date], hover: Sequence[str], palette: Palette) -> Row:
    return {
        "type": "scatter",
        "x": days,
        "y": column(rows, "value"),
        "mode": "lines+markers",
        "error_y": {
            "type": "data",
            "array": column(rows, "value_u"),
            "color": palette.accent,
            "thickness": 1,
            "width": 0,
        },
        "line": {"color": palette.accent, "width": 1.6},
        "marker": {"size": 6, "color": palette.accent, "symbol": _symbols(rows)},
        "text": hover,
        "hovertemplate": "%{text}<extra></extra>",
        "name": message("trend.value"),
    }


def _alarms(rows: Sequence[Row], days: Sequence[date], hover: Sequence[str], palette: Palette) -> list[Row]:
    alarmed = [k for k, row in enumerate(rows) if row.get("alarm")]
    if not alarmed:
        return []
    outline = {"width": 1, "color": palette.paper}
    return [
        {
            "type": "scatter",
            "x": [days[k] for k in alarmed],
            "y": column(rows, "value")[alarmed],
            "mode": "markers",
            "marker": {"symbol": "x", "size": 10, "color": palette.alarm, "line": outline},
            "text": [hover[k] for k in alarmed],
            "hovertemplate": "%{text}<extra></extra>",
            "name": message("trend.alarm"),
        }
    ]


_DRAWN = (
    *("value", "value_u", "level", "baseline", "expected_low", "expected_high", "limit_low", "limit_high"),
    *("slope_per_week", "slope_low", "slope_high"),
)


def _scaled(row: Row, scale: float) -> Row:
    """A row in the reader's units."""
    return {**row, **{name: _times(row.get(name), scale) for name in _DRAWN}}


def _times(value: object, scale: float) -> float | None:
    return value * scale if isinstance(value, int | float) else None


def _symbols(rows: Sequence[Row]) -> list[str]:
    """Open circles for values as measured, where others of the same chart are at reference conditions."""
    mixed = len({bool(row.get("corrected")) for row in rows}) == 2
    return ["circle-open" if mixed and not row.get("corrected") else "circle" for row in rows]


def _hover(row: Row) -> str:
    name, value, u = str(row["quantity"]), row.get("value"), row.get("value_u")
    shown = text.uncertain(
        value if isinstance(value, float) else None, u if isinstance(u, float) else None, text.unit(name)
    )
    return f"{row['week']}: {shown}"


_DRIFT = ("slope_per_week", "slope_low", "slope_high", "level")


def _drifts_on(row: Row) -> bool:
    known = all(text.finite(row.get(name)) is not None for name in _DRIFT)
    return known and row.get("movement") == "drifting" and row.get("after_repair") != "awaited"


def _forecast(row: Row, last: date, palette: Palette) -> list[Row]:
    """The drift carried on, fan and middle: only of what drifts on, away from its baseline, and was not repaired since."""
    if not _drifts_on(row):
        return []
    slope, low, high, start = (row.get(k) for k in _DRIFT)
    assert isinstance(slope, float)
    assert isinstance(low, float)
    assert isinstance(high, float)
    assert isinstance(start, float)
    end = last + timedelta(weeks=FORECAST_WEEKS)
    return [
        {
            "type": "scatter",
            "x": [last, end, end, last],
            "y": [start, start + high * FORECAST_WEEKS, start + low * FORECAST_WEEKS, start],
            "fill": "toself",
            "fillcolor": palette.line,
            "opacity": 0.7,
            "line": {"width": 1, "color": palette.past},
            "mode": "lines",
            "hoverinfo": "skip",
            "name": message("trend.forecast"),
        },
        {
            "type": "scatter",
            "x": [last, end],
            "y": [start, start + slope * FORECAST_WEEKS],
            "mode": "lines",
            "line": {"color": palette.accent, "width": 1.2, "dash": "dash"},
            "hoverinfo": "skip",
        },
    ]


def _limits(
    limits: tuple[float | None, float | None],
    rows: Sequence[Row],
    palette: Palette,
) -> tuple[list[Row], list[Row]]:
    """Lines and labels of limits near enough not to flatten the trend; far ones stay in the sentence."""
    value, half = column(rows, "value"), 0.5 * (column(rows, "expected_high") - column(rows, "expected_low"))
    finite = value[np.isfinite(value)]
    shapes: list[Row] = []
    notes: list[Row] = []
    if not finite.size:
        return shapes, notes
    reach = max(float(np.ptp(finite)), float(np.nanmax(half)) if np.isfinite(half).any() else 0.0)
    for limit, key, anchor in ((limits[0], "trend.limit_low", "top"), (limits[1], "trend.limit_high", "bottom")):
        if limit is None or not finite.min() - 4 * reach <= limit <= finite.max() + 4 * reach:
            continue
        shapes.append(level(limit, {"color": palette.alarm, "width": 1.5, "dash": "dash"}))
        place = {"x": 1, "xref": "paper", "xanchor": "right", "y": limit, "yanchor": anchor}  # where no visit is yet
        notes.append({**note(message(key), palette.alarm), **place})
    return shapes, notes


def _week_axis(first: date, last: date) -> Row:
    """One axis for all charts of a page: from the first week to the end of the forecast."""
    weeks = max(1, (last - first).days // 7) + FORECAST_WEEKS
    ticks = [first + timedelta(weeks=k) for k in range(0, weeks + 1, -(-weeks // 6))]
    return {
        "range": [(first - timedelta(days=5)).isoformat(), (first + timedelta(weeks=weeks, days=2)).isoformat()],
        "tickvals": [tick.isoformat() for tick in ticks],
        "ticktext": [week_of(tick)[5:] for tick in ticks],
    }
