"""Text for people, in all languages of the software side by side."""

from typing import Literal, NamedTuple, get_args

Language = Literal["en", "de"]
LANGUAGES: tuple[str, ...] = get_args(Language)


class Words(NamedTuple):
    """A text in every language, as it reads in the middle of a sentence: a field per language, in order of `LANGUAGES`.

    Attributes
    ----------
    en, de : str
        English and German.
    """

    en: str
    de: str

    def in_language(self, language: str) -> str:
        """The words in one of `LANGUAGES`; English for any other.

        Parameters
        ----------
        language : str
            A language code such as "de".

        Returns
        -------
        str
        """
        return self[LANGUAGES.index(language)] if language in LANGUAGES else self.en

    def followed_by(self, more: "Words") -> "Words":
        """These words with more words after them, in every language.

        Parameters
        ----------
        more : Words
            Words to append; a space is not added.

        Returns
        -------
        Words
        """
        return Words(*(first + second for first, second in zip(self, more, strict=True)))
