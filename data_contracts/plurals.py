"""Counts in sentences: one form for one, another for any other number, in every language alike.

A place of a sentence may hold both: in `{visits:# visit/# visits}` the # stands for the number. A form without # only agrees with it.
"""

import string
from collections.abc import Mapping

SEPARATOR = "/"
"""Between the form for one and the form for more."""
PLACE = r"\{(\w+)(?::([^{}]*))?\}"
"""A place of a sentence, as a pattern: its name, and its forms where it has them."""


def form_of(forms: str, shown: str) -> str:
    """The form that goes with a number, filled.

    Parameters
    ----------
    forms : str
        For one and for more, such as "# visit/# visits".
    shown : str
        The number as it is shown.

    Returns
    -------
    str
    """
    one, more = forms.split(SEPARATOR)
    return (one if shown == "1" else more).replace("#", shown)


class _Counting(string.Formatter):
    """Fills places as `str.format` does, those with two forms by the number in them."""

    def format_field(self, value: object, format_spec: str) -> str:
        """Text of one place."""
        if SEPARATOR in format_spec:
            return form_of(format_spec, str(value))
        text: str = super().format_field(value, format_spec)
        return text


_COUNTING = _Counting()


def filled(sentence: str, places: Mapping[str, object]) -> str:
    """A sentence with its places filled.

    Parameters
    ----------
    sentence : str
        With places as `str.format` knows them, or with two forms.
    places : mapping of str to object
        Values of its places.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        If a place has no value.
    """
    return _COUNTING.vformat(sentence, (), places)


def counted(number: int, one: str, more: str) -> str:
    """A number with its noun.

    Parameters
    ----------
    number : int
    one, more : str
        The noun, for one and for any other number.

    Returns
    -------
    str
        Such as "1 visit" or "3 visits".
    """
    return f"{number} {one if number == 1 else more}"
