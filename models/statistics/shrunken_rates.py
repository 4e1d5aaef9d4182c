"""Rates of several groups compared fairly: small numbers are shrunk towards the whole, as far as the groups are alike."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammainc, gammaincc, gammaln

from models.statistics.arrays import Floats

BEYOND_CHANCE = 0.95
"""Probability of an interval, and from which a group differs from the whole (half of what is left on each side). Common
practice, no source (2026-11-29). [1]"""
_SHARES = np.linspace(0.02, 0.98, 17)
_MEANS = np.linspace(-1.0, 1.0, 25)
_ALIKE = 1e6
"""Strength of a prior, in exposures of a group, beyond which groups count as alike. [1]"""
_LEAST_WEIGHT = 1e-6


@dataclass(frozen=True)
class ShrunkenRates:
    """Rates of groups, each with what the others say of it.

    Attributes
    ----------
    mean : float
        Of the groups together, as the likeliest spread between them weighs them. [1 / unit of exposure]
    strength : float
        Exposure that what the others say is worth; infinite where the groups differ no more than chance has it.
        [unit of exposure]
    rate, low, high : ndarray of shape (groups,)
        [1 / unit of exposure]
    above : ndarray of shape (groups,)
        Probability that the group's rate is above that of all groups together, their counts over their exposures. [1]
    """

    mean: float
    strength: float
    rate: Floats
    low: Floats
    high: Floats
    above: Floats

    @property
    def differs(self) -> list[str | None]:
        """Of each group: above or below all groups together beyond chance, or None."""
        most = 0.5 + BEYOND_CHANCE / 2
        return ["above" if p >= most else "below" if p <= 1.0 - most else None for p in self.above]


def shrunken_rates(counts: Floats, exposures: Floats) -> ShrunkenRates:
    """Rates from counts of groups with their exposures, by empirical Bayes.

    Parameters
    ----------
    counts : ndarray of shape (groups,)
        Events of each group, at least one in all. [1]
    exposures : ndarray of shape (groups,)
        Above 0. [any unit]

    Returns
    -------
    ShrunkenRates

    Notes
    -----
    Counts are Poisson, rates of the groups gamma; mean and strength of the gamma maximise the marginal likelihood
    (negative binomial). Rates are posterior means under it. With few groups that maximum is often "all alike", and an
    interval that took it for certain would be far too short: intervals and `above` average the posterior over mean and
    strength, weighted by the marginal likelihood, with a flat prior of the logarithm of the mean and of the shrinkage of
    a group of middling exposure.

    References
    ----------
    H. Robbins, Proceedings of the Third Berkeley Symposium 1, 1956, 157-163; B. Efron, T. Hastie, Computer Age
    Statistical Inference, Cambridge 2016, section 6.1 (gamma prior by maximum likelihood); C. L. Christiansen,
    C. N. Morris, Journal of the American Statistical Association 92, 1997, 618-632, doi:10.1080/01621459.1997.10474013
    (flat prior of the shrinkage).
    """
    counts, exposures = np.asarray(counts, np.float64), np.asarray(exposures, np.float64)
    middling = float(np.median(exposures))
    overall = float(counts.sum() / exposures.sum())
    at = np.log(overall) + _MEANS * max(2.0, 5.0 / np.sqrt(counts.sum()))
    log_mean, share = (axis.ravel() for axis in np.meshgrid(at, _SHARES))
    strength = middling * share / (1.0 - share)
    fit = _marginal(counts, exposures, log_mean, strength)
    mean, worth = _likeliest(counts, exposures, (log_mean[np.argmax(fit)], strength[np.argmax(fit)]), middling)
    alike = worth > _ALIKE * middling
    rate = np.full(len(counts), overall) if alike else (mean * worth + counts) / (worth + exposures)
    weight = np.exp(fit - fit.max())
    kept = weight > _LEAST_WEIGHT
    means, worths, weight = np.exp(log_mean[kept]), strength[kept], weight[kept] / weight[kept].sum()
    shapes = (means * worths)[:, None] + counts
    rates = worths[:, None] + exposures
    above = weight @ gammaincc(shapes, overall * rates)
    low, high = (_quantile(weight, shapes, rates, p) for p in (0.5 - BEYOND_CHANCE / 2, 0.5 + BEYOND_CHANCE / 2))
    return ShrunkenRates(overall if alike else mean, np.inf if alike else worth, rate, low, high, above)


def _marginal(counts: Floats, exposures: Floats, log_mean: Floats, strength: Floats) -> Floats:
    """Log marginal likelihood of some means and strengths, without what depends on the data alone."""
    shape = (np.exp(log_mean) * strength)[:, None]
    total = strength[:, None] + exposures
    of_group = gammaln(shape + counts) - gammaln(shape) + shape * np.log(strength[:, None] / total)
    return np.asarray((of_group - counts * np.log(total)).sum(axis=1))


def _likeliest(counts: Floats, exposures: Floats, start: tuple[float, float], middling: float) -> tuple[float, float]:
    """Mean and strength of the greatest marginal likelihood."""

    def loss(at: Floats) -> float:
        strength = np.array([middling * np.exp(np.clip(at[1], -12.0, 15.0))])
        return -float(_marginal(counts, exposures, at[:1], strength)[0])

    found = minimize(loss, (start[0], np.log(start[1] / middling)), method="Nelder-Mead", options={"maxiter": 2000})
    return float(np.exp(found.x[0])), float(middling * np.exp(np.clip(found.x[1], -12.0, 15.0)))


def _quantile(weight: Floats, shapes: Floats, rates: Floats, p: float) -> Floats:
    """Rate of each group below which the averaged posterior has a probability, by halving."""
    low = np.zeros(shapes.shape[1])
    high = np.max((shapes + 12.0 * np.sqrt(shapes) + 40.0) / rates, axis=0)
    for _ in range(40):
        middle = (low + high) / 2
        under = weight @ gammainc(shapes, middle * rates) < p
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.asarray((low + high) / 2)
