"""Figures of the board: values in, figure out. No page, no query, no clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboards import text
from dashboards.palette import Palette
from dashboards.text import say
from data_contracts.weeks import week_of, week_start

CONFIG = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "showTips": False}
FORECAST_WEEKS = 8
_FONT = '"Source Sans", "Source Sans Pro", sans-serif'

Row = Mapping[str, object]


def _figure(
    traces: Sequence[Row],
    layout: Row,
    palette: Palette,
    height: int,
    shapes: Sequence[Row] = (),
    notes: Sequence[Row] = (),
) -> go.Figure:
    """A whole figure in the board's look. Plotly checks every change of a figure, so it is handed over in one piece."""
    x = {
        "showgrid": False,
        "zeroline": False,
        "linecolor": palette.line,
        "tickfont": {"color": palette.quiet},
        "automargin": True,
    }
    y = {
        "gridcolor": palette.line,
        "zeroline": False,
        "tickfont": {"color": palette.quiet},
        "title": {"font": {"color": palette.quiet}},
        "automargin": True,
    }
    common = {
        "height": height,
        "separators": text.separators(),
        "margin": {"l": 8, "r": 12, "t": 8, "b": 8},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": _FONT, "size": 14, "color": palette.ink},
        "hoverlabel": {"bgcolor": palette.panel, "bordercolor": palette.line, "font": {"color": palette.ink}},
        "showlegend": False,
        "dragmode": False,
        "xaxis": x,
        "yaxis": y,
        "shapes": list(shapes),
        "annotations": [{"showarrow": False, **note} for note in notes],
    }
    for name, own in layout.items():
        base = x if name.startswith("xaxis") else y if name.startswith("yaxis") else None
        common[name] = own if base is None else _merged(base, own)
    return go.Figure({"data": list(traces), "layout": common})


def _merged(base: Row, own: object) -> dict[str, object]:
    assert isinstance(own, Mapping)
    both = {key: {**base[key], **own[key]} for key in base.keys() & own.keys() if isinstance(base[key], dict)}  # type: ignore[dict-item]
    return {**base, **own, **both}


