"""The declaration of a fact's code: its fields, and its sentence in every language."""

from dataclasses import dataclass

from data_contracts.bilingual import Words


@dataclass(frozen=True)
class Template:
    """One code of a fact, with its sentence.

    Attributes
    ----------
    code : str
        The word in tables; it never changes its meaning.
    of_quantity : bool
        It is about one quantity.
    fields : tuple of str
        Fields it always has, then, after `may`, those it may have.
    may : tuple of str
        Fields that may be missing.
    words : Words
        Its sentence.
    """

    code: str
    words: Words
    fields: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    of_quantity: bool = False


def of_quantity(code: str, en: str, de: str, fields: str = "", may: str = "") -> Template:
    return Template(code, Words(en, de), tuple(fields.split()), tuple(may.split()), True)


def template(code: str, en: str, de: str, fields: str = "", may: str = "") -> Template:
    return Template(code, Words(en, de), tuple(fields.split()), tuple(may.split()))
