"""Order statistics of small windows without sorting them. Every function reorders the values it is given."""

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel

# The upper quartile of the standard normal distribution.
NORMAL_QUARTILE = 0.6745


@kernel
def ranked(values: NDArray[np.floating], rank: int) -> float:
    """The value at `rank` in sorted order, counted from 0.

    Parameters
    ----------
    values : ndarray of shape (n,)
        At least one, no NaN; reordered in place. [any unit]
    rank : int
        Rank wanted.

    Returns
    -------
    float
        [unit of values]

    References
    ----------
    C. A. R. Hoare, Commun. ACM 4, 1961, 321-322 (Algorithm 65), with partitioning that does not branch.
    """
    first, stop = 0, values.size
    while stop - first > 1:
        a, b, c = values[first], values[(first + stop) // 2], values[stop - 1]
        pivot = max(min(a, b), min(max(a, b), c))
        split = first
        for i in range(first, stop):
            value = values[i]
            values[i] = values[split]
            values[split] = value
            split += value < pivot
        if rank < split:
            stop = split
        elif split > first:
            first = split
        else:  # nothing is below the pivot: move the values equal to it to the front
            for i in range(first, stop):
                value = values[i]
                values[i] = values[split]
                values[split] = value
                split += value <= pivot
            if rank < split:
                return float(pivot)
            first = split
    return float(values[first])


@kernel
def median(values: NDArray[np.floating]) -> float:
    """The middle value, or the mean of the middle two.

    Parameters
    ----------
    values : ndarray of shape (n,)
        At least one, no NaN; reordered in place. [any unit]

    Returns
    -------
    float
        [unit of values]
    """
    half = values.size // 2
    upper = ranked(values, half)
    if values.size % 2 == 1:
        return upper
    lower = values[0]
    for i in range(1, half):
        lower = max(lower, values[i])
    return 0.5 * (float(lower) + upper)


@kernel
def normal_scatter(values: NDArray[np.floating]) -> float:
    """Standard deviation from the median absolute deviation, for normal values.

    Parameters
    ----------
    values : ndarray of shape (n,)
        At least one, no NaN; replaced by their absolute deviations, in another order. [any unit]

    Returns
    -------
    float
        [unit of values]
    """
    middle = median(values)
    for i in range(values.size):
        values[i] = abs(values[i] - middle)
    return median(values) / NORMAL_QUARTILE
