"""What a healthy van is expected to read: its own first visits, shrunk to the family, and that to the register's
figure.
"""

from dataclasses import dataclass

import numpy as np

from data_contracts.family import Family
from data_contracts.signals import tracking_of
from models.statistics.arrays import Codes, Floats
from models.statistics.groups import group_medians, numbered, ranked

FIRST_VISITS = 8
"""First visits of each van that the family's level is found from. Common practice, no source (2026-11-25)."""
USUAL_TAIL = 2.0
"""95 % quantile of a visit's noise, Student's t of five degrees of freedom. [standard deviations]"""
FEWEST_FOR_TAIL = 60
"""Fewest pairs of visits for which the tail is estimated."""
USUAL_SPREAD = 1.5
"""Prior spread of vans around their family. Common practice, no source (2026-11-25). [scatters]"""


def least_scatter(quantity: str, reported_u: Floats) -> float:
    """Floor of the visit-to-visit scatter, so that no value counts as more precise than it can be.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    reported_u : ndarray
        Standard uncertainties of its readings. [working scale]

    Returns
    -------
    float
        [working scale]
    """
    known = reported_u[np.isfinite(reported_u)]
    reading = 0.3 * float(np.median(known)) if known.size else 0.0
    return max(reading, tracking_of(quantity).least_change)


def visit_scatter(y: Floats, van: Codes, *, least: float, usual: float) -> float:
    """Visit-to-visit standard deviation of a healthy van, from differences, so that drifting vans do not widen it.

    Parameters
    ----------
    y : ndarray of shape (visits,)
        One quantity of one family, sorted by van and time; NaN left out. [working scale]
    van : ndarray of shape (visits,), int
        Van of each visit.
    least : float
        Floor. [working scale]
    usual : float
        Prior, worth ten pairs of visits; it stands alone while the fleet has too few pairs. [working scale]

    Returns
    -------
    float
        [working scale]

    Notes
    -----
    The larger of the scatter between neighbouring visits and between visits five apart, since healthy vans may wander.
    Each is the largest of three estimates: the median of absolute differences; the root mean square of clipped
    differences over the three quarters of the vans that scatter least, for quantities whose values are often equal; and
    the median over vans of the 95 % quantile, over that of Student's t with five degrees of freedom, for quantities
    with two modes or heavy tails.
    """
    keep = np.isfinite(y)
    values, code = y[keep], van[keep]
    found, pairs = least, 0
    for lag in (1, 5):
        if values.size <= lag:
            break
        same = code[lag:] == code[:-lag]
        difference = np.abs(values[lag:] - values[:-lag])[same] / np.sqrt(2.0)
        if difference.size < 5:
            continue
        pairs = max(pairs, difference.size)
        of = numbered(code[lag:][same])
        vans = int(of[-1]) + 1
        medians, counts = group_medians(difference[:, None], of, vans)
        typical = float(np.median(np.repeat(medians[:, 0], counts[:, 0]) if lag == 1 else medians[:, 0]))
        scale = max(1.4826 * typical, least)
        square = np.bincount(of, np.minimum(difference / scale, 3.5) ** 2) / counts[:, 0]
        quiet = square <= np.quantile(square, 0.75)
        found = max(found, scale, scale * float(np.sqrt(np.average(square[quiet], weights=counts[quiet, 0]))))
        if lag == 1 and difference.size >= FEWEST_FOR_TAIL:
            found = max(found, _middle_tail(difference, of, vans) / USUAL_TAIL)
    return float(max(np.sqrt((pairs * found**2 + 10 * max(usual, least) ** 2) / (pairs + 10)), least))


@dataclass(frozen=True)
class FamilyLevel:
    """Level of one quantity over the vans of a family.

    Attributes
    ----------
    level, u : float
        Centre and its standard uncertainty. [working scale]
    spread : float
        Standard deviation of healthy vans around it. [working scale]
    degrees : float
        Degrees of freedom of the spread. [1]
    vans : int
        Vans it rests on.
    """

    level: float
    u: float
    spread: float
    degrees: float
    vans: int


