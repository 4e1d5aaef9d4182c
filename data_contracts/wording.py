"""Translation: the languages Vansnap is shown in, and the contract's sentences in them.

Tables, codes and commands are not translated, only the text people read. The English sentence of the contract is the
key of its translation, so that text stored in a table can be shown in another language too.
"""

from collections.abc import Mapping

from data_contracts.bilingual import LANGUAGES, Language, Words
from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import PROVE
from data_contracts.cautions import CAUTIONS
from data_contracts.jobs import TESTS
from data_contracts.reasons import GRADE_REASONS, QUARANTINE_RULES, REPEAT_REASONS, UNREAD_REASONS, USABLE_REASONS
from data_contracts.signals import QUANTITIES
from data_contracts.words_de import GERMAN

__all__ = [
    "LANGUAGES",
    "LANGUAGE_NAMES",
    "TRANSLATIONS",
    "Language",
    "contract_sentences",
    "contract_words",
    "translated",
]

LANGUAGE_NAMES = {"en": "English", "de": "Deutsch"}
TRANSLATIONS: Mapping[str, Mapping[str, str]] = {"de": GERMAN}
"""Sentences of `contract_sentences` by language."""


def contract_sentences() -> tuple[str, ...]:
    """English sentences and remedies of the contract's reasons."""
    pages = (REPEAT_REASONS, USABLE_REASONS, GRADE_REASONS, UNREAD_REASONS, QUARANTINE_RULES)
    found = [sentence for page in pages for reason in page.values() for sentence in (reason.sentence, reason.remedy)]
    return tuple(dict.fromkeys(sentence for sentence in found if sentence))


def contract_words() -> tuple[Words, ...]:
    """All words in the records of quantities, causes, tests and cautions, in every language."""
    found: list[Words | None] = [PROVE, *(q.description for q in QUANTITIES.values())]
    for cause in EVERY_CAUSE.values():
        found += [cause.title, cause.everyday, cause.job.action, *cause.job.steps, cause.job.parts, cause.unjudged]
        found += [hard.because for hard in cause.ambiguities]
    found += [told for test in TESTS.values() for told in (test.title, test.passes)] + [
        caution.text for caution in CAUTIONS.values()
    ]
    return tuple(dict.fromkeys(words for words in found if words is not None))


_TRANSLATED: Mapping[str, Mapping[str, str]] = {
    language: {**table, **{words.en: words.in_language(language) for words in contract_words()}}
    for language, table in TRANSLATIONS.items()
}


def translated(sentence: str | Words, language: str) -> str:
    """A sentence of the contract in a language.

    Parameters
    ----------
    sentence : str or Words
        As the contract has it, or any other text.
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    str
        The sentence as it is where there is no translation, such as text that people wrote.
    """
    if isinstance(sentence, Words):
        return sentence.in_language(language)
    return _TRANSLATED.get(language, {}).get(sentence, sentence)
