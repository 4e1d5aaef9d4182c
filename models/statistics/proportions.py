"""A share of cases with its confidence interval."""


def share_interval(count: int, of: int, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Share of cases that held, with its two-sided interval by the score method.

    Parameters
    ----------
    count : int
        Cases that held.
    of : int
        All cases, at least one.
    confidence : float
        Of the interval. [unitless]

    Returns
    -------
    tuple of float
        Share, lower and upper end. [unitless]

    References
    ----------
    E. B. Wilson, Journal of the American Statistical Association 22, 1927, 209-212, doi:10.1080/01621459.1927.10502953.
    """
    from scipy.stats import binomtest  # it takes half a second to import, and a week with nothing new needs none

    found = binomtest(count, of).proportion_ci(confidence, method="wilson")
    return count / of, float(found.low), float(found.high)
