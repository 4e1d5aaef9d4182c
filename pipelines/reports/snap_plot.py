"""The annotated plot of a recording: both traces with every landmark, for screen and for paper in black and white."""

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import matplotlib

matplotlib.use("Agg")

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.lambda_axis import rich_is_up
from data_contracts.reasons import GRADE_REASONS
from data_contracts.signals import BANK2_PREFIX
from data_contracts.states import IDLE_ONLY, shown_grade
from data_contracts.units import Shown
from models.at_the_van.marks import Bands, air_marks, events, lambda_marks
from pipelines.reports.paper import as_shown, contract, message, numeral

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from models.reading.read import Readings
    from models.reading.snap_detail import SnapDetail

_LINE, _MARK, _PALE = "#1d3f5e", "#8a3b12", "#9aa5ad"
_BAND, _BAND_EDGE = "#cfe3d2", "#5d8a66"
_LAMBDA_SHOWN = (0.65, 1.7)  # the stretch that tells; fuel cut goes to the end of any characteristic


def draw_snaps(
    path: Path,
    title: str,
    family: Family,
    readings: "Readings",
    details: "Sequence[SnapDetail]",
    bands: Bands = MappingProxyType({}),
    lead: str = "",
) -> None:
    """Draw one recording with its snaps.

    Parameters
    ----------
    path : Path
        .svg or .png.
    title : str
        Heading, usually the file's name.
    family : Family
        Gives units and the healthy level of the main peak.
    readings : Readings
        One entry per snap.
    details : sequence of SnapDetail
        One per entry.
    bands : mapping of str to (low, high)
        Where quantities should lie; drawn for the levels the traces show. [unit of the quantity]
    lead : str
        What was found first; empty for nothing to say.

    Raises
    ------
    InputError
        If the file can't be written.
    """
    first = details[0]
    lambda_names = sorted(
        (name for name in first.channels if "lambda" in name), key=lambda n: n.startswith(BANK2_PREFIX)
    )
    air = not lambda_names or "missing" not in set(first.flag) or "" in first.flag  # else no air flow was recorded
    rows = air + bool(lambda_names)
    figure = Figure(figsize=(10.0, 3.1 * rows + 0.9), layout="constrained")
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
    if air:
        _air(axes[0], family, readings, details, bands)
    if lambda_names:
        below = axes[-1]
        _lambda(below, first, lambda_names)
        for row, detail in enumerate(details):
            _events(below, detail)
            read = {name: float(values[row]) for name, values in readings.values.items()}
            for name in lambda_names:
                _lambda_landmarks(below, detail, name, read, bands, named=name == lambda_names[0])
        volts = all(name.endswith("_v") for name in lambda_names)
        say_which_end_is_rich(below, rich_is_up=volts and rich_is_up(family.lambda_sensor))
        if len(lambda_names) > 1 or any("lambda_full_throttle" in name for name in bands):
            below.legend(loc="upper right", fontsize=7, frameon=False, bbox_to_anchor=(1.0, 0.93))
    axes[-1].set_xlabel(message("plot.time"))
    grades = []
    for row, grade in enumerate(readings.grade):
        if shown_grade(grade, readings.grade_reasons[row]) == IDLE_ONLY:
            grades.append(message("verdict.idle_only"))
            continue
        verdict = message("verdict.repeat" if grade == "repeat" else "verdict.accept")
        why = "; ".join(contract(GRADE_REASONS[code].sentence) for code in readings.grade_reasons[row][:2])
        head = message("plot.heading", verdict=verdict, number=int(readings.snap[row]), grade=message(f"grade.{grade}"))
        grades.append(head + (f": {why}" if why else ""))
    head = "\n".join(
        line for part in (f"{title} ({family.name})", lead, *grades[:3]) for line in textwrap.wrap(part, 135)[:2]
    )
    figure.suptitle(head, fontsize=10, ha="left", x=0.01)
    try:
        figure.savefig(path, dpi=130, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
    except OSError as error:
        raise InputError(f"can't write {path}: {error.strerror}; name a file you may write") from error


def _air(axes: "Axes", family: Family, readings: "Readings", details: "Sequence[SnapDetail]", bands: Bands) -> None:
    """Air mass flow; of an analogue sensor in volts, as recorded, with the flow as second axis."""
    first = details[0]
    unit = as_shown("g/s")
    scale = _AirScale.of(family, unit)
    trace = scale.recorded(first)
    left_out = np.array([bool(word) for word in first.flag])
    axes.plot(first.time_s, trace, color=_LINE, linewidth=0.9, label=message("plot.flow"))
    if left_out.any():
        axes.plot(
            first.time_s[left_out], trace[left_out], ".", color=_MARK, markersize=3, label=message("plot.not_used")
        )
    peak = family.main_peak
    expected, low = (None if level is None else scale.drawn(level) for level in (peak.expected_g_s, peak.low_limit_g_s))
    for level, key, style in ((expected, "plot.expected", "--"), (low, "plot.low_limit", ":")):
        if level is not None:
            axes.axhline(level, color=_PALE, linewidth=0.8, linestyle=style)
            axes.annotate(message(key), (first.time_s[0], level), fontsize=7, color="#555f66", va="bottom")
    top = expected or 0.0
    for row, detail in enumerate(details):
        _events(axes, detail)
        read = {name: float(values[row]) for name, values in readings.values.items()}
        for mark in air_marks(detail, read, bands):
            low, high = scale.drawn(mark.low), scale.drawn(mark.high)
            if mark.kind == "band":
                _band(axes, (mark.first, mark.stop), low, high, named=row == 0 and mark.name == "main_peak")
                top = max(top, high)
            elif mark.kind == "point":
                _dot(axes, mark.first, low)
                _say_at(axes, f"plot.{mark.name}", mark.first, low)
            else:
                axes.axhline(low, color=_PALE, linewidth=0.5)
    finite = trace[np.isfinite(trace)]
    if finite.size:
        axes.set_ylim(min(0.0, float(finite.min()) * 1.05), 1.18 * max(float(finite.max()), top))
    axes.set_ylabel(message("plot.airflow_v") if scale.volts is not None else message("axis.airflow", unit=unit.unit))
    if scale.volts is not None:
        _flow_axis(axes, scale, message("axis.airflow", unit=unit.unit))
    axes.legend(loc="upper right", fontsize=7, frameon=False)
    axes.grid(alpha=0.2)


@dataclass(frozen=True)
class _AirScale:
    """The axis of the air-mass trace: volts of an analogue sensor, else flow in the reader's unit."""

    volts: NDArray[np.float64] | None
    flow: NDArray[np.float64]
    unit: Shown

    @classmethod
    def of(cls, family: Family, unit: Shown) -> "_AirScale":
        sensor = family.airflow_sensor
        return cls(sensor.transfer if sensor.kind == "volts" else None, sensor.transfer_g_s, unit)

    def recorded(self, detail: "SnapDetail") -> NDArray[np.float64]:
        """The trace to draw."""
        if self.volts is not None:
            return np.asarray(detail.airflow_raw, dtype=np.float64)
        return np.asarray(self.unit.factor * np.asarray(detail.airflow_g_s, dtype=np.float64))

    def drawn(self, flow: float) -> float:
        """A flow where it is drawn. [g/s] to [V or the reader's unit]"""
        return self.unit.value(flow) if self.volts is None else float(np.interp(flow, self.flow, self.volts))


def _flow_axis(axes: "Axes", scale: _AirScale, label: str) -> None:
    """Flow as second axis: ticks at round flows where the transfer table has them."""
    assert scale.volts is not None
    low, high = (float(np.interp(end, scale.volts, scale.flow)) for end in axes.get_ylim())
    ticks = MaxNLocator(6).tick_values(scale.unit.value(low), scale.unit.value(high))
    shown = [tick for tick in ticks if scale.unit.value(low) <= tick <= scale.unit.value(high)]
    right = axes.twinx()
    right.set_ylim(axes.get_ylim())
    right.set_yticks([scale.drawn(tick / scale.unit.factor) for tick in shown], [numeral(f"{t:g}") for t in shown])
    right.set_ylabel(label)


def _band(axes: "Axes", span: tuple[float, float], low: float, high: float, *, named: bool) -> None:
    """A stretch in which a level is expected; hatched, so that it shows in black and white."""
    axes.fill_between(
        span,
        low,
        high,
        facecolor=_BAND,
        edgecolor=_BAND_EDGE,
        hatch="////",
        linewidth=0.6,
        alpha=0.55,
        zorder=0.5,
        label=message("plot.band") if named else None,
    )


def say_which_end_is_rich(axes: "Axes", *, rich_is_up: bool) -> None:
    """Say at both ends of the lambda axis which is rich: volts run either way."""
    for place, rich in ((0.97, rich_is_up), (0.03, not rich_is_up)):
        axes.annotate(
            ("↑ " if place > 0.5 else "↓ ") + message("plot.rich" if rich else "plot.lean"),
            (0.005, place),
            xycoords="axes fraction",
            fontsize=8,
            color="#555f66",
            ha="left",
            va="top" if place > 0.5 else "bottom",
        )


def _lambda(axes: "Axes", detail: "SnapDetail", names: list[str]) -> None:
    for name, style in zip(names, ("-", "--", ":"), strict=False):
        bank = message("plot.bank", number=2 if name.startswith("bank2") else 1)
        axes.plot(detail.time_s, detail.channels[name], style, color=_LINE, linewidth=0.9, label=bank)
    volts = all(name.endswith("_v") for name in names)
    axes.set_ylabel(message("plot.lambda_v" if volts else "plot.lambda"))
    if not volts:
        axes.set_ylim(*_LAMBDA_SHOWN)
        if any(np.nanmax(detail.channels[name], initial=0.0) > _LAMBDA_SHOWN[1] for name in names):
            axes.annotate(
                message("plot.beyond", ratio=f"{_LAMBDA_SHOWN[1]:g}"),
                (0.01, 0.93),
                xycoords="axes fraction",
                fontsize=7,
            )
    axes.grid(alpha=0.2)


def _lambda_landmarks(
    axes: "Axes", detail: "SnapDetail", channel: str, read: Mapping[str, float], bands: Bands, *, named: bool
) -> None:
    """Starts of the responses, lean needles and levels of one channel, as far as read."""
    for mark in lambda_marks(detail, channel, read, bands):
        if mark.kind == "band":
            _band(axes, (mark.first, mark.stop), mark.low, mark.high, named=named)
            continue
        if mark.kind == "point":
            _dot(axes, mark.first, mark.low)
        else:
            axes.plot([mark.first, mark.stop], [mark.low] * 2, color=_MARK, linewidth=1.6, solid_capstyle="butt")
        if named:
            _say_at(axes, f"plot.{mark.name}", mark.first, mark.low)


def _dot(axes: "Axes", at: float, level: float) -> None:
    axes.plot([at], [level], "o", mfc="white", mec=_MARK, markersize=5)


def _say_at(axes: "Axes", key: str, at: float, level: float) -> None:
    axes.annotate(
        message(key),
        (at, level),
        xytext=(5, 6),
        textcoords="offset points",
        fontsize=8,
        color=_MARK,
        annotation_clip=True,
    )


def _events(axes: "Axes", detail: "SnapDetail") -> None:
    for event in events(detail):
        axes.axvline(event.first, color=_PALE, linewidth=0.8, linestyle="-.")
