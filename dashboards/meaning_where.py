"""Where a quantity is read on a healthy snap: its landmark ringed, or its stretch tinted."""

from collections.abc import Mapping

import numpy as np

from dashboards import drawing, lambda_panel, text
from dashboards import meaning_pictures as pictures
from dashboards.drawing import Drawing, Frame
from dashboards.meaning_pictures import Traces
from dashboards.palette import Palette
from dashboards.text import message

_OPENING, _RELEASE = "opening", "release"
Moment = tuple[str, float]
"""A moment as seconds from the opening or from the release. [s]"""
_IDLE: tuple[Moment, Moment] = ((_OPENING, -9.0), (_OPENING, -0.02))
_HOLD: tuple[Moment, Moment] = ((_OPENING, 0.0), (_RELEASE, 0.0))
_LOADED: tuple[Moment, Moment] = ((_RELEASE, -0.45), (_RELEASE, -0.02))

MARKED: Mapping[str, tuple[str, str]] = {
    **dict.fromkeys(("idle_v", "idle_g_s", "engine_speed_idle_rpm"), ("airflow", "idle")),
    **dict.fromkeys(("first_peak_v", "first_peak_g_s"), ("airflow", "first_peak")),
    **dict.fromkeys(("dip_v", "dip_g_s"), ("airflow", "dip")),
    **dict.fromkeys(
        (
            *("main_peak_v", "main_peak_g_s", "main_peak_reference_g_s"),
            *("engine_speed_peak_rpm", "flow_per_rev_mg", "volumetric_efficiency", "throttle_opened"),
        ),
        ("airflow", "main_peak"),
    ),
    **dict.fromkeys(("recirculation_pulse_v", "recirculation_pulse_g_s"), ("airflow", "pulse")),
    **dict.fromkeys(("tip_in_lean_blip", "tip_in_lean_blip_length_s"), ("lambda", "blip")),
    **dict.fromkeys(("lambda_fuel_cut", "lambda_fuel_cut_v"), ("lambda", "cut")),
}
"""Quantities read at a landmark: the trace, and the landmark's key."""
STRETCHED: Mapping[str, tuple[str, Moment, Moment]] = {
    "opening_s": ("airflow", (_OPENING, -0.02), (_OPENING, 0.02)),
    "climb_slope_g_s2": ("airflow", (_OPENING, 0.1), (_OPENING, 0.62)),
    "climb_notches": ("airflow", (_OPENING, 0.1), (_OPENING, 0.62)),
    "run_up_time_s": ("airflow", (_OPENING, 0.0), (_OPENING, 0.62)),
    "release_s": ("airflow", (_RELEASE, -0.02), (_RELEASE, 0.02)),
    "hold_s": ("airflow", *_HOLD),
    "fall_time_s": ("airflow", (_RELEASE, -0.02), (_RELEASE, 0.08)),
    "undershoot_g_s": ("airflow", (_RELEASE, 0.2), (_RELEASE, 0.6)),
    "settle_time_s": ("airflow", (_RELEASE, 0.0), (_RELEASE, 0.6)),
    "idle_after_g_s": ("airflow", (_RELEASE, 0.7), (_RELEASE, 9.0)),
    "lambda_idle": ("lambda", *_IDLE),
    "lambda_idle_v": ("lambda", *_IDLE),
    "lambda_switch_rate_hz": ("lambda", *_IDLE),
    "cycle_ripple": ("lambda", *_IDLE),
    "lambda_full_throttle": ("lambda", (_RELEASE, -0.2), (_RELEASE, -0.04)),
    "lambda_full_throttle_v": ("lambda", (_RELEASE, -0.2), (_RELEASE, -0.04)),
    "lambda_full_throttle_slope_per_s": ("lambda", *_LOADED),
    **dict.fromkeys(
        ("lean_needles", "lean_needle_size", "lean_needle_time_s", "lean_needle_irregularity"), ("lambda", *_LOADED)
    ),
    **dict.fromkeys(
        ("lambda_to_rich_dead_time_s", "lambda_to_rich_time_constant_s", "lambda_to_rich_switch_time_s"),
        ("lambda", *_HOLD),
    ),
    **dict.fromkeys(
        ("lambda_to_lean_dead_time_s", "lambda_to_lean_time_constant_s", "lambda_to_lean_switch_time_s"),
        ("lambda", (_RELEASE, 0.0), (_RELEASE, 0.75)),
    ),
    "electrical_needles": ("lambda", (_OPENING, -9.0), (_RELEASE, 9.0)),
}
"""Quantities read over a stretch: the trace, and from when to when. An illustration, not the reading itself."""


def place(name: str, of: Traces, palette: Palette, *, narrow: bool = False) -> Drawing | None:
    """The healthy trace with the place a quantity is read at.

    Parameters
    ----------
    name : str
        Quantity.
    of : Traces
    palette : Palette
        Colours.
    narrow : bool
        For a phone.

    Returns
    -------
    Drawing or None
        None for what no trace shows, such as trims.
    """
    trace = (MARKED.get(name) or STRETCHED.get(name) or ("",))[0]
    if not trace:
        return None
    width, height = (340.0, 130.0) if narrow else (620.0, 150.0)
    values = of.healthy.trace(trace)
    frame = Frame(pictures.ends(of.time_s), pictures.reach(values), left=4, top=22, width=width - 8, height=height)
    foot = frame.top + frame.height
    parts = [drawing.words(4, 14, pictures.axis(trace), palette.quiet)]
    for at, key in ((0.0, _OPENING), (of.release_s, _RELEASE)):
        across, _ = frame.at(at, frame.y[0])
        parts += [
            pictures.moment(across, frame.top, foot, palette),
            drawing.words(across + 4, foot + 14, message(f"snap.{key}"), palette.quiet),
        ]
    if trace == "lambda":
        parts.append(lambda_panel.ends(frame, palette, rich_is_up=False))
    if name in STRETCHED:
        first, last = (_seconds(moment, of) for moment in STRETCHED[name][1:])
        tinted = np.array([max(first, frame.x[0]), min(last, frame.x[1])])
        low, high = (np.full(2, end) for end in frame.y)
        parts.append(drawing.band(frame, tinted, low, high, palette.alarm, opacity=0.18))
    parts.append(drawing.line(frame, of.time_s, values, palette.accent, 2))
    if name in MARKED:
        at, level = pictures.landmark(MARKED[name][1], of)
        parts.append(pictures.ring(frame.at(at, level), palette))
    title = text.quantity(name)
    return drawing.drawing(
        parts, width, foot + 20, message("meaning.where_alt", quantity=title), most=width if narrow else 760
    )


def _seconds(moment: Moment, of: Traces) -> float:
    anchor, after = moment
    return after + (of.release_s if anchor == _RELEASE else 0.0)
