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

_LEAST_SEEN = {"airflow": 0.03, "lambda": 0.05}
"""Share of the healthy trace's range from which a difference is seen by eye."""


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
    for name, least in _LEAST_SEEN.items():
        healthy, faulty = of.healthy.trace(name), of.causes[code].trace(name)
        told[name] = float(np.abs(faulty - healthy).max() / np.ptp(healthy)) / least
    return [name for name in sorted(told, key=lambda name: -told[name]) if told[name] >= 1.0]


def landmarks(of: Traces, palette: Palette) -> Drawing:
    """The healthy snap with its landmarks, air mass flow above and lambda below.

    Parameters
    ----------
    of : Traces
    palette : Palette
        Colours.

    Returns
    -------
    Drawing
    """
    air, mixture = of.healthy.trace("airflow"), of.healthy.trace("lambda")
    upper = Frame(_ends(of.time_s), _reach(air), left=46, top=24, width=560, height=170)
    lower = Frame(_ends(of.time_s), _reach(mixture), left=46, top=232, width=560, height=110)
    parts = [
        drawing.words(4, 14, message("snap.airflow", unit=text.shown_unit("g/s")), palette.quiet),
        drawing.words(4, 222, message("snap.lambda_ratio"), palette.quiet),
    ]
    for at, key in ((0.0, "opening"), (of.release_s, "release")):
        across, _ = upper.at(at, upper.y[0])
        parts.append(
            f'<line x1="{across:.1f}" y1="24" x2="{across:.1f}" y2="342" stroke="{palette.quiet}" stroke-dasharray="2 3"/>'
        )
        parts.append(drawing.words(across + 4, 356, message(f"snap.{key}"), palette.quiet))
    parts += [
        lambda_panel.lines(lower, 606, palette),
        lambda_panel.ends(lower, palette, rich_is_up=False),
        drawing.line(upper, of.time_s, air, palette.accent, 2),
        drawing.line(lower, of.time_s, mixture, palette.accent, 2),
    ]
    for key, at, level in _air_marks(of.time_s, air, of.release_s):
        parts += _named(upper, key, at, level, palette)
    for key, at, level in _lambda_marks(of.time_s, mixture, of.release_s):
        parts += _named(lower, key, at, level, palette)
    return drawing.drawing(parts, 620, 364, message("meaning.landmarks_alt"), most=760)


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
_TO_THE_LEFT = ("full", "cut")
"""Landmarks whose words stand below their place, and those whose words end at it: so no two meet."""


def _named(frame: Frame, key: str, at: float, level: float, palette: Palette) -> list[str]:
    across, down = frame.at(at, level)
    ring = (
        f'<circle cx="{across:.1f}" cy="{down:.1f}" r="3.6" fill="none" stroke="{palette.alarm}" stroke-width="1.8"/>'
    )
    left = key in _TO_THE_LEFT
    return [
        ring,
        drawing.words(
            across + (-7 if left else 6),
            down + (17 if key in _BELOW else -8),
            message(f"landmark.{key}"),
            palette.ink,
            13,
            "end" if left else "start",
            weight=600,
            paper=palette.paper,
        ),
    ]


def beside_healthy(code: str, names: list[str], of: Traces, palette: Palette, title: str, *, small: bool) -> Drawing:
    """A cause's traces over the healthy ones.

    Parameters
    ----------
    code : str
        Cause.
    names : list of str
        Traces to draw, as `shown_by` gives them.
    of : Traces
    palette : Palette
        Colours.
    title : str
        Of the cause.
    small : bool
        One trace, to stand in a row of causes.

    Returns
    -------
    Drawing
    """
    names = names[:1] if small else names
    width, each = (250, 120) if small else (560, 170)
    parts = []
    for row, name in enumerate(names):
        healthy, faulty = of.healthy.trace(name), of.causes[code].trace(name)
        top = 20 + row * (each + 30)
        frame = Frame(
            _ends(of.time_s),
            _reach(np.concatenate([healthy, faulty])),
            left=6,
            top=top,
            width=width - 12,
            height=each - 10,
        )
        key = (
            message("snap.airflow", unit=text.shown_unit("g/s")) if name == "airflow" else message("snap.lambda_ratio")
        )
        parts += [
            drawing.words(6, top - 6, key, palette.quiet),
            "" if name == "airflow" else lambda_panel.ends(frame, palette, rich_is_up=False),
            drawing.line(frame, of.time_s, healthy, palette.past, 2.4),
            drawing.line(frame, of.time_s, faulty, palette.alarm, 1.8),
        ]
    says = message("meaning.beside_alt", cause=title)
    return drawing.drawing(parts, width, 20 + len(names) * (each + 30) - 20, says, most=width if small else 720)


def _ends(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[-1])


def _reach(values: Floats) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    return low - 0.05 * (high - low), high + 0.12 * (high - low)
