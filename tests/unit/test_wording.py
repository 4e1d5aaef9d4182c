"""All languages and both systems of units say the same thing."""

import re
import string
from collections.abc import Mapping

import pytest

from dashboards import text, words_de, words_en
from data_contracts.bilingual import LANGUAGES, Words
from data_contracts.signals import QUANTITIES, words_for
from data_contracts.units import shown
from data_contracts.wording import LANGUAGE_NAMES, TRANSLATIONS, contract_sentences, contract_words, translated
from data_contracts.words_de import GERMAN
from pipelines.reports import paper


def places(sentence: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}


@pytest.mark.parametrize(
    "codes",
    [Words._fields, tuple(LANGUAGE_NAMES), tuple(text.CATALOGUES), tuple(paper.CATALOGUES), ("en", *TRANSLATIONS)],
    ids=["words", "names", "board", "paper", "contract"],
)
def test_every_language_is_entered(codes: tuple[str, ...]) -> None:
    assert codes == LANGUAGES


@pytest.mark.parametrize("catalogues", [text.CATALOGUES, paper.CATALOGUES], ids=["board", "paper"])
@pytest.mark.parametrize("language", LANGUAGES[1:])
def test_every_language_has_the_same_sentences_with_the_same_places(
    language: str, catalogues: Mapping[str, Mapping[str, str]]
) -> None:
    english, other = catalogues["en"], catalogues[language]
    assert set(other) == set(english)
    assert [key for key in english if places(english[key]) != places(other[key])] == []
    assert [key for key in english if english[key].count("|") != other[key].count("|")] == []
    assert [key for key in other if english[key] and not other[key].strip()] == []


@pytest.mark.parametrize("language", LANGUAGES[1:])
def test_every_sentence_of_the_contract_is_translated_and_no_other(language: str) -> None:
    assert set(TRANSLATIONS[language]) == set(contract_sentences())
    for english, other in TRANSLATIONS[language].items():
        assert translated(english, language) == other
    assert translated("what a person wrote", language) == "what a person wrote"


def test_the_contract_in_english_is_as_it_stands() -> None:
    assert translated("record again", "de") == "neu aufnehmen"
    assert translated("record again", "en") == "record again"


def test_sentences_are_not_left_in_english() -> None:
    """A translation equal to its original is a forgotten one, but for what is the same word in both."""
    words = {key: re.sub(r"\{\w+\}", "", words_en.WORDS[key]) for key in words_en.WORDS}
    same = {key for key, word in words_de.WORDS.items() if word == words_en.WORDS[key]}
    same = {key for key in same if any(letter.isalpha() for letter in words[key])}
    assert same == {"app.title", "unit.hours", "units.imperial"}
    assert {s for s, t in GERMAN.items() if s == t} == set()
    assert [words for words in contract_words() if words.en == words.de] == []


@pytest.mark.parametrize(
    ("unit", "value", "unit_shown", "value_shown"),
    [
        ("g/s", 453.59237, "lb/min", 60.0),
        ("°C", 100.0, "°F", 212.0),
        ("°C", -40.0, "°F", -40.0),
        ("kPa", 101.325, "inHg", 29.92),
        ("km", 1.609344, "mi", 1.0),
        ("m", 0.3048, "ft", 1.0),
        ("s", 3.0, "s", 3.0),
    ],
)
def test_imperial_values_are_those_of_the_standard(
    unit: str, value: float, unit_shown: str, value_shown: float
) -> None:
    """NIST SP 811, appendix B.8; the standard atmosphere of 101.325 kPa is 29.92 inHg."""
    as_shown = shown(unit, "imperial")
    assert as_shown.unit == unit_shown
    assert as_shown.value(value) == pytest.approx(value_shown, rel=2e-4)
    assert as_shown.difference(2.0) == pytest.approx(as_shown.value(value + 2.0) - as_shown.value(value))
    assert shown(unit, "metric").value(value) == value


def test_records_speak_every_language_and_one_sentence_has_one_translation() -> None:
    records = contract_words()
    assert [words for words in records if not all(said.strip() for said in words)] == []
    assert len({words.en for words in records}) == len(records)
    for language in LANGUAGES[1:]:
        assert {words.en for words in records}.isdisjoint(TRANSLATIONS[language])
        for words in records:
            assert translated(words.en, language) == translated(words, language) == getattr(words, language)


def test_every_quantity_has_a_short_name_of_its_own_in_every_language() -> None:
    for language in LANGUAGES:
        assert len({words_for(name, language) for name in QUANTITIES}) == len(QUANTITIES)
    assert words_for("lambda_idle") == "lambda at idle"
    assert words_for("bank2_tip_in_lean_blip", "de") == "magerer Ausschlag beim Öffnen, Bank 2"
