"""What a line of a page may not break: days, ISO weeks, and a figure with its per cent sign. Not for files, where both are plain."""

import re

NARROW_SPACE = "\N{NARROW NO-BREAK SPACE}"
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"
WORD_JOINER = "\N{WORD JOINER}"
HYPHEN = "\N{NON-BREAKING HYPHEN}"

_CALENDAR = re.compile(r"(?<![\w.`-])(\d{4})\\?-(?:(W\d\d)|(\d\d)\\?-(\d\d))(?!\\?-|[\w`])")
_SHARE = re.compile(r" (?=%)|(?<=[<>]) (?=\d)")


def kept_together(told: str) -> str:
    """A text with days such as 2026-07-06, weeks such as 2026-W27 and figures with their per cent signs each on one line.

    Parameters
    ----------
    told : str
        Plain text or Markdown.

    Returns
    -------
    str
    """
    return _SHARE.sub(NARROW_SPACE, _CALENDAR.sub(_calendar, told))


def plainly(told: str) -> str:
    """The same text with plain hyphens and spaces: the inverse, but for spaces that were narrow before."""
    return told.replace(HYPHEN, "-").replace(NARROW_SPACE, " ")


def _calendar(found: re.Match[str]) -> str:
    year, *rest = found.groups()
    return HYPHEN.join([year, *(part for part in rest if part)])
