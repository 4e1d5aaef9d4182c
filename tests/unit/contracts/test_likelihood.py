"""Words of likelihood against the published scale that the upper two are taken from."""

import pytest

from data_contracts.bilingual import LANGUAGES
from data_contracts.likelihood import LIKELIHOODS, likelihood, likely, ranked

# M. D. Mastrandrea et al., Guidance Note for Lead Authors of the IPCC Fifth Assessment Report, 2010, table 1 (from memory): very
# likely 90-100 %, likely 66-100 %, about as likely as not 33-66 %, unlikely 0-33 %, very unlikely 0-10 %.
IPCC = {"very likely": 0.90, "likely": 0.66}
OURS = {
    "possible": 0.10,
    "unlikely": 0.0,
}  # a judgement: three in ten for what endangers people is not to be read as cleared


def test_what_is_likely_begins_where_the_published_scale_has_it() -> None:
    assert {words.en: least for least, words in LIKELIHOODS} == IPCC | OURS
    assert [least for least, _ in LIKELIHOODS] == sorted((IPCC | OURS).values(), reverse=True)
    for language in LANGUAGES:
        assert len({words.in_language(language) for _, words in LIKELIHOODS}) == len(LIKELIHOODS)


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.0, "unlikely"),
        (0.094, "unlikely"),
        (0.0999, "possible"),
        (0.28, "possible"),
        (0.425, "possible"),
        (0.66, "likely"),
        (0.896, "very likely"),
        (0.9, "very likely"),
        (1.0, "very likely"),
    ],
)
def test_a_word_stands_alone_and_nothing_is_certain(probability: float, said: str) -> None:
    assert likely(probability, "en") == said
    assert likelihood(probability).in_language("en") == said


def test_the_likeliest_causes_are_told_and_none_that_is_next_to_nothing() -> None:
    given = [{"code": "a", "probability": 0.01}, {"code": "b", "probability": 0.09}, {"code": "c", "probability": 0.9}]
    assert ranked(given) == [("c", 0.9), ("b", 0.09)]
    assert ranked(given, count=1) == [("c", 0.9)]
    assert ranked(given, floor=0.0) == [("c", 0.9), ("b", 0.09), ("a", 0.01)]
