"""How long things last, from those that ended and those that still run: Kaplan-Meier and Weibull, each with its median."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammaincinv, ndtri

from models.statistics.arrays import Flags, Floats

LEAST_AT_RISK = 5
"""Things under observation from which the survival curve starts: while fewer have come in, one end halves it. Common
practice, no source (2026-11-29)."""
_SHAPES = (math.log(0.05), math.log(50.0))
"""Shapes that a fit may take, as logarithms; life data of machines lie far inside. From memory."""
_LOG_LOG_2 = math.log(math.log(2.0))


@dataclass(frozen=True)
class Lives:
    """Lives observed: each from an age on, to its end or to the last time it was seen to go on.

    Attributes
    ----------
    entry : ndarray of shape (n,)
        Age from which an end would have been seen; 0 where it was observed from its start. [any unit of life]
    exit : ndarray of shape (n,)
        Age at its end, or when last seen; above `entry`. [unit of entry]
    ended : ndarray of shape (n,), bool
    """

    entry: Floats
    exit: Floats
    ended: Flags


@dataclass(frozen=True)
class Survival:
    """Share that lasts beyond each age at which something ended, with the variance of its logarithm.

    Attributes
    ----------
    age, share, variance : ndarray of shape (ages,)
        [unit of the lives, 1, 1]
    start : float
        Age of the last end left out, while too few were under observation: the curve is that of those that outlast it. 0
        where it counts every end. [unit of the lives]
    """

    age: Floats
    share: Floats
    variance: Floats
    start: float = 0.0


@dataclass(frozen=True)
class Span:
    """A figure with its interval; NaN where it is not known, an infinite end where it is open.

    Attributes
    ----------
    value, low, high : float
        [any unit]
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class WeibullLife:
    """A Weibull distribution of lives.

    Attributes
    ----------
    shape : Span
        Above 1: the older, the likelier to end; below 1: the younger. [1]
    scale : float
        Age that 37 % reach. [unit of the lives]
    median : Span
        Age that half reach. [unit of the lives]
    log_likelihood : float
    """

    shape: Span
    scale: float
    median: Span
    log_likelihood: float


def kaplan_meier(lives: Lives) -> Survival:
    """The product-limit estimate, with lives that came under observation late.

    Parameters
    ----------
    lives : Lives

    Returns
    -------
    Survival
        Of those that outlast the age up to which fewer than `LEAST_AT_RISK` (or than all, where there are fewer) are
        observed; without any age where that never ends.

    References
    ----------
    E. L. Kaplan, P. Meier, Journal of the American Statistical Association 53, 1958, 457-481,
    doi:10.1080/01621459.1958.10501452; late entry: J. P. Klein, M. L. Moeschberger, Survival Analysis, 2nd ed., Springer
    2003, section 4.6; variance by M. Greenwood's formula, ibid. section 4.2.
    """
    age = np.unique(lives.exit[lives.ended])
    at_risk = _below(lives.entry, age) - _below(lives.exit, age)
    ends = np.array([np.sum(lives.ended & (lives.exit == one)) for one in age], dtype=np.float64)
    enough = at_risk >= min(LEAST_AT_RISK, len(lives.exit))
    start = int(np.argmax(enough)) if enough.any() else len(age)
    left_out = float(age[start - 1]) if start else 0.0
    age, at_risk, ends = age[start:], at_risk[start:].astype(np.float64), ends[start:]
    with np.errstate(divide="ignore"):
        variance = np.cumsum(ends / (at_risk * (at_risk - ends)))
    return Survival(age, np.asarray(np.cumprod(1.0 - ends / at_risk), np.float64), variance, left_out)


def _below(values: Floats, ages: Floats) -> Floats:
    """How many of some values lie below each age."""
    return np.searchsorted(np.sort(values), ages, side="left").astype(np.float64)


