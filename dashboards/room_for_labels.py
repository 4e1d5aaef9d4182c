"""Where labels of a small drawing find room: boxes around a point, and what they would cover."""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence

Box = tuple[float, float, float, float]
"""Left, top, right, bottom. [px]"""
_WIDTHS = {"ijlI.,:;'|": 0.32, "frt ()[]/-": 0.43, "mwMW%": 0.98, "ABCDGHNOQRUVXZ": 0.78}
_LETTER = 0.65  # width of a letter over its size, on the wide side for the fonts used; of these others
_NEARNESS = 14.0  # so far away is as bad as one covered point of a line [px]


def filled(points: Sequence[tuple[float, float]]) -> Iterator[tuple[float, float]]:
    """Points of a line, also where it is steep: at most 4 px apart."""
    for (x, y), (to_x, to_y) in itertools.pairwise(points):
        steps = max(1, math.ceil(max(to_x - x, abs(to_y - y)) / 4.0))
        yield from ((x + (to_x - x) * k / steps, y + (to_y - y) * k / steps) for k in range(steps))


def around(x: float, y: float, width: float, height: float) -> Iterator[Box]:
    """Places for a label around a point, near ones first."""
    for away in (6.0, 12.0, 20.0, 30.0, 42.0, 56.0, 72.0):
        for left in (x + away, x - away - width, x - 0.5 * width):
            for top in (y - away - height, y + away, y - 0.5 * height, y - height, y):
                if left != x - 0.5 * width or top != y - 0.5 * height:
                    yield left, top, left + width, top + height


def roomiest(
    point: tuple[float, float],
    places: Iterable[Box],
    paper: Box,
    written: Sequence[Box],
    traced: Sequence[tuple[float, float]],
    ruled: Sequence[float],
) -> Box | None:
    """The place for a point's label that is near and covers least.

    Parameters
    ----------
    point : (float, float)
        What it names. [px]
    places : iterable of Box
        To choose from.
    paper : Box
        What it stays in.
    written : sequence of Box
        What it may not meet.
    traced : sequence of (float, float)
        Points of lines it keeps clear of as far as there is room.
    ruled : sequence of float
        Heights of the lines of the ground, each as bad as one point.

    Returns
    -------
    Box or None
        None where there is no room.
    """

    def bad(box: Box) -> float:
        covered = sum(within(each, box) for each in traced) + sum(box[1] < line < box[3] for line in ruled)
        return covered + math.dist(point, nearest(point, box)) / _NEARNESS

    free = (
        box
        for box in places
        if paper[0] <= box[0] and box[2] <= paper[2] and paper[1] <= box[1] and box[3] <= paper[3]
        if not any(meet(box, other) for other in written)
    )
    return min(free, key=bad, default=None)


def nearest(point: tuple[float, float], box: Box) -> tuple[float, float]:
    """The point of a box that is nearest to another."""
    return min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3])


def within(point: tuple[float, float], box: Box) -> bool:
    """Whether a point lies in a box."""
    return box[0] <= point[0] <= box[2] and box[1] <= point[1] <= box[3]


def meet(one: Box, other: Box) -> bool:
    """Whether two boxes meet, or all but meet."""
    return one[0] < other[2] + 2.0 and other[0] < one[2] + 2.0 and one[1] < other[3] and other[1] < one[3]


def wide(words: str, size: float) -> float:
    """How wide words are at a size. [px]"""
    return size * sum(next((wide for letters, wide in _WIDTHS.items() if each in letters), _LETTER) for each in words)
