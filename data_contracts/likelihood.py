"""How likely something is in words: a fixed scale, so that the same word means the same everywhere; and which causes are told."""

from collections.abc import Mapping, Sequence

from data_contracts.bilingual import Words

LIKELIHOODS: tuple[tuple[float, Words], ...] = (
    (0.90, Words("very likely", "sehr wahrscheinlich")),
    (0.66, Words("likely", "wahrscheinlich")),
    (0.10, Words("possible", "möglich")),
    (0.0, Words("unlikely", "unwahrscheinlich")),
)
"""Least probability of each word, from the highest down. [1]

The upper two are those of the likelihood scale of the IPCC (M. D. Mastrandrea et al., Guidance Note for Lead Authors of the IPCC Fifth
Assessment Report on Consistent Treatment of Uncertainties, 2010, table 1, from memory). Below them it says "about as likely as not" and
"unlikely" from 33 %; here all from 10 % is possible, since a cause that leads the others or may endanger people with three in ten is not to
be read as cleared.
"""


def likelihood(probability: float) -> Words:
    """The word for a probability in whole per cent.

    Parameters
    ----------
    probability : float
        In [0, 1]. [1]

    Returns
    -------
    Words
    """
    return next(words for least, words in LIKELIHOODS if round(probability, 2) >= least)


def likely(probability: float, language: str) -> str:
    """The same in a language. The figure behind it stands only where what it rests on is said beside it.

    Parameters
    ----------
    probability : float
        In [0, 1]. [1]
    language : str
        One of `data_contracts.bilingual.LANGUAGES`.

    Returns
    -------
    str
        Such as "very likely".
    """
    return likelihood(probability).in_language(language)


def ranked(causes: Sequence[Mapping[str, object]], count: int = 3, floor: float = 0.02) -> list[tuple[str, float]]:
    """The likeliest of some causes, as board and papers tell them.

    Parameters
    ----------
    causes : sequence of mapping
        With code and probability. [1]
    count : int
        Most of them.
    floor : float
        Least probability of one that is told. [1]

    Returns
    -------
    list of (str, float)
        Code and probability, the most probable first. [1]
    """
    found = sorted(((str(c["code"]), float(str(c["probability"]))) for c in causes), key=lambda c: -c[1])
    return [cause for cause in found[:count] if cause[1] >= floor]
