"""Thousands are parted in one way everywhere: by a comma in English, by a point in German, as the sentences have them."""

import re

import pytest

from data_contracts import limits
from data_contracts.facts.numerals import in_language, parted
from data_contracts.signals import QUANTITIES
from tests.unit.test_counts import catalogue

OTHERWISE = {"en": r"\d[ \u00a0\u202f]\d{3}(?!\d)", "de": r"\d[ ,\u00a0\u202f]\d{3}(?!\d)"}
"""Digits parted by a space, or in German by a comma: neither is a decimal of a sentence of ours."""


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_sentence_parts_thousands_in_another_way(language: str) -> None:
    found = [sentence for _, sentence in catalogue(language) if re.search(OTHERWISE[language], sentence)]
    assert found == []


def test_numbers_are_parted_as_the_sentences_have_them() -> None:
    assert [in_language(parted(number, places), "en") for number, places in ((2500, 0), (-1234.5, 1), (999.96, 1))] == [
        "2,500",
        "-1,234.5",
        "1,000.0",
    ]
    assert [in_language(parted(number, places), "de") for number, places in ((2500, 0), (1234.5, 1), (-0.0, 0))] == [
        "2.500",
        "1.234,5",
        "0",
    ]
    sentences = {language: [sentence for _, sentence in catalogue(language)] for language in ("en", "de")}
    assert any("2,500 rpm" in sentence for sentence in sentences["en"])
    assert any("2.500 1/min" in sentence for sentence in sentences["de"])


def test_what_the_set_up_card_asks_for_serves_every_quantity() -> None:
    """The page of a quantity says so beside the fewer samples that it needs itself."""
    assert max(quantity.need.rate_hz or 0.0 for quantity in QUANTITIES.values()) <= limits.RECORDING_RATE_HZ