def specification(family: Family, quantity: str) -> tuple[float, float] | None:
    """The register's figure for a quantity, and how far healthy families stand from such figures.

    Parameters
    ----------
    family : Family
        Register entry.
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    tuple of float or None
        Logarithm of the figure and its standard uncertainty; None where the register has none. [working scale]
    """
    figure = tracking_of(quantity).register
    if figure is None:
        return None
    expected = family.main_peak.expected_g_s if figure.name == "main_peak" else family.expected_time_constant_s
    return None if expected is None else (float(np.log(expected)), figure.spread)


def family_level(
    y: Floats, van: Codes, *, scatter: float, spec: tuple[float, float] | None, usual_spread: float = USUAL_SPREAD
) -> FamilyLevel:
    """Centre and spread of a family's vans, robust to its faulty ones.

    Parameters
    ----------
    y : ndarray of shape (visits,)
        One quantity of one family, sorted by van and time; NaN left out. [working scale]
    van : ndarray of shape (visits,), int
        Van of each visit.
    scatter : float
        Visit-to-visit standard deviation. [working scale]
    spec : tuple of float or None
        Register figure and its standard uncertainty, as `specification` returns them; the third level of the shrinkage.
        [working scale]
    usual_spread : float
        Prior spread of vans, worth three vans. [scatters]

    Returns
    -------
    FamilyLevel
        Median and Huber scale over the vans' first visits, shrunk to the specification and the prior spread.
    """
    keep = np.isfinite(y)
    values, code = y[keep], van[keep]
    prior2 = (usual_spread * scatter) ** 2
    if not values.size:
        level, u = spec if spec is not None else (np.nan, np.nan)
        return FamilyLevel(level, u, float(np.sqrt(prior2)), 3.0, 0)
    first = np.concatenate([[True], code[1:] != code[:-1]])
    since = np.arange(values.size) - np.maximum.accumulate(np.where(first, np.arange(values.size), 0))
    early = since < FIRST_VISITS
    of = numbered(code[early])
    n = int(of[-1]) + 1
    means, counts = group_medians(values[early][:, None], of, n)
    centre = float(np.median(means[:, 0]))
    noise2 = scatter**2 * float(np.mean(1.57 / counts[:, 0]))
    if n >= 3:
        robust2 = _huber_scale(means[:, 0] - centre) ** 2 * n / (n - 1.0) - noise2
        spread2 = (n * max(robust2, 0.0) + 3.0 * prior2) / (n + 3.0)
    else:
        spread2 = prior2
    u2 = 1.57 * (spread2 + noise2) / n
    if spec is not None:
        weight = u2 / (u2 + spec[1] ** 2)
        centre, u2 = centre + weight * (spec[0] - centre), u2 * (1.0 - weight)
    return FamilyLevel(centre, float(np.sqrt(u2)), float(np.sqrt(spread2)), 3.0 + 0.6 * n, n)


def _huber_scale(deviation: Floats) -> float:
    """Huber's second proposal with deviations clipped at 1.5, started from the median absolute deviation.

    References
    ----------
    P. J. Huber, Ann. Math. Stat. 35 (1964) 73-101, DOI 10.1214/aoms/1177703732 from memory; 0.7785 is the mean of
    min(z², 1.5²) of a normal z.
    """
    scale = 1.4826 * float(np.median(np.abs(deviation)))
    if scale <= 0:
        return float(np.sqrt(np.mean(deviation**2)))
    for _ in range(20):
        scale = float(np.sqrt(np.mean(np.minimum(deviation**2, (1.5 * scale) ** 2)) / 0.7785))
    return scale


def _middle_tail(difference: Floats, of: Codes, vans: int) -> float:
    """Median, over vans with at least five differences, of the 95 % quantile of each; 0 without any such van."""
    ordered, first, counts = ranked(difference, of, vans)
    place = first + np.floor(0.95 * (counts - 1)).astype(np.int64)
    enough = counts >= 5
    return float(np.median(ordered[place[enough]])) if enough.any() else 0.0
