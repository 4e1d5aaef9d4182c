"""Figures of the board: values in, figure out. No page, no query, no clock.

Here: the look they share, and the two small ones; trend and snap have files of their own.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboards import text
from dashboards.palette import Palette
from dashboards.text import message

CONFIG = {"displayModeBar": False, "scrollZoom": False, "doubleClick": False, "showTips": False}
_FONT = '"Source Sans", "Source Sans Pro", sans-serif'

Row = Mapping[str, object]


def figure(
    traces: Sequence[Row],
    layout: Row,
    palette: Palette,
    height: int,
    shapes: Sequence[Row] = (),
    notes: Sequence[Row] = (),
) -> go.Figure:
    """A whole figure in the board's look, handed to plotly in one piece: every later change costs milliseconds."""
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


def column(rows: Sequence[Row], name: str) -> NDArray[np.float64]:
    """One column of rows as numbers, NaN where there is none."""
    values = [row.get(name) for row in rows]
    return np.array([v if isinstance(v, int | float) else np.nan for v in values], dtype=np.float64)


def upright(x: object, line: Row) -> dict[str, object]:
    """A line from the bottom of a figure to its top."""
    return {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": line}


def level(y: float, line: Row) -> dict[str, object]:
    """A line across a figure."""
    return {"type": "line", "x0": 0, "x1": 1, "xref": "paper", "y0": y, "y1": y, "line": line}


def note(says: str, colour: str, size: int = 13, **place: object) -> dict[str, object]:
    """A line of text in a figure, anchored at its top left unless given otherwise."""
    return {"text": says, "xanchor": "left", "yanchor": "top", "font": {"color": colour, "size": size}, **place}


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
        note(
            f"{text.sentence(title)}, {text.percent(share)}",
            palette.ink,
            14,
            x=0,
            xref="paper",
            y=k - 0.38,
            yanchor="auto",
        )
        for k, (title, share) in enumerate(causes)
    ]
    layout = {
        "xaxis": {"range": [0, 1], "visible": False},
        "yaxis": {"autorange": "reversed", "visible": False, "range": [-0.7, len(causes) - 0.4]},
    }
    return figure([bars], layout, palette, 24 + 46 * len(causes), notes=notes)


def promise_chart(points: Sequence[tuple[float, float, float, float]], palette: Palette) -> go.Figure:
    """What was stated against what came; points on the line are promises kept.

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
        name: {"title": {"text": message(key)}, "range": [-3, 103], "tickvals": [0, 20, 40, 60, 80, 100]}
        for name, key in (("xaxis", "sure.stated"), ("yaxis", "sure.came"))
    }
    return figure([line, seen], axes, palette, 280)
