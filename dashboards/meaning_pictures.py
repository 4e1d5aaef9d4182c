"""Pictures of *What it means*: the landmarks on a healthy snap, and each cause beside the healthy one.

The traces are made by `python -m sample_fleet.make_traces` and lie beside the pages.
"""

import functools
import json
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from dashboards import drawing, lambda_panel, text
from dashboards.drawing import Drawing, Floats, Frame
from dashboards.palette import Palette
from dashboards.room_for_labels import wide
from dashboards.text import message
from data_contracts import lambda_axis
from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import PAGES

_LEAST_SEEN = 0.0105
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


def alike(of: Traces | None) -> dict[str, list[str]]:
    """Causes by the trace on which each is seen best, those that look alike beside each other; last those that the eye does not see.

    Parameters
    ----------
    of : Traces or None
        None where there are none: then nothing is seen.

    Returns
    -------
    dict of str to list of str
        By a name of `TRACES`, or "none"; without those that hold none.
    """
    seen: dict[str, list[str]] = {name: [] for name in (*TRACES, "none")}
    for code in EVERY_CAUSE:
        seen[next(iter(shown_by(code, of) if of is not None else []), "none")].append(code)
    return {name: _in_turn(codes, name, of) for name, codes in seen.items() if codes}


def _in_turn(codes: list[str], name: str, of: Traces | None) -> list[str]:
    """Causes in the order in which neighbours look most alike, of all orders that keep close groups together (optimal leaf
    ordering of a clustering by the shape of what lies between each and the healthy trace, whatever its size)."""
    if of is None or name not in TRACES or len(codes) < 3:
        return codes
    from scipy.cluster.hierarchy import leaves_list, linkage  # half a second, for one page

    healthy = of.healthy.trace(name)
    away = np.array([of.causes[code].trace(name) - healthy for code in codes])
    return [codes[k] for k in leaves_list(linkage(away, "average", "cosine", optimal_ordering=True))]


def axis(name: str) -> str:
    """What a trace shows, in words, with its unit or which way is lean."""
    return message("snap.airflow", unit=text.shown_unit("g/s")) if name == "airflow" else message("meaning.lambda")


