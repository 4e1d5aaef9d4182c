"""The chart of a snap over earlier ones: air mass flow above, lambda below."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboards import text
from dashboards.charts import Row, figure, level, note, upright
from dashboards.palette import Palette
from dashboards.text import message


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
    rich_is_up: bool = True,
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
    rich_is_up : bool
        Those volts rise when rich.
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
    for snap in earlier:
        drawn += _traces(snap, palette, scale, with_lambda, latest=False, in_legend=snap is earlier[-1])
    drawn += _traces(latest, palette, scale, with_lambda, latest=True, in_legend=True)
    shapes: list[Row] = []
    notes: list[Row] = []
    for name, at in moments:
        shapes.append(upright(at, {"color": palette.quiet, "width": 1, "dash": "dot"}))
        notes.append(note(name, palette.quiet, x=at, y=1, yref="paper", xshift=3))
    for name, flow in levels:
        shapes.append(level(scale * flow, {"color": palette.line, "width": 1}))
        place: Row = {"x": 1, "xref": "paper", "y": scale * flow, "xanchor": "right", "yanchor": "bottom", "yshift": 2}
        notes.append({**note(name, palette.ink), **place})
    layout: dict[str, object] = {
        "showlegend": True,
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "font": {"size": 13}},
        "yaxis": {
            "title": {"text": message("snap.airflow", unit=text.shown_unit("g/s"))},
            "domain": [0.43 if with_lambda else 0.0, 1.0],
        },
        "xaxis": {"title": {"text": message("snap.time"), "font": {"color": palette.quiet}}},
    }
    if with_lambda:
        title = message(
            "snap.lambda" if not narrowband else "snap.lambda_narrow" if rich_is_up else "snap.lambda_narrow_low"
        )
        layout["yaxis2"] = {"title": {"text": title}, "domain": [0.0, 0.37], "anchor": "x"}
        layout["xaxis"] = {**layout["xaxis"], "anchor": "y2"}  # type: ignore[dict-item]
    return figure(drawn, layout, palette, height if with_lambda else height - 160, shapes, notes)


def _traces(
    snap: Snap, palette: Palette, scale: float, with_lambda: bool, *, latest: bool, in_legend: bool
) -> list[Row]:
    name = message("snap.latest" if latest else "snap.earlier", when=snap.when)
    line = {"color": palette.accent, "width": 2.4} if latest else {"color": palette.past, "width": 1.1}
    traces = [(snap.time_s, scale * snap.airflow, "y"), (snap.lambda_time_s, snap.lambda_signal, "y2")]
    return [
        {
            "type": "scatter",
            "x": time,
            "y": trace,
            "yaxis": axis,
            "mode": "lines",
            "line": line,
            "name": name,
            "legendgroup": "latest" if latest else "earlier",
            "showlegend": axis == "y" and in_legend,
            "hovertemplate": "%{x:.3f} s: %{y:.3g}<extra>" + snap.when + "</extra>",
        }
        for time, trace, axis in traces[: 1 + with_lambda]
    ]
