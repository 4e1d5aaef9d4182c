"""Vector drawing for paper: the latest snap of a van over the range of its earlier ones, in black and grey."""

import io
import warnings
from typing import Any

import matplotlib

from models.statistics.arrays import Floats

matplotlib.use("Agg")

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.lambda_axis import height, levels, rich_is_up
from pipelines.read_side.past_snaps import PastSnaps
from pipelines.reports.paper import as_shown, message, numeral
from pipelines.reports.snap_plot import say_which_end_is_rich

STYLE: Any = {
    "svg.fonttype": "path",
    "svg.hashsalt": "vansnap",
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
_BAND, _MIDDLE = "#c9c9c9", "#777777"


def to_svg(figure: Figure) -> bytes:
    """A figure as SVG, the same bytes every time.

    Parameters
    ----------
    figure : Figure
        The drawing.
    """
    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def draw_against_past(snaps: PastSnaps, family: Family | None) -> bytes:
    """Both traces, aligned at opening (left) and release (right).

    Parameters
    ----------
    snaps : PastSnaps
    family : Family or None
        Gives the level its family expects, the low limit and the kind of lambda sensor.

    Returns
    -------
    bytes
        SVG.
    """
    from models.reading.aligned_traces import OPENING_GRID_S, RELEASE_GRID_S

    split = OPENING_GRID_S.size
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.2, 3.4), layout="constrained")
        axes = figure.subplots(2, 2, sharex="col", sharey="row", width_ratios=(1.1, 0.8), squeeze=False)
        flow = as_shown("g/s").factor
        sensor = None if family is None else family.lambda_sensor
        volts = snaps.in_volts(sensor)
        signals = (snaps.latest_lambda, snaps.lambda_signal)
        rows = ((flow * snaps.latest_airflow, flow * snaps.airflow), signals if volts else tuple(map(height, signals)))
        for row, (latest, earlier) in enumerate(rows):
            _part(axes[row, 0], OPENING_GRID_S, latest[:split], earlier[:, :split])
            _part(axes[row, 1], RELEASE_GRID_S, latest[split:], earlier[:, split:])
            _latest(axes[row], (OPENING_GRID_S, RELEASE_GRID_S), latest, snaps, row, volts=volts)
            axes[row, 1].spines["left"].set_linestyle((0, (1, 2)))
        axes[0, 0].set_ylabel(message("axis.airflow", unit=as_shown("g/s").unit))
        axes[1, 0].set_ylabel(message("plot.lambda_v" if volts else "plot.lambda"))
        if sensor is not None or not volts:  # volts run either way: which, only the family says
            say_which_end_is_rich(axes[1, 0], rich_is_up=rich_is_up(sensor))
        axes[1, 0].set_xlabel(message("order.left"))
        axes[1, 1].set_xlabel(message("order.right"))
        if family is not None:
            _levels(axes[0, 0], family)
        axes[0, 0].set_ylim(bottom=min(0.0, axes[0, 0].get_ylim()[0]))
        for part in axes.flat:
            for scale in (part.xaxis, part.yaxis):
                scale.set_major_formatter(lambda value, _: numeral(f"{round(value, 6) + 0.0:g}"))
        if not volts:
            lines = levels(*axes[1, 0].get_ylim())
            axes[1, 0].set_yticks([at for at, _ in lines], [numeral(f"{ratio:g}") for _, ratio in lines])
        axes[0, 0].set_xlim(OPENING_GRID_S[0], OPENING_GRID_S[-1])
        axes[0, 1].set_xlim(RELEASE_GRID_S[0], RELEASE_GRID_S[-1])
        return to_svg(figure)


def _part(axes: "matplotlib.axes.Axes", grid: Floats, latest: Floats, earlier: Floats) -> None:
    if earlier.shape[0]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # a grid point no snap reached is all NaN
            low, middle, high = (np.nanquantile(earlier, q, axis=0) for q in (0.0, 0.5, 1.0))
        axes.fill_between(grid, low, high, color=_BAND, linewidth=0)
        axes.plot(grid, middle, color=_MIDDLE, linewidth=0.9, linestyle=(0, (4, 2)))
    axes.axvline(0.0, color="#999999", linewidth=0.5, linestyle=":")
    axes.grid(alpha=0.25, linewidth=0.4)


def _latest(
    axes: NDArray[np.object_], grids: tuple[Floats, Floats], latest: Floats, snaps: PastSnaps, row: int, *, volts: bool
) -> None:
    raw = snaps.raw
    split = grids[0].size
    if raw is None:
        axes[0].plot(grids[0], latest[:split], color="black", linewidth=1.1)
        axes[1].plot(grids[1], latest[split:], color="black", linewidth=1.1)
        return
    if row == 0:
        time, values = raw.time_s, as_shown("g/s").factor * raw.airflow
    else:
        time, values = raw.lambda_time_s, raw.lambda_signal if volts else height(raw.lambda_signal)
    hold = snaps.hold_s if np.isfinite(snaps.hold_s) else np.inf
    rising = (time >= grids[0][0]) & (time <= min(grids[0][-1], hold))
    axes[0].plot(time[rising], values[rising], color="black", linewidth=0.9)
    falling = (time - hold >= grids[1][0]) & (time - hold <= grids[1][-1]) if np.isfinite(hold) else time > np.inf
    axes[1].plot(time[falling] - (hold if np.isfinite(hold) else 0.0), values[falling], color="black", linewidth=0.9)


def _levels(axes: "matplotlib.axes.Axes", family: Family) -> None:
    peak = family.main_peak
    for level, words, style, side in (
        (peak.expected_g_s, "axis.expected", (0, (6, 3)), "bottom"),
        (peak.low_limit_g_s, "axis.low", (0, (1, 2)), "top"),
    ):
        if level is not None:
            level = as_shown("g/s").value(level)
            axes.axhline(level, color="black", linewidth=0.6, linestyle=style)
            axes.annotate(message(words), (-0.19, level), fontsize=6, va=side, ha="left")
