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
from data_contracts import lambda_axis


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
    rich_is_up: bool = False,
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
        Rich is up on the axis of lambda.
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
        drawn += _traces(snap, palette, scale, with_lambda, narrowband, latest=False, in_legend=snap is earlier[-1])
    drawn += _traces(latest, palette, scale, with_lambda, narrowband, latest=True, in_legend=True)
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
        title = message("snap.lambda_v" if narrowband else "snap.lambda_ratio")
        layout["yaxis2"] = {"title": {"text": title}, "domain": [0.0, 0.37], "anchor": "x"}
        if not narrowband:
            lines = [
                (lambda_axis.height(1.0 / ratio), text.tick(ratio, lambda_axis.LEVELS)) for ratio in lambda_axis.LEVELS
            ]
            layout["yaxis2"] |= {"tickvals": [at for at, _ in lines], "ticktext": [says for _, says in lines]}  # type: ignore[operator]
        for end, rich in ((1, rich_is_up), (0, not rich_is_up)):
            says = ("↑ " if end else "↓ ") + message("snap.rich" if rich else "snap.lean")
            notes.append(
                {
                    **note(says, palette.quiet, x=0, xref="paper", y=end, yref="y2 domain", xshift=4),
                    "yanchor": "top" if end else "bottom",
                }
            )
        layout["xaxis"] = {**layout["xaxis"], "anchor": "y2"}  # type: ignore[dict-item]
    return figure(drawn, layout, palette, height if with_lambda else height - 160, shapes, notes)


def _traces(
    snap: Snap, palette: Palette, scale: float, with_lambda: bool, volts: bool, *, latest: bool, in_legend: bool
) -> list[Row]:
    name = message("snap.latest" if latest else "snap.earlier", when=snap.when)
    line = {"color": palette.accent, "width": 2.4} if latest else {"color": palette.past, "width": 1.1}
    flow = scale * snap.airflow
    if volts:
        signal, level = snap.lambda_signal, snap.lambda_signal
    else:
        inverse = snap.lambda_signal
        signal = np.divide(1.0, inverse, out=np.full_like(inverse, np.nan), where=inverse != 0)
        level = lambda_axis.height(inverse)
    traces = [(snap.time_s, flow, flow, "y"), (snap.lambda_time_s, signal, level, "y2")]
    return [
        {
            "type": "scatter",
            "x": time,
            "y": height,
            "customdata": value,
            "yaxis": axis,
            "mode": "lines",
            "line": line,
            "name": name,
            "legendgroup": "latest" if latest else "earlier",
            "showlegend": axis == "y" and in_legend,
            "hovertemplate": "%{x:.3f} s: %{customdata:.3g}<extra>" + snap.when + "</extra>",
        }
        for time, value, height, axis in traces[: 1 + with_lambda]
    ]
