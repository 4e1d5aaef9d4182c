"""Texts of the pages of quantities and causes in one language, and the sections that both kinds have."""

from dataclasses import dataclass

from data_contracts.bilingual import Words
from data_contracts.facts.numerals import in_language
from data_contracts.pages_de import ONLY_ENGLISH, PAGES_DE
from data_contracts.quantities.record import Method


@dataclass(frozen=True)
class PageLanguage:
    """Says texts of the pages in one language.

    Attributes
    ----------
    code : str
        One of `LANGUAGES`.
    """

    code: str

    def say(self, text: str, **places: object) -> str:
        """A text with its places filled; what has no translation is said to be in English only."""
        if self.code != "en":
            text = PAGES_DE.get(text, f"{ONLY_ENGLISH} {text}")
        return text.format(**places) if places else text

    def of(self, words: Words) -> str:
        """Words of a record."""
        return words.in_language(self.code)

    def number(self, text: str) -> str:
        """A number, or text of ours that holds some, in the notation of the language."""
        return in_language(text, self.code)

    def share(self, value: float) -> str:
        """A share in per cent."""
        return f"{100.0 * value:.0f}\N{NARROW NO-BREAK SPACE}%"

    def heading(self, text: str) -> str:
        """A heading below the page's own."""
        return f"## {self.say(text)}\n"


def sentence(words: str) -> str:
    """Words as they begin a line."""
    return words[0].upper() + words[1:]


def method_of(method: Method, told: PageLanguage, more: str = "") -> list[str]:
    """How it is computed, how sure that is and where it comes from, with more words after the source."""
    source = told.say(method.source) + (told.say(more) if more else "")
    return [
        f"{told.heading('How it is computed')}\n{told.say(method.computed)}\n",
        f"{told.heading('Uncertainty')}\n{told.say(method.uncertainty)}\n",
        f"{told.heading('Source')}\n{source}\n",
    ]
