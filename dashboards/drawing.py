"""Small drawings as SVG: what a page can show at once, where a plot would cost the browser a second.

Values in, SVG out. Text from outside is escaped; every drawing says in words what it shows.
"""

from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FONT = "Source Sans 3, Segoe UI, Roboto, Helvetica Neue, Arial, sans-serif"
"""A drawing is an image, for the toolkit takes drawings out of a page's text: it can't use the page's own font."""


class Frame:
    """A stretch of paper on which values are drawn.

    Parameters
    ----------
    x, y : tuple of float
        Values at its left and right edge, and at its foot and top.
    left, top, width, height : float
        Where it lies. [px]
    """

    def __init__(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        left: float,
        top: float,
        width: float,
        height: float,
    ) -> None:
        self.x, self.y = x, y
        self.left, self.top, self.width, self.height = left, top, width, height

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a pair of values lies. [px]"""
        across = (x - self.x[0]) / ((self.x[1] - self.x[0]) or 1.0)
        up = (y - self.y[0]) / ((self.y[1] - self.y[0]) or 1.0)
        return self.left + across * self.width, self.top + (1.0 - up) * self.height


def line(frame: Frame, x: Floats, y: Floats, colour: str, width: float = 1.5, dash: str = "") -> str:
    """A line through values, broken where one is missing."""
    pieces: list[str] = []
    pen = False
    for one, other in zip(x, y, strict=True):
        if not np.isfinite(one) or not np.isfinite(other):
            pen = False
            continue
        across, down = frame.at(float(one), float(other))
        pieces.append(f"{'L' if pen else 'M'}{across:.1f} {down:.1f}")
        pen = True
    if not pieces:
        return ""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<path d="{"".join(pieces)}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-linejoin="round" stroke-linecap="round"{dashed}/>'
    )


def band(frame: Frame, x: Floats, low: Floats, high: Floats, colour: str, opacity: float = 1.0) -> str:
    """The area between two lines, where both are known."""
    known = np.isfinite(low) & np.isfinite(high)
    drawn = ""
    for first, stop in stretches(known):
        if stop - first < 2:
            continue
        over = [frame.at(float(a), float(b)) for a, b in zip(x[first:stop], high[first:stop], strict=True)]
        under = [frame.at(float(a), float(b)) for a, b in zip(x[first:stop], low[first:stop], strict=True)]
        corners = " ".join(f"{a:.1f},{b:.1f}" for a, b in [*over, *reversed(under)])
        drawn += f'<polygon points="{corners}" fill="{colour}" fill-opacity="{opacity}"/>'
    return drawn


def stretches(known: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and past-the-last place of every run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [(int(edges[k]), int(edges[k + 1])) for k in range(0, edges.size, 2)]


def words(
    x: float,
    y: float,
    says: str,
    colour: str,
    size: float = 12,
    anchor: str = "start",
    *,
    weight: int = 400,
    paper: str = "",
) -> str:
    """A line of text; with a colour of the paper it stays readable on a line. [px]"""
    halo = f' stroke="{paper}" stroke-width="4" stroke-linejoin="round" paint-order="stroke"' if paper else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" font-size="{size}" text-anchor="{anchor}" '
        f'font-weight="{weight}"{halo}>{escape(says)}</text>'
    )


def rule(left: float, down: float, right: float, colour: str, width: float = 1.0, dash: str = "") -> str:
    """A line across. [px]"""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{left:.1f}" y1="{down:.1f}" x2="{right:.1f}" y2="{down:.1f}" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashed}/>'
    )


def dot(frame: Frame, x: float, y: float, colour: str, radius: float = 2.4) -> str:
    """A point."""
    across, down = frame.at(x, y)
    return f'<circle cx="{across:.1f}" cy="{down:.1f}" r="{radius}" fill="{colour}"/>'


def cross(frame: Frame, x: float, y: float, colour: str, half: float = 3.2) -> str:
    """A cross, for an alarm."""
    a, b = frame.at(x, y)
    return (
        f'<path d="M{a - half:.1f} {b - half:.1f}L{a + half:.1f} {b + half:.1f}M{a - half:.1f} {b + half:.1f}'
        f'L{a + half:.1f} {b - half:.1f}" stroke="{colour}" stroke-width="1.8" fill="none"/>'
    )


@dataclass(frozen=True)
class Drawing:
    """A finished drawing.

    Attributes
    ----------
    coded : str
        SVG, in base 64.
    says : str
        What it shows, in words.
    most : float
        Widest it is shown. [px]
    """

    coded: str
    says: str
    most: float

    @property
    def svg(self) -> str:
        """The drawing as text."""
        return b64decode(self.coded).decode()


def drawing(parts: Sequence[str], width: float, height: float, says: str, *, most: float = 0) -> Drawing:
    """The whole drawing.

    Parameters
    ----------
    parts : sequence of str
        What is on it, from the back to the front.
    width, height : float
        Of the paper. [px]
    says : str
        What it shows, in words.
    most : float
        Widest it is shown; 0 is its own width. [px]

    Returns
    -------
    Drawing
    """
    paper = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'font-family="{FONT}">{"".join(parts)}</svg>'
    )
    return Drawing(b64encode(paper.encode()).decode("ascii"), says, most or width)


def ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Round values of an axis."""
    reach = high - low
    if not np.isfinite(reach) or reach <= 0:
        return []
    step = 10.0 ** np.floor(np.log10(reach / most))
    step = next(step * by for by in (1.0, 2.0, 5.0, 10.0) if reach / (step * by) <= most)
    first = np.ceil(low / step) * step
    return [float(round(first + k * step, 12)) for k in range(int((high - first) / step + 1e-9) + 1)]