def landmarks(of: Traces, palette: Palette, *, narrow: bool = False) -> Drawing:
    """The healthy snap with its landmarks, air mass flow above and lambda below; on a phone they are numbered.

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
    upper = Frame(ends(of.time_s), reach(air), left=left, top=24, width=width - 2 * left, height=170)
    lower = Frame(ends(of.time_s), reach(mixture), left=left, top=240, width=width - 2 * left, height=130)
    parts = [
        *(
            moment(upper.at(at, upper.y[0])[0], upper.top, upper.top + upper.height, palette)
            for at in (0.0, of.release_s)
        ),
        *moments(lower, 370, of, palette),
        drawing.words(4, 14, axis("airflow"), palette.quiet, paper=palette.paper),
        drawing.words(4, 226, axis("lambda"), palette.quiet, paper=palette.paper),
        drawing.line(upper, of.time_s, air, palette.accent, 2),
        drawing.line(lower, of.time_s, mixture, palette.accent, 2),
    ]
    legend: list[str] = []
    for frame, trace, marks in (
        (upper, air, _air_marks(of.time_s, air, of.release_s)),
        (lower, mixture, _lambda_marks(of.time_s, mixture, of.release_s)),
    ):
        fine = np.linspace(of.time_s[0], of.time_s[-1], 40 * of.time_s.size)  # a steep rise has points too
        lines = [frame.at(float(t), float(y)) for t, y in zip(fine, np.interp(fine, of.time_s, trace), strict=True)]
        lines += [(frame.at(at, 0.0)[0], down) for at in (0.0, of.release_s) for down in range(24, 370, 4)]
        taken: list[_Box] = []
        for key, at, level in marks:
            says = message(f"landmark.{key}")
            legend.append(f"{len(legend) + 1}  {says}")
            shown = str(len(legend)) if narrow else says
            parts += _named(frame.at(at, level), shown, lines, taken, palette, width)
    foot = 392
    if narrow:  # names have no room beside the lines: numbers there, and what each is below, in two columns
        rows = -(-len(legend) // 2)
        for place, says in enumerate(legend):
            column, row = divmod(place, rows)
            parts.append(drawing.words(4 + 0.5 * column * width, foot + 18 + 19 * row, says, palette.ink, 13))
        foot += 12 + 19 * rows
    return drawing.drawing(parts, width, foot, message("meaning.landmarks_alt"), most=340 if narrow else 760)


def moment(across: float, top: float, foot: float, palette: Palette) -> str:
    """An upright dotted line at a moment."""
    return f'<line x1="{across:.1f}" y1="{top}" x2="{across:.1f}" y2="{foot}" stroke="{palette.quiet}" stroke-dasharray="2 3"/>'


def moments(frame: Frame, foot: float, of: Traces, palette: Palette) -> Iterator[str]:
    """Lines at opening and release, from the top of a frame down to `foot`, and their names below."""
    for at, key in ((0.0, "opening"), (of.release_s, "release")):
        across, _ = frame.at(at, frame.y[0])
        yield moment(across, frame.top, foot, palette)
        yield drawing.words(across + 4, foot + 14, message(f"snap.{key}"), palette.quiet)


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


_BOLD = 1.1  # how much wider bold words are than thin ones
_Box = tuple[float, float, float, float]


def _named(
    place: tuple[float, float],
    says: str,
    lines: list[tuple[float, float]],
    taken: list[_Box],
    palette: Palette,
    width: float,
) -> list[str]:
    """A ring at a landmark and its name, where it lies on the fewest lines and on no other name."""
    across, down = place
    long = _BOLD * wide(says, 13)
    boxes = []
    for near, shift in enumerate((9.0, -6.0, -18.0, 22.0, -32.0)):  # foot of the words beside, above and below the ring
        for from_ in (across + 8.0, across - 8.0 - long, across - 0.5 * long):
            left = min(max(from_, 2.0), width - 2.0 - long)
            box = (left, down + shift - 11.0, left + long, down + shift + 4.0)
            crossed = sum(
                _inside(point, box) for point in [*lines, (across, down), (across - 3, down), (across + 3, down)]
            )
            met = sum(box[0] < o[2] and o[0] < box[2] and box[1] < o[3] and o[1] < box[3] for o in taken)
            boxes.append((100 * met + min(crossed, 10) + 0.3 * near, box))
    _, best = min(boxes)
    taken.append(best)
    return [
        ring(place, palette),
        drawing.words(best[0], best[3] - 4.0, says, palette.ink, 13, weight=600, paper=palette.paper),
    ]


def ring(place: tuple[float, float], palette: Palette) -> str:
    """A ring at a landmark."""
    across, down = place
    return (
        f'<circle cx="{across:.1f}" cy="{down:.1f}" r="3.6" fill="none" stroke="{palette.alarm}" stroke-width="1.8"/>'
    )


def landmark(key: str, of: Traces) -> tuple[float, float]:
    """When a landmark of the healthy snap is, and how high."""
    air, mixture = of.healthy.trace("airflow"), of.healthy.trace("lambda")
    marks = (*_air_marks(of.time_s, air, of.release_s), *_lambda_marks(of.time_s, mixture, of.release_s))
    return next((at, level) for name, at, level in marks if name == key)


def _inside(point: tuple[float, float], box: _Box) -> bool:
    return box[0] - 2 <= point[0] <= box[2] + 2 and box[1] <= point[1] <= box[3]


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
    frame = Frame(ends(of.time_s), reach(both), left=3, top=3, width=width - 6, height=height - 6)
    moments = [moment(frame.at(at, frame.y[0])[0], 3, height - 3, palette) for at in (0.0, of.release_s)]
    parts = [
        *([] if small else moments),
        "" if small or name == "airflow" else lambda_panel.ends(frame, palette, rich_is_up=False),
        drawing.band(
            frame, of.time_s, np.minimum(healthy, faulty), np.maximum(healthy, faulty), palette.alarm, opacity=0.22
        ),
        drawing.line(frame, of.time_s, faulty, palette.alarm, 2.0),
        drawing.line(frame, of.time_s, healthy, palette.ink, 1.2, "5 3"),
    ]
    return drawing.drawing(
        parts, width, height, message("meaning.beside_alt", cause=title, trace=axis(name)), most=width if small else 520
    )


def ends(values: Floats) -> tuple[float, float]:
    """Left and right edge of a frame of these values."""
    return float(values[0]), float(values[-1])


def reach(values: Floats) -> tuple[float, float]:
    """Foot and top of a frame of these values."""
    low, high = float(values.min()), float(values.max())
    return low - 0.05 * (high - low), high + 0.12 * (high - low)
