"""Numbers wherever they are shown: plain notation, never powers of ten; decimals and thousands parted as the language does."""

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


def to_uncertainty(value: float, u: float, largest: float) -> str:
    """A number to the last place of its uncertainty: one figure of that, two where it starts with 1.

    Parameters
    ----------
    value, u : float
        Number and standard uncertainty; without one, or with one of zero or NaN, the number is given in three figures.
        [any unit]
    largest : float
        The largest of the numbers given beside each other: none has more places than three figures of it. [as the number]

    Returns
    -------
    str
        Such as 8.6 for 8.58 with 0.2; never a place above the ones.
    """
    if not (math.isfinite(u) and u > 0 and largest):
        return plain(value)
    exponent = math.floor(math.log10(u))
    places = 1 - exponent if u / 10.0**exponent < 1.95 else -exponent
    places = max(min(places, 2 - math.floor(math.log10(abs(largest)))), 0)
    return f"{round(value, places) + 0.0:.{places}f}"


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


def parted(value: float, places: int = 0) -> str:
    """A number with a comma every three digits: the one way thousands are written, as sentences have them ("2,500 rpm").

    Parameters
    ----------
    value : float
        The number. [any unit]
    places : int
        Decimals.

    Returns
    -------
    str
    """
    return f"{round(value, places) or 0.0:,.{max(0, places)}f}"


def in_language(number: str, language: str) -> str:
    """A number written by this module, in the notation of a language.

    Parameters
    ----------
    number : str
        As `plain`, `rough`, `share` or `parted` returns it.
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
