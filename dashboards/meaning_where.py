"""Where a quantity is read on a healthy snap: its landmark ringed, or its stretch tinted."""

import numpy as np

from dashboards import drawing, lambda_panel, text
from dashboards import meaning_pictures as pictures
from dashboards.drawing import Drawing, Frame
from dashboards.meaning_pictures import Traces
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts.quantities.record import Moment
from data_contracts.signals import QUANTITIES


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
    where = QUANTITIES[name].drawn_at
    if where is None:
        return None
    trace = where.trace
    width, height = (340.0, 130.0) if narrow else (620.0, 150.0)
    values = of.healthy.trace(trace)
    frame = Frame(pictures.ends(of.time_s), pictures.reach(values), left=4, top=22, width=width - 8, height=height)
    foot = frame.top + frame.height
    parts = [drawing.words(4, 14, pictures.axis(trace), palette.quiet)]
    parts += pictures.moments(frame, foot, of, palette)
    if trace == "lambda":
        parts.append(lambda_panel.ends(frame, palette, rich_is_up=False))
    if not where.landmark:
        first, last = _seconds(where.first, of), _seconds(where.last, of)
        tinted = np.array([max(first, frame.x[0]), min(last, frame.x[1])])
        low, high = (np.full(2, end) for end in frame.y)
        parts.append(drawing.band(frame, tinted, low, high, palette.alarm, opacity=0.18))
    parts.append(drawing.line(frame, of.time_s, values, palette.accent, 2))
    if where.landmark:
        at, level = pictures.landmark(where.landmark, of)
        parts.append(pictures.ring(frame.at(at, level), palette))
    title = text.quantity(name)
    return drawing.drawing(
        parts, width, foot + 20, message("meaning.where_alt", quantity=title), most=width if narrow else 760
    )


def _seconds(moment: Moment, of: Traces) -> float:
    anchor, after = moment
    return after + (of.release_s if anchor == "release" else 0.0)