def median_of(survival: Survival, *, confidence: float = 0.95) -> Span:
    """The age that half reach, with the ages at which a half is still within the interval of the curve.

    Parameters
    ----------
    survival : Survival
    confidence : float
        Of the interval. [1]

    Returns
    -------
    Span
        Infinite where the curve, or the end of its interval, stays above one half.

    References
    ----------
    R. Brookmeyer, J. Crowley, Biometrics 38, 1982, 29-41, doi:10.2307/2530286, with the interval of log(-log) as in
    Klein and Moeschberger 2003, section 4.5.
    """
    share = np.clip(survival.share, 0.0, 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = ndtri(0.5 + confidence / 2) * np.sqrt(survival.variance) / np.abs(np.log(share))
        lowest, highest = share ** np.exp(spread), share ** np.exp(-spread)
    gone = share <= 0.0  # the curve has ended: below nothing, and no tighter above than just before
    lowest[gone] = 0.0
    highest[gone] = np.concatenate([[1.0], highest])[:-1][gone] if gone.any() else highest[gone]

    def first(curve: Floats) -> float:
        below = curve <= 0.5 + 1e-12
        return float(survival.age[int(np.argmax(below))]) if below.any() else math.inf

    return Span(first(share), first(lowest), first(highest))


def weibull_life(lives: Lives, *, confidence: float = 0.95) -> WeibullLife:
    """The likeliest Weibull distribution, with profile-likelihood intervals of its median and its shape.

    Parameters
    ----------
    lives : Lives
        At least two that ended, at different ages.
    confidence : float
        Of the intervals. [1]

    Returns
    -------
    WeibullLife

    Notes
    -----
    A life that ended counts with its density, one that goes on with its survival, each given that it had reached the age
    from which it was observed. The median stands for the scale, so that its interval is read off the likelihood itself.

    References
    ----------
    W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data, Wiley 1998, sections 8.3 (intervals) and 11.6
    (late entry).
    """
    unit = float(np.median(lives.exit))
    entry, exit_, ends = lives.entry / unit, lives.exit / unit, float(np.sum(lives.ended))
    logs = float(np.sum(np.log(exit_[lives.ended])))

    def loss(log_shape: float, log_median: float | None = None) -> float:
        """Minus the log likelihood; at the likeliest median where none is given."""
        shape = math.exp(log_shape)
        hazard = float(np.sum(exit_**shape) - np.sum(entry**shape))  # cumulative, for a scale of one
        log_scale = shape * log_median - _LOG_LOG_2 if log_median is not None else math.log(hazard / ends)
        return -(ends * (log_shape - log_scale) + (shape - 1.0) * logs - hazard * math.exp(-log_scale))

    def profile(log_median: float) -> float:
        return float(minimize_scalar(lambda s: loss(s, log_median), bounds=_SHAPES, method="bounded").fun)

    with np.errstate(over="ignore", invalid="ignore"):
        found = minimize_scalar(loss, bounds=_SHAPES, method="bounded", options={"xatol": 1e-9})
        log_shape, least = float(found.x), float(found.fun)
        shape, limit = math.exp(log_shape), least + float(gammaincinv(0.5, confidence))
        scale = (float(np.sum(exit_**shape) - np.sum(entry**shape)) / ends) ** (1.0 / shape)
        log_median = math.log(scale) + _LOG_LOG_2 / shape
        low, high = (_crossing(lambda at: profile(at) - limit, log_median, side) for side in (-1.0, 1.0))
        flat, steep = (_crossing(lambda at: loss(at) - limit, log_shape, side) for side in (-1.0, 1.0))
    return WeibullLife(
        Span(shape, math.exp(flat), math.exp(steep)),
        unit * scale,
        Span(unit * math.exp(log_median), unit * math.exp(low), unit * math.exp(high)),
        -least - ends * math.log(unit),
    )


def _crossing(loss: Callable[[float], float], start: float, side: float) -> float:
    """Where a loss that is negative at the start reaches zero on one side; infinite where it does not within exp(6)."""
    for step in (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.0):
        if loss(start + side * step) > 0:
            return float(brentq(loss, start, start + side * step, xtol=1e-5))
    return side * math.inf
