"""Means held towards what was known before: of shares, and of figures."""

from collections.abc import Sequence

import numpy as np

from models.statistics.arrays import Floats


def dirichlet_mean(prior: Floats, weight: float, counts: Floats) -> Floats:
    """Posterior mean of shares after counts, from a Dirichlet prior.

    Parameters
    ----------
    prior : ndarray of shape (codes,)
        Prior mean; sums to one.
    weight : float
        Observations the prior is worth.
    counts : ndarray of shape (codes,)

    Returns
    -------
    ndarray of shape (codes,)
    """
    return np.asarray((weight * prior + counts) / (weight + counts.sum()))


def shrunken_mean(default: float, weight: float, values: Sequence[float]) -> float:
    """Mean of values shrunk to a default worth some observations.

    Parameters
    ----------
    default : float
        [any unit]
    weight : float
        Observations the default is worth.
    values : sequence of float
        [same unit]

    Returns
    -------
    float
    """
    return (weight * default + float(np.sum(values))) / (weight + len(values))
