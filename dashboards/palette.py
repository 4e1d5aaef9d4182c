"""Colours of the board, one set for light paper and one for dark; every text colour passes WCAG AA on its paper.

Colour never carries meaning alone: urgency and grades carry a symbol and a word, alarms a cross, limits a dashed line.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Palette:
    """One set of colours, as #rrggbb.

    Attributes
    ----------
    paper, panel : str
        Background of the page, and of what stands on it.
    ink, quiet : str
        Text, and secondary text and axes.
    line : str
        Hairlines and grids; carries no meaning.
    accent : str
        The van itself: its values, its latest snap, links.
    past : str
        Earlier snaps and peers.
    band : str
        Fill of the expected range.
    alarm, plan, watch, well : str
        Urgencies and what is well.
    """

    paper: str
    panel: str
    ink: str
    quiet: str
    line: str
    accent: str
    past: str
    band: str
    alarm: str
    plan: str
    watch: str
    well: str


LIGHT = Palette(
    paper="#fcfbf8",
    panel="#f2f0ea",
    ink="#1f2b31",
    quiet="#56636a",
    line="#dcd8ce",
    accent="#0c6470",
    past="#7d8a90",
    band="#dfe9e6",
    alarm="#a5301c",
    plan="#875400",
    watch="#3d5a8a",
    well="#2d6a3c",
)
DARK = Palette(
    paper="#14191c",
    panel="#1e2529",
    ink="#e9ecec",
    quiet="#a9b4b8",
    line="#39434a",
    accent="#72c8cd",
    past="#8b989e",
    band="#26373a",
    alarm="#ff9d88",
    plan="#e7b75c",
    watch="#a3bdea",
    well="#93d1a1",
)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21.

    Parameters
    ----------
    one, other : str
        Colours as #rrggbb.

    Returns
    -------
    float

    References
    ----------
    W3C, Web Content Accessibility Guidelines 2.1, definitions of contrast ratio and relative luminance.
    """
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
