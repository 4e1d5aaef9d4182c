"""What a drawing of a snap marks, and where: events, landmarks, levels, and the bands they are expected in."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from data_contracts.signals import BANK2_PREFIX
from models.reading.lambda_trace.quantities import LEVEL_S
from models.reading.lambda_trace.trace import ENDS_BEFORE_S
from models.reading.snap_detail import SnapDetail

Bands = Mapping[str, tuple[float, float]]
"""Where quantities should lie, by quantity. [unit of the quantity]"""

HIGHEST = "highest"
"""The highest flow where it is not judged as the main peak, as after a pedal lifted too soon."""
_FUEL_CUT_S = 0.4  # length of the line that marks the fuel-cut level
_SHORTEST_BAND_S = 0.3  # a short level would hide its band


@dataclass(frozen=True)
class Mark:
    """One thing to draw on a trace.

    Attributes
    ----------
    kind : {"event", "point", "level", "band"}
        event: a moment, without a level.
    name : str
        What it is: `main_peak`, `opening`, …
    first, stop : float
        Where, from the recording's first sample; the same for a moment. [s]
    low, high : float
        Its level, or both ends of a band; NaN for an event. [g/s, or the unit of the lambda channel]
    """

    kind: Literal["event", "point", "level", "band"]
    name: str
    first: float
    stop: float
    low: float = np.nan
    high: float = np.nan


def events(detail: SnapDetail) -> Iterator[Mark]:
    """Opening and release, as far as found.

    Parameters
    ----------
    detail : SnapDetail
    """
    for name in ("opening", "release"):
        at, _ = detail.points.get(name, (np.nan, np.nan))
        if np.isfinite(at):
            yield Mark("event", name, at, at)


def air_marks(detail: SnapDetail, read: Mapping[str, float], bands: Bands) -> Iterator[Mark]:
    """Landmarks of the air-mass trace, its idle level, and the bands of main peak and idle.

    Parameters
    ----------
    detail : SnapDetail
    read : mapping of str to float
        Value of every quantity; NaN where not read. [unit of the quantity]
    bands : Bands
        Those of the main peak are brought from reference conditions to the snap's own air.
    """
    here = read["main_peak_g_s"] / read["main_peak_reference_g_s"]
    judged = np.isfinite(read["main_peak_reference_g_s"])
    for quantity, name, factor in (("main_peak_reference_g_s", "main_peak", here), ("idle_g_s", "idle", 1.0)):
        span = detail.stretches.get(name)
        if quantity in bands and span is not None and np.isfinite(factor):
            low, high = (factor * end for end in bands[quantity])
            yield _band(name, span, low, high)
    for name, (at, level) in detail.points.items():
        if name != "undershoot" and np.isfinite(at) and np.isfinite(level):
            named = HIGHEST if name == "main_peak" and not judged else name
            yield Mark("point", named, at, at, level, level)
    if np.isfinite(read["idle_g_s"]):
        first, stop = detail.stretches.get("idle", (float(detail.time_s[0]), float(detail.time_s[-1])))
        yield Mark("level", "idle", first, stop, read["idle_g_s"], read["idle_g_s"])


def lambda_marks(detail: SnapDetail, channel: str, read: Mapping[str, float], bands: Bands) -> Iterator[Mark]:
    """Starts of the responses, lean needles, levels and their bands of one lambda channel, as far as read.

    Parameters
    ----------
    detail : SnapDetail
    channel : str
        Canonical channel.
    read : mapping of str to float
        Value of every quantity; NaN where not read. [unit of the quantity]
    bands : Bands
    """
    bank = BANK2_PREFIX if channel.startswith(BANK2_PREFIX) else ""
    unit = "_v" if channel.endswith("_v") else ""
    opening, release = read["opening_s"], read["release_s"]
    held_until = release - ENDS_BEFORE_S if np.isfinite(release) else float(detail.time_s[-1])
    cut = release + read[f"{bank}lambda_to_lean_dead_time_s"]
    moments = {
        "to_rich": opening + read[f"{bank}lambda_to_rich_dead_time_s"],
        "needles": opening + read[f"{bank}lean_needle_time_s"],
        "to_lean": cut,
    }
    for name, at in moments.items():
        if np.isfinite(at):
            level = float(np.interp(at, detail.time_s, detail.channels[channel]))
            yield Mark("point", name, at, at, level, level)
    gone = 4.0 * read[f"{bank}lambda_to_lean_time_constant_s"], 1.5 * read[f"{bank}lambda_to_lean_switch_time_s"]
    settled = cut + float(np.nansum(gone))
    stretches = {
        "lambda_idle": detail.stretches.get("idle", (np.nan, np.nan)),
        "lambda_full_throttle": (held_until - LEVEL_S, held_until),
        "lambda_fuel_cut": (settled, settled + _FUEL_CUT_S),
    }
    for name, (first, stop) in stretches.items():
        quantity = f"{bank}{name}{unit}"
        if np.isfinite(first) and quantity in bands:
            yield _band(name, (first, stop), *bands[quantity])
        if np.isfinite(first) and np.isfinite(read[quantity]):
            yield Mark("level", name, first, stop, read[quantity], read[quantity])


def _band(name: str, span: tuple[float, float], low: float, high: float) -> Mark:
    beyond = max(0.5 * (_SHORTEST_BAND_S - (span[1] - span[0])), 0.0)
    return Mark("band", name, span[0] - beyond, span[1] + beyond, low, high)
