"""The annotated plot of a recording: both traces with every landmark, for screen and for paper in black and white."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib

matplotlib.use("Agg")

import numpy as np
from matplotlib.figure import Figure

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.reasons import GRADE_REASONS
from data_contracts.signals import BANK2_PREFIX
from models.reading.lambda_trace.quantities import LEVEL_S
from models.reading.lambda_trace.trace import ENDS_BEFORE_S
from pipelines.reports.paper import as_shown, contract, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from models.reading.read import Readings
    from models.reading.snap_detail import SnapDetail

_LINE, _MARK, _PALE = "#1d3f5e", "#8a3b12", "#9aa5ad"
_LAMBDA_SHOWN = (0.65, 1.7)  # the stretch that tells; fuel cut goes to the end of any characteristic
_FUEL_CUT_S = 0.4  # length of the line that marks the fuel-cut level


def draw_snaps(path: Path, title: str, family: Family, readings: "Readings", details: "Sequence[SnapDetail]") -> None:
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

    Raises
    ------
    InputError
        If the file can't be written.
    """
    first = details[0]
    lambda_names = sorted(
        (name for name in first.channels if "lambda" in name), key=lambda n: n.startswith(BANK2_PREFIX)
    )
    rows = 1 + bool(lambda_names)
    figure = Figure(figsize=(10.0, 3.1 * rows + 0.9), layout="constrained")
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
    _air(axes[0], family, readings, details)
    if lambda_names:
        _lambda(axes[1], first, lambda_names)
        for row, detail in enumerate(details):
            _events(axes[1], detail)
            read = {name: float(values[row]) for name, values in readings.values.items()}
            for name in lambda_names:
                _lambda_landmarks(axes[1], detail, name, read, named=name == lambda_names[0])
    axes[-1].set_xlabel(say("plot.time"))
    grades = []
    for row, grade in enumerate(readings.grade):
        verdict = say("verdict.repeat" if grade == "repeat" else "verdict.accept")
        why = "; ".join(contract(GRADE_REASONS[code].sentence) for code in readings.grade_reasons[row][:2])
        head = say("plot.heading", verdict=verdict, number=int(readings.snap[row]), grade=say(f"grade.{grade}"))
        grades.append(head + (f": {why}" if why else ""))
    figure.suptitle(f"{title} ({family.name})\n" + "\n".join(grades[:3]), fontsize=10, ha="left", x=0.01)
    try:
        figure.savefig(path, dpi=130, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
    except OSError as error:
        raise InputError(f"can't write {path}: {error.strerror}; name a file you may write") from error


def _air(axes: "Axes", family: Family, readings: "Readings", details: "Sequence[SnapDetail]") -> None:
    first = details[0]
    unit = as_shown("g/s")
    flow = unit.factor * np.asarray(first.airflow_g_s, dtype=np.float64)
    left_out = np.array([bool(word) for word in first.flag])
    axes.plot(first.time_s, flow, color=_LINE, linewidth=0.9, label=say("plot.flow"))
    if left_out.any():
        axes.plot(first.time_s[left_out], flow[left_out], ".", color=_MARK, markersize=3, label=say("plot.not_used"))
    peak = family.main_peak
    expected, low = (None if level is None else unit.value(level) for level in (peak.expected_g_s, peak.low_limit_g_s))
    for level, key, style in ((expected, "plot.expected", "--"), (low, "plot.low_limit", ":")):
        if level is not None:
            axes.axhline(level, color=_PALE, linewidth=0.8, linestyle=style)
            axes.annotate(say(key), (first.time_s[0], level), fontsize=7, color="#555f66", va="bottom")
    for row, detail in enumerate(details):
        _events(axes, detail)
        for name, (at, level) in detail.points.items():
            if name != "undershoot" and np.isfinite(at) and np.isfinite(level):
                level = unit.value(level)
                _dot(axes, at, level)
                _say_at(axes, f"plot.{name}", at, level)
        idle = unit.value(float(readings.values["idle_g_s"][row]))
        if np.isfinite(idle):
            axes.axhline(idle, color=_PALE, linewidth=0.5)
    top = max((level for level in (expected,) if level), default=0.0)
    finite = flow[np.isfinite(flow)]
    if finite.size:
        axes.set_ylim(min(0.0, float(finite.min()) * 1.05), 1.18 * max(float(finite.max()), top))
    axes.set_ylabel(say("axis.airflow", unit=unit.unit))
    axes.legend(loc="upper right", fontsize=7, frameon=False)
    axes.grid(alpha=0.2)


def _lambda(axes: "Axes", detail: "SnapDetail", names: list[str]) -> None:
    for name, style in zip(names, ("-", "--", ":"), strict=False):
        bank = say("plot.bank", number=2 if name.startswith("bank2") else 1)
        axes.plot(detail.time_s, detail.channels[name], style, color=_LINE, linewidth=0.9, label=bank)
    volts = all(name.endswith("_v") for name in names)
    axes.set_ylabel(say("plot.lambda_v" if volts else "plot.lambda"))
    if not volts:
        axes.set_ylim(*_LAMBDA_SHOWN)
        if any(np.nanmax(detail.channels[name], initial=0.0) > _LAMBDA_SHOWN[1] for name in names):
            axes.annotate(
                say("plot.beyond", ratio=f"{_LAMBDA_SHOWN[1]:g}"), (0.01, 0.93), xycoords="axes fraction", fontsize=7
            )
    axes.grid(alpha=0.2)
    if len(names) > 1:
        axes.legend(loc="upper right", fontsize=7, frameon=False)


def _lambda_landmarks(
    axes: "Axes", detail: "SnapDetail", channel: str, value: Mapping[str, float], *, named: bool
) -> None:
    """Starts of the responses, lean needles and levels of one channel, as far as read."""
    bank = BANK2_PREFIX if channel.startswith(BANK2_PREFIX) else ""
    unit = "_v" if channel.endswith("_v") else ""
    opening, release = value["opening_s"], value["release_s"]
    held_until = release - ENDS_BEFORE_S if np.isfinite(release) else float(detail.time_s[-1])
    cut = release + value[f"{bank}lambda_to_lean_dead_time_s"]
    moments = {
        "to_rich": opening + value[f"{bank}lambda_to_rich_dead_time_s"],
        "needles": opening + value[f"{bank}lean_needle_time_s"],
        "to_lean": cut,
    }
    for name, at in moments.items():
        if np.isfinite(at):
            level = float(np.interp(at, detail.time_s, detail.channels[channel]))
            _dot(axes, at, level)
            if named:
                _say_at(axes, f"plot.{name}", at, level)
    gone = 4.0 * value[f"{bank}lambda_to_lean_time_constant_s"], 1.5 * value[f"{bank}lambda_to_lean_switch_time_s"]
    settled = cut + float(np.nansum(gone))
    stretches = {
        "lambda_idle": detail.stretches.get("idle", (np.nan, np.nan)),
        "lambda_full_throttle": (held_until - LEVEL_S, held_until),
        "lambda_fuel_cut": (settled, settled + _FUEL_CUT_S),
    }
    for name, (first, stop) in stretches.items():
        level = value[f"{bank}{name}{unit}"]
        if np.isfinite(first) and np.isfinite(level):
            axes.plot([first, stop], [level, level], color=_MARK, linewidth=1.6, solid_capstyle="butt")
            if named:
                _say_at(axes, f"plot.{name}", first, level)


def _dot(axes: "Axes", at: float, level: float) -> None:
    axes.plot([at], [level], "o", mfc="white", mec=_MARK, markersize=5)


def _say_at(axes: "Axes", key: str, at: float, level: float) -> None:
    axes.annotate(
        say(key), (at, level), xytext=(5, 6), textcoords="offset points", fontsize=8, color=_MARK, annotation_clip=True
    )


def _events(axes: "Axes", detail: "SnapDetail") -> None:
    for name in ("opening", "release"):
        point: Any = detail.points.get(name)
        if point is not None and np.isfinite(point[0]):
            axes.axvline(point[0], color=_PALE, linewidth=0.8, linestyle="-.")
