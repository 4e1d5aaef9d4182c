"""Means shrunk towards what was known before: of shares, and of figures."""

from collections.abc import Sequence

import numpy as np

from models.statistics.arrays import Floats


def dirichlet_mean(prior: Floats, weight: float, counts: Floats) -> Floats:
    """Posterior mean of shares after counts, from a Dirichlet prior.

    Parameters
    ----------
    prior : ndarray of shape (codes,)
        Prior mean; sums to one. [1]
    weight : float
        Number of observations the prior is worth. [1]
    counts : ndarray of shape (codes,)
        Observed counts. [1]

    Returns
    -------
    ndarray of shape (codes,)
        [1]
    """
    return np.asarray((weight * prior + counts) / (weight + counts.sum()))


def shrunken_mean(default: float, weight: float, values: Sequence[float]) -> float:
    """Mean of values, shrunk towards a default.

    Parameters
    ----------
    default : float
        The default. [any unit]
    weight : float
        Number of observations the default is worth. [1]
    values : sequence of float
        Observed values. [unit of the default]

    Returns
    -------
    float
        [unit of the default]
    """
    return (weight * default + float(np.sum(values))) / (weight + len(values))
