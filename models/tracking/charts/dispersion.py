"""Excess dispersion: how much more than their stated scatter healthy vans move, and the factors on limits that allow
for it.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import ranked
from models.statistics.student import quantile_ratio
from models.tracking.charts.chart_limits import tail_factor
from models.tracking.charts.recursion import Followed
from models.tracking.shared_shifts import FEWEST_TOGETHER
from models.tracking.standardise import Standardised

UPPER_VAN, UPPER_SIZE = 2.0 / 3.0, 0.92
"""Rank of the van whose averages represent its family, and their root mean square in control: simulated with the
recursion of models/tracking/charts/recursion.py over 20 visits (tests/unit/models/tracking/charts/test_alarms.py).
[1]"""
NARROWEST, WIDEST = 0.8, 3.0
"""Smallest and largest factor on limits. Common practice, no source (2026-11-25). [1]"""
PRIOR_DEGREES, DEGREES_PER_PAIR = 10.0, 0.5
"""Degrees of freedom of a family's scatter: those of its prior, and those of each pair of neighbouring visits, of which
a robust scale uses half."""
FEWEST_VISITS = 4
"""Fewest visits of a van that counts towards the dispersion."""
UPPER = 0.75
"""Quantile of the second differences from which a van's scatter is estimated. A second mode shows once it holds one
reading in seven; a few outliers or a step do not. [1]"""
UPPER_DIFFERENCE = float(np.sqrt(6.0) * -ndtri((1.0 - UPPER) / 2.0))
"""That quantile of the absolute second differences of normal values of variance 1."""
DIFFERENCE_DEGREES = 0.4
"""Degrees of freedom of a variance estimated so, per second difference: by simulation, 20 and 40 visits
(tests/unit/models/tracking/charts/test_alarms.py)."""


class VanScatter(NamedTuple):
    """How much each van moved; arrays of shape (vans, quantities).

    Attributes
    ----------
    size : ndarray
        Mean square of the averages over their usual width, each clipped at 3. [1]
    visits : ndarray of int
        Visits that read the quantity.
    own, differences : ndarray, ndarray of int
        As `own_scatter` returns.
    """

    size: Floats
    visits: Codes
    own: Floats
    differences: Codes


class Dispersion(NamedTuple):
    """What limits allow for.

    Attributes
    ----------
    of_averages : ndarray of shape (vans, quantities)
        Factor on the limits of averages: that of the family and the depot, or of the van itself where it scatters more
        from visit to visit (shorter recordings, a noisier installation), shrunk to the shared factor with
        `PRIOR_DEGREES`. [1]
    of_visits : ndarray of shape (vans, quantities)
        Factor on single visits, at least 1: the van's own scatter, shrunk to the stated one. The shared factor has no
        part in it, because what a fleet's averages share is slow and hides no sudden fault. [1]
    pairs : ndarray of shape (families, quantities), int
        Pairs of neighbouring visits that each family's scatter rests on.
    """

    of_averages: Floats
    of_visits: Floats
    pairs: Codes

    def of_vans(self, vans: slice) -> "Dispersion":
        """The same of some vans."""
        return Dispersion(self.of_averages[vans], self.of_visits[vans], self.pairs)


def van_scatter(std: Standardised, followed: Followed) -> VanScatter:
    """How much each van moved.

    Parameters
    ----------
    std : Standardised
        Visits of any vans.
    followed : Followed
        Their charts.

    Returns
    -------
    VanScatter
    """
    first, spread = std.starts[:-1], followed.ewma_spread
    with np.errstate(invalid="ignore"):
        square = np.minimum((followed.ewma / (tail_factor(spread) * spread)) ** 2, 9.0)
    read = np.isfinite(square)
    visits = np.add.reduceat(read.astype(np.int64), first)
    size = np.add.reduceat(np.where(read, square, 0.0), first) / np.maximum(visits, 1)
    own, differences = (
        np.column_stack(part)
        for part in zip(*(own_scatter(z, std.starts) for z in np.ascontiguousarray(followed.z.T)), strict=True)
    )
    return VanScatter(size, visits, own, differences)


def dispersion_of(std: Standardised, scatter: Iterable[VanScatter]) -> Dispersion:
    """Factors on limits for the excess dispersion of healthy vans.

    Parameters
    ----------
    std : Standardised
        Visits.
    scatter : iterable of VanScatter
        Of all vans, some at a time, in order.

    Returns
    -------
    Dispersion
    """
    whole = VanScatter(*(np.concatenate(part) for part in zip(*scatter, strict=True)))
    averages, visits = shared_dispersion_factors(std, whole), np.ones(whole.own.shape)
    weight = DIFFERENCE_DEGREES * whole.differences
    for factor in (averages, visits):
        held = (weight * whole.own + PRIOR_DEGREES * factor) / (weight + PRIOR_DEGREES)
        np.maximum(factor, held, out=factor)
    of = np.array([std.family == f for f in range(len(std.families))])
    vans = [np.unique(std.van[inside]).size for inside in of]
    pairs = np.array([np.isfinite(std.x[inside]).sum(axis=0) for inside in of]) - np.array(vans)[:, None]
    return Dispersion(np.clip(np.sqrt(averages), NARROWEST, WIDEST), np.minimum(np.sqrt(visits), WIDEST), pairs)


def shared_dispersion_factors(std: Standardised, scatter: VanScatter) -> Floats:
    """Excess dispersion of the averages of a family's or a depot's vans.

    Parameters
    ----------
    std : Standardised
        Visits.
    scatter : VanScatter
        Of all vans.

    Returns
    -------
    ndarray of shape (vans, quantities)
        Factor on the variance. Recorders, seasons and whatever else the model does not know widen the limits; a scatter
        stated too wide narrows them. What moves most vans of a depot, of whatever family, widens the limits of that
        depot. [1]

    Notes
    -----
    Each van has one figure: the root of `VanScatter.size`. A family or
    depot takes the figure of the van at two thirds of the ranking, so that a fault counts by its van's rank and not by
    its size. The figure is shrunk to that of all families as by ten vans, and that to 1 as by ten more.
    """
    first = std.starts[:-1]
    factor = np.ones((first.size, std.x.shape[1]))
    family = std.family[first]
    depot = np.unique(std.visits["depot"].gather(first).to_numpy().astype(str), return_inverse=True)[1]
    for q in range(std.x.shape[1]):
        size, enough = scatter.size[:, q], scatter.visits[:, q] >= FEWEST_VISITS
        if not enough.any():
            continue
        everywhere = _shrunken(size[enough], 1.0)
        for group, widens_only in ((family, False), (depot, True)):
            for member in range(int(group.max()) + 1):
                of = size[enough & (group == member)]
                if widens_only and of.size < FEWEST_TOGETHER:
                    continue  # too few vans to separate the depot from them
                found = _shrunken(of, everywhere) if of.size else everywhere
                inside = group == member
                factor[inside, q] = np.maximum(factor[inside, q], found) if widens_only else found
    return factor


def own_scatter(z: Floats, starts: Codes) -> tuple[Floats, Codes]:
    """Scatter of each van from one visit to the next.

    Parameters
    ----------
    z : ndarray of shape (visits,)
        Innovations of one quantity, sorted by van and time; NaN is unread. [standard deviations]
    starts : ndarray of shape (vans + 1,), int
        First visit of each van.

    Returns
    -------
    variance : ndarray of shape (vans,)
        From second differences of consecutive visits, which neither a drift nor a step moves much; 0 without any.
        [variance of the stated scatter]
    differences : ndarray of shape (vans,), int
        Second differences it rests on.
    """
    read = np.isfinite(z)
    values, van = z[read], np.repeat(np.arange(starts.size - 1), np.diff(starts))[read]
    same = van[2:] == van[:-2]
    size, first, differences = ranked(np.abs(np.diff(values, 2))[same], van[2:][same], starts.size - 1)
    if not size.size:
        return np.zeros(differences.size), differences
    upper = np.interp(first + UPPER * np.maximum(differences - 1, 0), np.arange(size.size), size)
    return np.where(differences > 0, (upper / UPPER_DIFFERENCE) ** 2, 0.0), differences


def _shrunken(size: Floats, towards: float) -> float:
    """Mean square of the upper van over that in control, shrunk to a value worth ten vans."""
    return float((size.size * np.quantile(size, UPPER_VAN) / UPPER_SIZE**2 + 10.0 * towards) / (size.size + 10.0))


def few_pairs_factor(share: float, pairs: Codes) -> Floats:
    """Factor on limits while a family's scatter rests on few pairs of visits: Student's over the normal quantile.

    Parameters
    ----------
    share : float
        Share of visits outside the limits. [1]
    pairs : ndarray of shape (n,), int
        Pairs of neighbouring visits.

    Returns
    -------
    ndarray of shape (n,)
        At least 1. [1]
    """
    degrees = PRIOR_DEGREES + DEGREES_PER_PAIR * np.maximum(pairs, 0)
    return quantile_ratio(share / 2.0, degrees)
