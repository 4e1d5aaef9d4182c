"""The next test: expected information about the cause per minute of work."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from data_contracts.jobs import TESTS, WorkshopTest
from models.statistics.arrays import Floats

# Least information of a test worth naming: one hundredth of a coin toss. [nat]
_LEAST_INFORMATION = 0.007


@dataclass(frozen=True)
class NextTest:
    """The test worth most per minute for one van.

    Attributes
    ----------
    name : str
        Key of data_contracts/jobs.py.
    minutes : float
        Minutes of work. [min]
    information : float
        Expected reduction of the entropy of the cause. [nat]
    """

    name: str
    minutes: float
    information: float


def _entropy(p: Floats) -> Floats:
    return np.asarray(-np.sum(np.where(p > 0, p * np.log(np.where(p > 0, p, 1.0)), 0.0), axis=-1))


def expected_information(probability: Floats, codes: Sequence[str], test: WorkshopTest) -> Floats:
    """Mutual information between the cause and the outcome of a test.

    Parameters
    ----------
    probability : ndarray of shape (vans, codes)
        Rows sum to one.
    codes : sequence of str
        Columns.
    test : WorkshopTest

    Returns
    -------
    ndarray of shape (vans,)
        [nat]

    References
    ----------
    D. V. Lindley, Annals of Mathematical Statistics 27(4), 1956, 986-1005, DOI 10.1214/aoms/1177728069 from memory.
    """
    found = np.array([test.finds.get(code, test.otherwise) for code in codes])
    marginal = probability @ found
    outcome = _entropy(np.column_stack([marginal, 1.0 - marginal]))
    given = probability @ _entropy(np.column_stack([found, 1.0 - found]))
    return np.asarray(np.maximum(outcome - given, 0.0))


def next_tests(
    probability: Floats, codes: Sequence[str], tests: Mapping[str, WorkshopTest] = TESTS
) -> tuple[NextTest | None, ...]:
    """For each van the test with most expected information per minute.

    Parameters
    ----------
    probability : ndarray of shape (vans, codes)
        Rows sum to one.
    codes : sequence of str
        Columns.
    tests : mapping of str to WorkshopTest

    Returns
    -------
    tuple of NextTest or None
        None where no test gives enough information.
    """
    listed = tuple(tests.values())
    information = np.column_stack([expected_information(probability, codes, test) for test in listed])
    per_minute = information / np.array([test.minutes for test in listed])
    best = np.argmax(np.where(information >= _LEAST_INFORMATION, per_minute, -1.0), axis=1)
    return tuple(
        NextTest(listed[b].name, listed[b].minutes, float(information[van, b]))
        if information[van, b] >= _LEAST_INFORMATION
        else None
        for van, b in enumerate(best)
    )
