"""How likely something is in words: a fixed scale, so that the same word means the same everywhere."""

from data_contracts.bilingual import Words
from data_contracts.facts.numerals import share

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
    """The word for a probability, as it stands in whole per cent beside it.

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
    """The word, and the figure behind it.

    Parameters
    ----------
    probability : float
        In [0, 1]. [1]
    language : str
        One of `data_contracts.bilingual.LANGUAGES`.

    Returns
    -------
    str
        Such as "very likely (94 %)".
    """
    return f"{likelihood(probability).in_language(language)} ({share(probability)})"
