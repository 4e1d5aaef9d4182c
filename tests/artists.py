"""What a plot shows, by its artists: places of lines and marks, words, shaded regions."""

from matplotlib.axes import Axes
from matplotlib.lines import Line2D


def across(axes: Axes) -> dict[float, Line2D]:
    """Level to horizontal line over the whole width."""
    return {round(float(line.get_ydata()[0]), 6): line for line in axes.lines if list(line.get_xdata()) == [0, 1]}


def upright(axes: Axes) -> list[float]:
    """Places of vertical lines over the whole height."""
    return sorted(round(float(line.get_xdata()[0]), 6) for line in axes.lines if list(line.get_ydata()) == [0, 1])


def dots(axes: Axes) -> set[tuple[float, float]]:
    """Places of single marks."""
    lone = [line for line in axes.lines if line.get_marker() == "o" and len(line.get_xdata()) == 1]
    return {(round(float(line.get_xdata()[0]), 4), round(float(line.get_ydata()[0]), 4)) for line in lone}


def said(axes: Axes) -> dict[str, tuple[float, float]]:
    """Words within the plot, and the place each speaks of."""
    found = {text.get_text(): getattr(text, "xy", text.get_position()) for text in axes.texts}
    return {words: (round(float(x), 4), round(float(y), 4)) for words, (x, y) in found.items()}


def keys(axes: Axes) -> list[str]:
    legend = axes.get_legend()
    return [] if legend is None else [text.get_text() for text in legend.get_texts()]


def regions(axes: Axes) -> list[tuple[float, float, float, float]]:
    """Extents of shaded regions: left, right, low, high."""
    boxes = [each.get_paths()[0].get_extents() for each in axes.collections if each.get_paths()]
    return [tuple(round(float(end), 4) for end in (box.x0, box.x1, box.y0, box.y1)) for box in boxes]  # type: ignore[misc]
