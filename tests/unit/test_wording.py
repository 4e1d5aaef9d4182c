"""Two languages and two systems of units say the same thing."""

import re
import string
from collections.abc import Mapping

import pytest

from dashboards import words_de, words_en
from data_contracts.units import shown
from data_contracts.wording import contract_sentences, translated
from data_contracts.words_de import GERMAN
from models.tracking.state import sentences as health
from pipelines.reports import paper_words_de, paper_words_en

# Judged as a whole: the board draws no chart of it.
_NO_CHART = {"airflow_shape", "lambda_shape"}


def places(sentence: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}


@pytest.mark.parametrize(
    ("english", "german"),
    [(words_en.WORDS, words_de.WORDS), (paper_words_en.WORDS, paper_words_de.WORDS)],
    ids=["board", "paper"],
)
def test_both_languages_have_the_same_sentences_with_the_same_places(
    english: Mapping[str, str], german: Mapping[str, str]
) -> None:
    assert set(german) == set(english)
    assert [key for key in english if places(english[key]) != places(german[key])] == []
    assert [key for key in english if english[key].count("|") != german[key].count("|")] == []
    assert [key for key in german if english[key] and not german[key].strip()] == []


def test_every_sentence_of_the_contract_is_translated_and_no_other() -> None:
    assert set(GERMAN) == set(contract_sentences())
    assert translated("record again", "de") == "neu aufnehmen"
    assert translated("record again", "en") == "record again"
    assert translated("what a person wrote", "de") == "what a person wrote"


def test_sentences_are_not_left_in_english() -> None:
    """A translation equal to its original is a forgotten one, but for what is the same word in both."""
    words = {key: re.sub(r"\{\w+\}", "", words_en.WORDS[key]) for key in words_en.WORDS}
    same = {key for key, word in words_de.WORDS.items() if word == words_en.WORDS[key]}
    same = {key for key in same if any(letter.isalpha() for letter in words[key])}
    assert same == {"app.title", "unit.hours", "units.imperial"}
    assert {s for s, t in GERMAN.items() if s == t} == set()


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


def test_reasons_and_charts_name_a_quantity_alike() -> None:
    titles = {name: words_en.WORDS[f"quantity.{name}"].lower() for name in health.WORDS if name not in _NO_CHART}
    assert {name: health.WORDS[name] for name in titles} == titles
