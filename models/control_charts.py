"""Two-sided control charts: the textbook forms for one series, and the recursion that follows every van at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import NotEnoughDataError

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Chart:
    """A chart with limits, one row per point.

    Attributes
    ----------
    statistic, lower, upper : ndarray of shape (n,)
        [unit of the values]
    signal : ndarray of shape (n,), bool
        Outside; never on a missing point.
    """

    statistic: Array
    lower: Array
    upper: Array
    signal: Flags


@dataclass(frozen=True)
class CusumChart:
    """Tabular two-sided cumulative sums.

    Attributes
    ----------
    high, low : ndarray of shape (n,)
        Sums for a rise and for a fall, both positive. [unit of the values]
    signal : ndarray of shape (n,), bool
        Either is above the decision interval; never on a missing point.
    """

    high: Array
    low: Array
    signal: Flags


def ewma_chart(
    x: Array, *, target: float, sigma: float, smoothing: float = 0.2, width: float = 3.0, exact: bool = True
) -> Chart:
    r"""Chart the exponentially weighted moving average of one quantity of one van.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Values, oldest first. NaN marks a missing visit: the average is carried over it. [any unit]
    target : float
        In-control mean. [unit of x]
    sigma : float
        In-control standard deviation of one point. [unit of x]
    smoothing : float
        Weight of the newest point, in (0, 1]. [unitless]
    width : float
        Half-width of the limits in standard deviations of the average. [unitless]
    exact : bool
        Exact early limits; otherwise the limits after many points, from the first on.

    Returns
    -------
    Chart

    Raises
    ------
    NotEnoughDataError
        If no value is finite.

    References
    ----------
    S. W. Roberts, Technometrics 1(3), 1959, 239-250; NIST/SEMATECH e-Handbook 6.3.2.4 (reference test).
    """
    values = np.asarray(x, dtype=np.float64)
    seen = np.isfinite(values)
    if not seen.any():
        raise NotEnoughDataError("no finite value to chart: give at least one")
    statistic, count, average = np.empty(values.size), np.cumsum(seen), target
    for row, value in enumerate(values):
        if seen[row]:
            average = smoothing * value + (1.0 - smoothing) * average
        statistic[row] = average
    early = 1.0 - (1.0 - smoothing) ** (2.0 * count) if exact else np.ones(values.size)
    half = width * sigma * np.sqrt(smoothing / (2.0 - smoothing) * early)
    return Chart(statistic, target - half, target + half, seen & (np.abs(statistic - target) > half))


def cusum_chart(x: Array, *, target: float, allowance: float, decision: float) -> CusumChart:
    """Tabular two-sided CUSUM.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Values, oldest first; NaN marks a missing visit: the sums are carried over it. [any unit]
    target, allowance, decision : float
        In-control mean, allowance k and decision interval h. [unit of x]

    Returns
    -------
    CusumChart

    References
    ----------
    E. S. Page, Biometrika 41 (1954) 100-115; NIST/SEMATECH e-Handbook 6.3.2.3 (reference test).
    """
    values = np.asarray(x, dtype=np.float64)
    high, low, above, below = np.empty(values.size), np.empty(values.size), 0.0, 0.0
    for row, value in enumerate(values):
        if np.isfinite(value):
            above = max(0.0, above + value - target - allowance)
            below = max(0.0, below - value + target - allowance)
        high[row], low[row] = above, below
    return CusumChart(high, low, np.isfinite(values) & ((high > decision) | (low > decision)))


def individuals_chart(x: Array) -> tuple[Chart, float]:
    """Shewhart chart of individual values with limits from the moving range.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Values, oldest first, all finite. [any unit]

    Returns
    -------
    chart : Chart
    range_limit : float
        Upper limit of the moving range of two. [unit of x]

    Raises
    ------
    NotEnoughDataError
        With fewer than two values.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2; d2 = 2/√π = 1.128 and D4 = 3.267 for ranges of two.
    """
    values = np.asarray(x, dtype=np.float64)
    if values.size < 2:
        raise NotEnoughDataError(f"{values.size} values: a moving range needs at least 2")
    centre, moving = float(values.mean()), float(np.abs(np.diff(values)).mean())
    half = 3.0 * moving * np.sqrt(np.pi) / 2.0
    bound = np.full(values.size, half)
    return Chart(values, centre - bound, centre + bound, np.abs(values - centre) > half), 3.267 * moving


def _stationary_run(transition: Array, start: Array) -> float:
    return float(start @ np.linalg.solve(np.eye(len(transition)) - transition, np.ones(len(transition))))


def ewma_run_length(shift: float, *, smoothing: float, width: float, nodes: int = 151) -> float:
    """Average run length of the two-sided EWMA with the limits of many points, known parameters, normal values.

    Parameters
    ----------
    shift : float
        Of the mean. [standard deviations]
    smoothing, width : float
        Of the chart. [1]
    nodes : int
        Of the quadrature.

    Returns
    -------
    float
        Points until the first signal, starting at the target.

    References
    ----------
    Integral equation of S. V. Crowder, Technometrics 29 (1987) 401-407, by Gauss–Legendre quadrature; J. M. Lucas,
    M. S. Saccucci, Technometrics 32 (1990) 1-12 (reference test).
    """
    from scipy.special import roots_legendre
    from scipy.stats import norm

    points, weights = roots_legendre(nodes)
    limit = width * np.sqrt(smoothing / (2.0 - smoothing))
    z, w = limit * points, limit * weights
    density = norm.pdf((z[None, :] - (1.0 - smoothing) * z[:, None]) / smoothing - shift) / smoothing
    lengths = np.linalg.solve(np.eye(nodes) - density * w, np.ones(nodes))
    return float(1.0 + np.sum(w * norm.pdf(z / smoothing - shift) / smoothing * lengths))


def cusum_run_length(
    shift: float, *, allowance: float, decision: float, two_sided: bool = True, states: int = 400
) -> float:
    """Average run length of the CUSUM, known parameters, normal values.

    Parameters
    ----------
    shift : float
        Of the mean. [standard deviations]
    allowance, decision : float
        Of the chart. [standard deviations]
    two_sided : bool
        Both sides together, or the rise alone.
    states : int
        Of the quadrature.

    Returns
    -------
    float
        Points until the first signal, starting at zero.

    References
    ----------
    Page's integral equation by Gauss–Legendre quadrature; two sides by 1/L = 1/L⁺ + 1/L⁻. J. M. Lucas, R. B. Crosier,
    Technometrics 24 (1982) 199-205 (reference test).
    """
    from scipy.special import roots_legendre
    from scipy.stats import norm

    def one_side(mean: float) -> float:
        points, weights = roots_legendre(min(states, 120))
        s, w = decision * (points + 1.0) / 2.0, decision * weights / 2.0
        start = np.concatenate([[0.0], s])
        inside = norm.pdf(s[None, :] - start[:, None] + allowance - mean) * w
        at_zero = norm.cdf(allowance - mean - start)
        transition = np.column_stack([at_zero, inside])
        return _stationary_run(transition, np.eye(len(start))[0])

    rise = one_side(shift)
    return 1.0 / (1.0 / rise + 1.0 / one_side(-shift)) if two_sided else rise
