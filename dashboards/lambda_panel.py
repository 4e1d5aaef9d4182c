"""Lines and words of the lambda axis of a drawing."""

from dashboards import drawing, text
from dashboards.drawing import Frame
from dashboards.palette import Palette
from dashboards.text import message
from data_contracts import lambda_axis

LEAST_APART = 17.0
"""Between the words of two lines. [px]"""


def lines(frame: Frame, right: float, palette: Palette) -> str:
    """A line and its lambda at each level that has room, the one at 1 and those near it first, out to the right edge. [px]"""
    drawn, taken = "", list[float]()
    for at, level in sorted(lambda_axis.levels(*frame.y), key=lambda pair: abs(pair[1] - 1.0)):
        across, down = frame.at(frame.x[0], at)
        if any(abs(down - other) < LEAST_APART for other in taken):
            continue
        taken.append(down)
        drawn += drawing.rule(across, down, right, palette.line)
        drawn += drawing.words(across - 6, down + 4, text.tick(level, lambda_axis.LEVELS), palette.quiet, 12, "end")
    return drawn


def ends(frame: Frame, palette: Palette, *, rich_is_up: bool) -> str:
    """Both ends of the axis say which is rich and which is lean."""
    names = ("snap.rich", "snap.lean") if rich_is_up else ("snap.lean", "snap.rich")
    places = (("↑", frame.top + 11), ("↓", frame.top + frame.height - 4))
    return "".join(
        drawing.words(frame.left + 3, down, f"{arrow} {message(name)}", palette.quiet, 12, paper=palette.paper)
        for name, (arrow, down) in zip(names, places, strict=True)
    )
