"""Pictures of *What it means*: the landmarks on a healthy snap, and each cause beside the healthy one.

The traces are made by `python -m sample_fleet.make_traces` and lie beside the pages.
"""

import functools
import json
from dataclasses import dataclass

import numpy as np

from dashboards import drawing, lambda_panel, text
from dashboards.drawing import Drawing, Floats, Frame
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts import lambda_axis
from data_contracts.make_pages import PAGES

_LEAST_SEEN = 0.007
"""Mean distance from the healthy trace, as a share of its range, from which a difference is seen by eye. Tried on these drawings."""
TRACES = ("airflow", "lambda")
_ALIKE = 2  # samples by which an edge may be earlier or later and still looks the same


@dataclass(frozen=True)
class Snap:
    """Both traces of one snap on the common times.

    Attributes
    ----------
    airflow, lambda_ratio : ndarray of shape (times,)
        [g/s], [1]
    """

    airflow: Floats
    lambda_ratio: Floats

    def trace(self, name: str) -> Floats:
        """One of both as it is drawn: airflow in the reader's unit, or the height of lambda on its axis."""
        return text.scale("g/s") * self.airflow if name == "airflow" else lambda_axis.height(1.0 / self.lambda_ratio)


@dataclass(frozen=True)
class Traces:
    """What is drawn.

    Attributes
    ----------
    time_s : ndarray of shape (times,)
        From the opening. [s]
    release_s : float
        Of the healthy snap, from the opening. [s]
    severity : float
        With which each cause is planted. [1]
    healthy : Snap
    causes : mapping of str to Snap
    """

    time_s: Floats
    release_s: float
    severity: float
    healthy: Snap
    causes: dict[str, Snap]


