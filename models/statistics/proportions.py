"""A share with its interval."""

import math


def share_interval(count: int, of: int, *, z: float = 1.959963984540054) -> tuple[float, float, float]:
    """Share of cases that held, with its two-sided interval by the score method.

    Parameters
    ----------
    count : int
        Cases that held.
    of : int
        All cases, at least one.
    z : float
        Standard normal quantile of the interval; the default is 95 %.

    Returns
    -------
    tuple of float
        Share, lower and upper end. [1]

    References
    ----------
    E. B. Wilson, Journal of the American Statistical Association 22, 1927, 209-212.
    """
    share = count / of
    centre = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return share, max(0.0, centre - half), min(1.0, centre + half)
