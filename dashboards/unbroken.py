"""What a line of a page may not break: days, ISO weeks, and a figure with its sign, limit or per cent. Not for files, where all are
plain."""

import re

NARROW_SPACE = "\N{NARROW NO-BREAK SPACE}"
NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"
WORD_JOINER = "\N{WORD JOINER}"
HYPHEN = "\N{NON-BREAKING HYPHEN}"

_CALENDAR = re.compile(r"(?<![\w.`-])(\d{4})\\?-(?:(W\d\d)|(\d\d)\\?-(\d\d))(?!\\?-|[\w`])")
_SHARE = re.compile(r" (?=%)|(?<=[<>]) (?=\d)")

_JOINED = re.compile(
    r"(?<=±) (?=\d)|(?<=[\d²³%]) (?=±)|(?<=\busual) (?=±)|(?<=\büblich) (?=±)"
    r"|(?<=\blimit) (?=\\?[−-]?\d)|(?<=\bGrenze) (?=\\?[−-]?\d)|(?<=\w) (?=\([<>\d][^()]*%\))"
    r"|(?<=\d) (?=(?:g/s|s|h|V)(?![\w/])|weeks?\)|Wochen?\))"
)
"""A scatter, a limit, the share in brackets behind its word, a figure with its short unit, and a number of weeks in brackets."""


def kept_together(told: str) -> str:
    """A text with days such as 2026-07-06, weeks such as 2026-W27 and figures with ±, their limit or per cent sign each on one line.

    Parameters
    ----------
    told : str
        Plain text or Markdown.

    Returns
    -------
    str
    """
    return _JOINED.sub(NO_BREAK_SPACE, _SHARE.sub(NARROW_SPACE, _CALENDAR.sub(_calendar, told)))


def plainly(told: str) -> str:
    """The same text with plain hyphens and spaces: the inverse, but for spaces that were narrow before."""
    return told.replace(HYPHEN, "-").replace(NARROW_SPACE, " ").replace(NO_BREAK_SPACE, " ")


def _calendar(found: re.Match[str]) -> str:
    year, *rest = found.groups()
    return HYPHEN.join([year, *(part for part in rest if part)])