@functools.cache
def traces() -> Traces | None:
    """The traces beside the pages; None where they are not there."""
    try:
        told = json.loads((PAGES / "traces.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None

    def snap(one: dict[str, list[float]]) -> Snap:
        return Snap(np.array(one["airflow"]), np.array(one["lambda"]))

    causes = {code: snap(one) for code, one in told["causes"].items()}
    return Traces(np.array(told["time_s"]), told["release_s"], told["severity"], snap(told["healthy"]), causes)


def shown_by(code: str, of: Traces) -> list[str]:
    """Traces on which a cause is seen by eye, the clearer first."""
    if code not in of.causes:
        return []
    told = {}
    for name in TRACES:
        healthy, faulty = of.healthy.trace(name), of.causes[code].trace(name)
        shifted = [np.abs(faulty - np.roll(healthy, by)) for by in range(-_ALIKE, _ALIKE + 1)]
        told[name] = float(np.min(shifted, axis=0)[_ALIKE:-_ALIKE].mean() / np.ptp(healthy))
    return [name for name in sorted(told, key=lambda name: -told[name]) if told[name] >= _LEAST_SEEN]


def axis(name: str) -> str:
    """What a trace shows, in words, with its unit or which way is lean."""
    return message("snap.airflow", unit=text.shown_unit("g/s")) if name == "airflow" else message("meaning.lambda")


def landmarks(of: Traces, palette: Palette, *, narrow: bool = False) -> Drawing:
    """The healthy snap with its landmarks, air mass flow above and lambda below.

    Parameters
    ----------
    of : Traces
    palette : Palette
        Colours.
    narrow : bool
        For a phone.

    Returns
    -------
    Drawing
    """
    width = 340.0 if narrow else 620.0
    left = 4.0 if narrow else 30.0
    air, mixture = of.healthy.trace("airflow"), of.healthy.trace("lambda")
    upper = Frame(_ends(of.time_s), _reach(air), left=left, top=24, width=width - 2 * left, height=170)
    low, high = _reach(mixture)
    room = low - 0.25 * (high - low)  # for the word at the axis' lower end
    lower = Frame(_ends(of.time_s), (room, high), left=left, top=240, width=width - 2 * left, height=130)
    parts = []
    for at, key in ((0.0, "opening"), (of.release_s, "release")):
        across, _ = upper.at(at, upper.y[0])
        parts.append(_moment(across, 24, 370, palette))
        parts.append(drawing.words(across + 4, 384, message(f"snap.{key}"), palette.quiet))
    parts += [
        drawing.words(4, 14, axis("airflow"), palette.quiet, paper=palette.paper),
        drawing.words(4, 226, message("snap.lambda_ratio"), palette.quiet, paper=palette.paper),
        lambda_panel.ends(lower, palette, rich_is_up=False),
        drawing.line(upper, of.time_s, air, palette.accent, 2),
        drawing.line(lower, of.time_s, mixture, palette.accent, 2),
    ]
    for key, at, level in _air_marks(of.time_s, air, of.release_s):
        parts += _named(upper, key, at, level, palette, width)
    for key, at, level in _lambda_marks(of.time_s, mixture, of.release_s):
        parts += _named(lower, key, at, level, palette, width)
    return drawing.drawing(parts, width, 392, message("meaning.landmarks_alt"), most=340 if narrow else 760)


def _moment(across: float, top: float, foot: float, palette: Palette) -> str:
    return f'<line x1="{across:.1f}" y1="{top}" x2="{across:.1f}" y2="{foot}" stroke="{palette.quiet}" stroke-dasharray="2 3"/>'


def _air_marks(time: Floats, air: Floats, release: float) -> list[tuple[str, float, float]]:
    """Landmarks of air mass flow with their places: an illustration, not the reading itself."""
    first = _highest(time, air, 0.0, 0.25)
    dip = _highest(time, -air, time[first], time[first] + 0.35)
    main = _highest(time, air, time[dip], release)
    pulse = _highest(time, air, release + 0.15, release + 0.6)
    idle = int(np.argmin(np.abs(time + 0.2)))
    picked = {"idle": idle, "first_peak": first, "dip": dip, "main_peak": main, "pulse": pulse}
    return [(key, float(time[k]), float(air[k])) for key, k in picked.items()]


def _lambda_marks(time: Floats, mixture: Floats, release: float) -> list[tuple[str, float, float]]:
    blip = _highest(time, mixture, 0.0, 0.45)
    full = int(np.argmin(np.abs(time - (release - 0.1))))
    cut = _highest(time, mixture, release, float(time[-1]))
    return [(key, float(time[k]), float(mixture[k])) for key, k in {"blip": blip, "full": full, "cut": cut}.items()]


def _highest(time: Floats, trace: Floats, first: float, last: float) -> int:
    """Place of the highest value between two times."""
    return int(np.argmax(np.where((time >= first) & (time <= last), trace, -np.inf)))


_BELOW = ("idle", "dip", "full")
_TO_THE_LEFT = ("full",)
"""Landmarks whose words stand below their place, and those whose words end at it: so no two meet."""
_LETTER = 9.0  # width of a letter of these words, on the wide side [px]


def _named(frame: Frame, key: str, at: float, level: float, palette: Palette, width: float) -> list[str]:
    across, down = frame.at(at, level)
    ring = (
        f'<circle cx="{across:.1f}" cy="{down:.1f}" r="3.6" fill="none" stroke="{palette.alarm}" stroke-width="1.8"/>'
    )
    says = message(f"landmark.{key}")
    left, long = key in _TO_THE_LEFT, _LETTER * len(says)
    from_, anchor = (across - 7, "end") if left else (across + 6, "start")
    if left and from_ - long < 2.0:  # it would run off the paper
        from_, anchor = 2.0, "start"
    elif not left and from_ + long > width - 2.0:
        from_, anchor = width - 2.0, "end"
    below = down + (17 if key in _BELOW else -8)
    return [ring, drawing.words(from_, below, says, palette.ink, 13, anchor, weight=600, paper=palette.paper)]


def beside_healthy(code: str, name: str, of: Traces, palette: Palette, title: str, *, small: bool) -> Drawing:
    """One trace of a cause over the healthy one, what lies between them tinted.

    Parameters
    ----------
    code : str
        Cause.
    name : str
        Trace to draw, as `shown_by` gives it.
    of : Traces
    palette : Palette
        Colours.
    title : str
        Of the cause.
    small : bool
        To stand in a row of causes.

    Returns
    -------
    Drawing
    """
    width, height = (250.0, 110.0) if small else (400.0, 150.0)
    healthy, faulty = of.healthy.trace(name), of.causes[code].trace(name)
    both = np.concatenate([healthy, faulty])
    frame = Frame(_ends(of.time_s), _reach(both), left=3, top=3, width=width - 6, height=height - 6)
    moments = [_moment(frame.at(at, frame.y[0])[0], 3, height - 3, palette) for at in (0.0, of.release_s)]
    parts = [
        *([] if small else moments),
        "" if small or name == "airflow" else lambda_panel.ends(frame, palette, rich_is_up=False),
        drawing.band(
            frame, of.time_s, np.minimum(healthy, faulty), np.maximum(healthy, faulty), palette.alarm, opacity=0.22
        ),
        drawing.line(frame, of.time_s, healthy, palette.past, 2.4),
        drawing.line(frame, of.time_s, faulty, palette.alarm, 1.8),
    ]
    return drawing.drawing(
        parts, width, height, message("meaning.beside_alt", cause=title, trace=axis(name)), most=width if small else 640
    )


def _ends(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[-1])


def _reach(values: Floats) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    return low - 0.05 * (high - low), high + 0.12 * (high - low)