def _column(rows: Sequence[Row], name: str) -> NDArray[np.float64]:
    values = [row.get(name) for row in rows]
    return np.array([v if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64)


def expected_half_width(rows: Sequence[Row]) -> NDArray[np.float64]:
    """Half width of the 95 % expected range at each row of a trend.

    The spread is what the standardised residual was divided by; where the residual is too small to tell, the
    median of the other weeks stands in.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of one trend, oldest first.

    Returns
    -------
    ndarray of shape (rows,)
        NaN where nothing tells. [unit of the quantity]
    """
    residual, z = _column(rows, "value") - _column(rows, "baseline"), _column(rows, "z")
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(np.abs(z) > 0.05, np.abs(residual / z), np.nan)
    known = spread[np.isfinite(spread)]
    middle = float(np.median(known)) if known.size else np.nan
    return 1.96 * np.where(np.isfinite(spread), spread, middle)


def trend_chart(
    rows: Sequence[Row],
    *,
    limits: tuple[float | None, float | None],
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
    limits : tuple of float or None
        Low and high limit. [unit of the quantity]
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
    limits = (_times(limits[0], scale), _times(limits[1], scale))
    days = [week_start(str(row["week"])) for row in rows]
    value, u, baseline = _column(rows, "value"), _column(rows, "value_u"), _column(rows, "baseline")
    half = expected_half_width(rows)
    traces: list[Row] = []
    known = np.isfinite(baseline) & np.isfinite(half)
    if known.any():
        band_days = [d for d, k in zip(days, known, strict=True) if k]
        traces.append(
            {
                "type": "scatter",
                "x": [*band_days, *reversed(band_days)],
                "y": [*(baseline + half)[known], *(baseline - half)[known][::-1]],
                "fill": "toself",
                "fillcolor": palette.band,
                "line": {"width": 0},
                "mode": "lines",
                "hoverinfo": "skip",
                "name": say("trend.band"),
            }
        )
        traces.append(
            {
                "type": "scatter",
                "x": days,
                "y": baseline,
                "mode": "lines",
                "line": {"color": palette.quiet, "width": 1.2, "dash": "dot"},
                "hoverinfo": "skip",
                "name": say("trend.baseline"),
            }
        )
    traces += _forecast(rows[-1], days[-1], palette)
    traces.append(
        {
            "type": "scatter",
            "x": days,
            "y": value,
            "mode": "lines+markers",
            "error_y": {"type": "data", "array": u, "color": palette.accent, "thickness": 1, "width": 0},
            "line": {"color": palette.accent, "width": 1.6},
            "marker": {"size": 6, "color": palette.accent, "symbol": _symbols(rows)},
            "text": hover,
            "hovertemplate": "%{text}<extra></extra>",
            "name": say("trend.value"),
        }
    )
    alarmed = [k for k, row in enumerate(rows) if row.get("alarm")]
    if alarmed:
        traces.append(
            {
                "type": "scatter",
                "x": [days[k] for k in alarmed],
                "y": value[alarmed],
                "mode": "markers",
                "marker": {
                    "symbol": "x",
                    "size": 10,
                    "color": palette.alarm,
                    "line": {"width": 1, "color": palette.paper},
                },
                "text": [hover[k] for k in alarmed],
                "hovertemplate": "%{text}<extra></extra>",
                "name": say("trend.alarm"),
            }
        )
    shapes, notes = _limits(limits, value, half, palette)
    for week, _work in repairs:
        if span[0] <= week <= span[1]:
            at = week_start(week).isoformat()
            shapes.append(_upright(at, {"color": palette.well, "width": 1.5, "dash": "dashdot"}))
            notes.append(
                {
                    "x": at,
                    "y": 1,
                    "yref": "paper",
                    "text": say("trend.repair"),
                    "xanchor": "left",
                    "yanchor": "top",
                    "font": {"color": palette.well, "size": 13},
                }
            )
    return _figure(
        traces, {"xaxis": _week_axis(week_start(span[0]), week_start(span[1]))}, palette, height, shapes, notes
    )


def _upright(x: object, line: Row) -> dict[str, object]:
    return {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": line}


def _level(y: float, line: Row) -> dict[str, object]:
    return {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": line}


_DRAWN = ("value", "value_u", "baseline", "slope_per_week", "slope_low", "slope_high")


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


def _forecast(row: Row, last: date, palette: Palette) -> list[Row]:
    """The drift carried on, where it is clear: its fan and its middle."""
    slope, low, high, start = (row.get(k) for k in ("slope_per_week", "slope_low", "slope_high", "value"))
    if not all(isinstance(v, float) and np.isfinite(v) for v in (slope, low, high, start)):
        return []
    assert isinstance(slope, float)
    assert isinstance(low, float)
    assert isinstance(high, float)
    assert isinstance(start, float)
    if low <= 0 <= high:
        return []
    end = last + timedelta(weeks=FORECAST_WEEKS)
    return [
        {
            "type": "scatter",
            "x": [last, end, end, last],
            "y": [start, start + high * FORECAST_WEEKS, start + low * FORECAST_WEEKS, start],
            "fill": "toself",
            "fillcolor": palette.line,
            "opacity": 0.55,
            "line": {"width": 0},
            "mode": "lines",
            "hoverinfo": "skip",
            "name": say("trend.forecast"),
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
    value: NDArray[np.float64],
    half: NDArray[np.float64],
    palette: Palette,
) -> tuple[list[Row], list[Row]]:
    """Lines and labels of limits near enough not to flatten the trend; far ones stay in the sentence."""
    finite = value[np.isfinite(value)]
    shapes: list[Row] = []
    notes: list[Row] = []
    if not finite.size:
        return shapes, notes
    reach = max(float(np.ptp(finite)), float(np.nanmax(half)) if np.isfinite(half).any() else 0.0)
    for limit, key, anchor in ((limits[0], "trend.limit_low", "top"), (limits[1], "trend.limit_high", "bottom")):
        if limit is None or not finite.min() - 4 * reach <= limit <= finite.max() + 4 * reach:
            continue
        shapes.append(_level(limit, {"color": palette.alarm, "width": 1.5, "dash": "dash"}))
        notes.append(
            {
                "x": 0,
                "xref": "paper",
                "y": limit,
                "text": say(key),
                "xanchor": "left",
                "yanchor": anchor,
                "font": {"color": palette.alarm, "size": 13},
            }
        )
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


@dataclass(frozen=True)
class Snap:
    """One snap to draw, both traces over time from its opening.

    Attributes
    ----------
    when : str
        Day, for the legend.
    time_s, airflow : ndarray of shape (samples,)
        Air mass flow over time from the opening. [s], [g/s]
    lambda_time_s, lambda_signal : ndarray of shape (lambda samples,)
        Lambda trace over time from the opening; empty without one. [s], [1/lambda or V]
    """

    when: str
    time_s: NDArray[np.float64]
    airflow: NDArray[np.float64]
    lambda_time_s: NDArray[np.float64]
    lambda_signal: NDArray[np.float64]


def snap_chart(
    latest: Snap,
    earlier: Sequence[Snap],
    *,
    moments: Sequence[tuple[str, float]],
    levels: Sequence[tuple[str, float]],
    narrowband: bool,
    palette: Palette,
    height: int = 460,
) -> go.Figure:
    """The latest snap over earlier ones: air mass flow above, lambda below.

    Parameters
    ----------
    latest : Snap
        Drawn strong.
    earlier : sequence of Snap
        Drawn quiet, oldest first.
    moments : sequence of (name, time)
        Landmarks in time from the opening. [s]
    levels : sequence of (name, flow)
        Landmarks in flow. [g/s]
    narrowband : bool
        The lambda trace is in volts.
    palette : Palette
        Colours.
    height : int
        Of the figure. [px]

    Returns
    -------
    plotly.graph_objects.Figure
    """
    scale = text.scale("g/s")
    with_lambda = any(s.lambda_signal.size for s in (latest, *earlier))
    drawn: list[Row] = []
    for snap, is_latest in (*((s, False) for s in earlier), (latest, True)):
        name = say("snap.latest" if is_latest else "snap.earlier", when=snap.when)
        traces = [(snap.time_s, scale * snap.airflow, "y"), (snap.lambda_time_s, snap.lambda_signal, "y2")]
        for time, trace, axis in traces[: 1 + with_lambda]:
            drawn.append(
                {
                    "type": "scatter",
                    "x": time,
                    "y": trace,
                    "yaxis": axis,
                    "mode": "lines",
                    "line": {
                        "color": palette.accent if is_latest else palette.past,
                        "width": 2.4 if is_latest else 1.1,
                    },
                    "name": name,
                    "legendgroup": "latest" if is_latest else "earlier",
                    "showlegend": axis == "y" and (is_latest or snap is earlier[-1]),
                    "hovertemplate": "%{x:.3f} s: %{y:.3g}<extra>" + snap.when + "</extra>",
                }
            )
    shapes: list[Row] = []
    notes: list[Row] = []
    for name, at in moments:
        shapes.append(_upright(at, {"color": palette.quiet, "width": 1, "dash": "dot"}))
        notes.append(
            {
                "x": at,
                "y": 1,
                "yref": "paper",
                "text": name,
                "xanchor": "left",
                "yanchor": "top",
                "xshift": 3,
                "font": {"color": palette.quiet, "size": 13},
            }
        )
    for name, flow in ((name, scale * flow) for name, flow in levels):
        shapes.append(_level(flow, {"color": palette.line, "width": 1}))
        notes.append(
            {
                "x": 1,
                "xref": "paper",
                "y": flow,
                "text": name,
                "xanchor": "right",
                "yanchor": "bottom",
                "yshift": 2,
                "font": {"color": palette.ink, "size": 13},
            }
        )
    layout: dict[str, object] = {
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "font": {"size": 13}},
        "yaxis": {
            "title": {"text": say("snap.airflow", unit=text.shown_unit("g/s"))},
            "domain": [0.43 if with_lambda else 0.0, 1.0],
        },
        "xaxis": {"title": {"text": say("snap.time"), "font": {"color": palette.quiet}}},
    }
    if with_lambda:
        title = say("snap.lambda_narrow" if narrowband else "snap.lambda")
        layout["yaxis2"] = {"title": {"text": title}, "domain": [0.0, 0.37], "anchor": "x"}
        layout["xaxis"] = {**layout["xaxis"], "anchor": "y2"}  # type: ignore[dict-item]
    return _figure(drawn, layout, palette, height if with_lambda else height - 160, shapes, notes)


def cause_chart(causes: Sequence[tuple[str, float]], palette: Palette) -> go.Figure:
    """Probabilities of causes as bars, the likeliest on top.

    Parameters
    ----------
    causes : sequence of (title, probability)
        Most probable first.
    palette : Palette
        Colours.

    Returns
    -------
    plotly.graph_objects.Figure
    """
    bars = {
        "type": "bar",
        "x": [p for _, p in causes],
        "y": list(range(len(causes))),
        "orientation": "h",
        "marker": {"color": [palette.accent if k == 0 else palette.past for k in range(len(causes))]},
        "width": 0.28,
        "hoverinfo": "skip",
    }
    notes = [
        {
            "x": 0,
            "xref": "paper",
            "y": k - 0.38,
            "text": f"{text.sentence(title)}, {text.percent(probability)}",
            "xanchor": "left",
            "font": {"color": palette.ink, "size": 14},
        }
        for k, (title, probability) in enumerate(causes)
    ]
    layout = {
        "xaxis": {"range": [0, 1], "visible": False},
        "yaxis": {"autorange": "reversed", "visible": False, "range": [-0.7, len(causes) - 0.4]},
    }
    return _figure([bars], layout, palette, 24 + 46 * len(causes), notes=notes)


def promise_chart(points: Sequence[tuple[float, float, float, float]], palette: Palette) -> go.Figure:
    """What was stated against what came: on the line where promises are kept.

    Parameters
    ----------
    points : sequence of (stated, share, low, high)
        Stated probability, share that came, and its interval. [1]
    palette : Palette
        Colours.

    Returns
    -------
    plotly.graph_objects.Figure
    """
    stated, share, low, high = (np.asarray(column, dtype=np.float64) * 100 for column in zip(*points, strict=True))
    line = {
        "type": "scatter",
        "x": [0, 100],
        "y": [0, 100],
        "mode": "lines",
        "hoverinfo": "skip",
        "line": {"color": palette.quiet, "width": 1.2, "dash": "dot"},
    }
    seen = {
        "type": "scatter",
        "x": stated,
        "y": share,
        "mode": "markers",
        "marker": {"size": 9, "color": palette.accent},
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": high - share,
            "arrayminus": share - low,
            "color": palette.accent,
            "thickness": 1.2,
            "width": 5,
        },
        "hovertemplate": "%{x:.0f} % → %{y:.0f} %<extra></extra>",
    }
    axes = {
        name: {"title": {"text": say(key)}, "range": [-3, 103], "tickvals": [0, 20, 40, 60, 80, 100]}
        for name, key in (("xaxis", "sure.stated"), ("yaxis", "sure.came"))
    }
    return _figure([line, seen], axes, palette, 280)
