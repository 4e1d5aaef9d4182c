"""Numbers inside sentences: plain notation, never powers of ten; a decimal comma in German."""

import math
from decimal import Decimal

_MARKS = {"de": str.maketrans(".,", ",.")}


def plain(value: float, digits: int = 3, *, sign: bool = False) -> str:
    """A number to significant figures, without trailing zeros.

    Parameters
    ----------
    value : float
        [any unit]
    digits : int
        Significant figures.
    sign : bool
        Positive numbers carry a sign too.

    Returns
    -------
    str
        Such as 0.0044 or 1010.
    """
    text = f"{value:{'+' if sign else ''}.{digits}g}"
    return f"{Decimal(text):{'+' if sign else ''}f}" if "e" in text else text


def rough(value: float) -> str:
    """A number in two figures where it is small, in whole units from 10 on.

    Parameters
    ----------
    value : float
        [any unit]

    Returns
    -------
    str
    """
    size = abs(value)
    if size >= 10:
        return f"{value:.0f}"
    if size >= 1:
        return f"{value:.1f}"
    return f"{value:.2f}" if size >= 0.005 or size == 0 else plain(value, 2)


def share(probability: float) -> str:
    """A probability in per cent; one that rests on a model is never shown as certain.

    Parameters
    ----------
    probability : float
        In [0, 1]. [1]

    Returns
    -------
    str
        Whole per cent between "< 1 %" and "> 99 %".
    """
    if probability > 0.99:
        return "> 99 %"
    return "< 1 %" if probability < 0.01 else f"{probability * 100:.0f} %"


def counted(value: float) -> str:
    """A whole number, with a comma every three digits.

    Parameters
    ----------
    value : float
        The number. [any unit]

    Returns
    -------
    str
    """
    return f"{value:,.0f}"


def in_language(number: str, language: str) -> str:
    """A number written by this module, in the notation of a language.

    Parameters
    ----------
    number : str
        As `plain`, `rough`, `share` or `counted` returns it.
    language : str
        One of `data_contracts.bilingual.LANGUAGES`.

    Returns
    -------
    str
    """
    return number.translate(_MARKS.get(language, {}))


def is_number(value: float | None) -> bool:
    """Whether there is a number to show.

    Parameters
    ----------
    value : float or None
        The number; NaN counts as none. [any unit]

    Returns
    -------
    bool
    """
    return value is not None and not math.isnan(value)
