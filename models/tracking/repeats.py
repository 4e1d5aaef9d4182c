"""How far a quantity scatters from repeat to repeat, and what that rests on: the uncertainty of a trace does not hold it.

A trace tells one snap to within its noise. The next snap of the same van is another snap: foot, idle and engine are
never quite the same. `scatter_of_repeats` says by how much, from the nearest source that has seen enough repeats.
"""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import chdtri, fdtri

from data_contracts.states import REPEAT_SOURCES
from models.statistics.arrays import Codes, Floats
from models.statistics.few_values import widening
from models.tracking.scales import derivative
from models.tracking.standardise import Standardised
from models.tracking.visits import COUNTS

ENOUGH = 8
"""Repeats beyond the first of each visit from which a source says enough: its standard deviation is then known to a
quarter (JCGM 100:2008, table E.1, from memory: 24 % for n = 10). Fewer count where no source has more. [1]"""
FEWEST_IN_FAMILY = 5
"""Visits with repeats from which a family's scatter is found, as in `models.tracking.standardise`. [1]"""
UNUSUAL = 0.01
"""A visit whose repeats scatter so much more than the van or family usually does that this share of visits would is
stated by its own repeats. Common practice, no source (2026-11-29). [1]"""
_VISIT, _VAN, _FAMILY = range(len(REPEAT_SOURCES))


class RepeatScatter(NamedTuple):
    """Scatter from repeat to repeat.

    Attributes
    ----------
    u : ndarray
        Standard uncertainty of one snap as one of many, NaN where nothing is known; ±2 of it hold 95 % of the repeats however
        few it rests on. [unit of the quantity]
    source : ndarray of int
        What it rests on, as an index of `REPEAT_SOURCES`; -1 for nothing.
    """

    u: Floats
    source: Codes

    def source_names(self) -> pl.Series:
        """What each rests on, null for nothing."""
        names = dict(enumerate(REPEAT_SOURCES))
        return pl.Series(self.source).replace_strict(names, default=None, return_dtype=pl.String)


def scatter_of_repeats(
    visit_sd: Floats, visit_count: NDArray[np.integer], van_sd: Floats, van_degrees: Floats, family_sd: Floats
) -> RepeatScatter:
    """Scatter from repeat to repeat, from the nearest source that has seen enough.

    Parameters
    ----------
    visit_sd : ndarray
        Standard deviation of this visit's repeats; NaN for none. [unit of the quantity]
    visit_count : ndarray of int
        Their number.
    van_sd, van_degrees : ndarray
        Standard deviation of repeats within the van's earlier visits, and its degrees of freedom; 0 for none. [unit of the
        quantity], [1]
    family_sd : ndarray
        The same of the family's visits; NaN where too few were seen. [unit of the quantity]

    Returns
    -------
    RepeatScatter

    Notes
    -----
    This visit's repeats where they are nine or more; else with those of the van's earlier visits; else the family's.
    Where none has enough, the most there is of this van, from three repeats on. Repeats that scatter far more than
    those of the van's earlier visits, or than the family's, speak for themselves: the ratio of the variances is held against
    Fisher's quantile, so that few earlier repeats prove little. With few degrees of freedom Student's quantile widens it.
    """
    degrees = np.where(np.isfinite(visit_sd), np.maximum(visit_count - 1, 0), 0).astype(np.float64)
    own = np.where(degrees > 0, np.nan_to_num(visit_sd) ** 2, 0.0)
    past = np.where(van_degrees > 0, np.nan_to_num(van_sd) ** 2, 0.0)
    both = degrees + van_degrees
    pooled = (degrees * own + van_degrees * past) / np.maximum(both, 1.0)
    source = np.full(degrees.shape, -1, dtype=np.int64)
    source[both >= 2] = _VAN
    source[(degrees >= 2) & (van_degrees == 0)] = _VISIT
    source[np.isfinite(family_sd)] = _FAMILY
    source[both >= ENOUGH] = _VAN
    source[degrees >= ENOUGH] = _VISIT
    variance = np.choose(source + 1, [np.full(own.shape, np.nan), own, pooled, family_sd**2])
    own_degrees = np.maximum(degrees, 1.0)
    with np.errstate(invalid="ignore"):
        beyond_family = degrees * own > chdtri(own_degrees, UNUSUAL) * family_sd**2
        beyond_past = own > fdtri(own_degrees, np.maximum(van_degrees, 1.0), 1.0 - UNUSUAL) * past
    apart = (degrees > 0) & np.where(
        source == _VAN, beyond_past & (van_degrees > 0), beyond_family & (source == _FAMILY)
    )
    source = np.where(apart, _VISIT, source)
    variance = np.where(apart, own, variance)
    known = np.choose(source + 1, [np.inf, degrees, both, np.inf])
    return RepeatScatter(np.sqrt(variance) * widening(known), source)


def covering(quantity: str, trace_u: Floats, repeat_u: Floats, count: NDArray[np.integer]) -> Floats:
    """Standard uncertainty of the middle of some repeats: that of their traces, and their scatter over their number.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    trace_u, repeat_u : ndarray
        Of one trace, and of one snap as one of many; NaN counts as none. [unit of the quantity]
    count : ndarray of int
        Repeats.

    Returns
    -------
    ndarray
        [unit of the quantity]
    """
    median = np.where((count < 3) | (quantity in COUNTS), 1.0, np.pi / 2.0)  # of normal values, over their mean
    return np.asarray(
        np.hypot(np.nan_to_num(trace_u), np.nan_to_num(repeat_u) * np.sqrt(median / np.maximum(count, 1)))
    )


def repeats_at_visits(std: Standardised, repeats: pl.DataFrame) -> Floats:
    """Standard deviation of the repeats of every visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    repeats : polars.DataFrame
        As `models.tracking.visits.repeat_spread` returns.

    Returns
    -------
    ndarray of shape (visits, quantities)
        NaN for fewer than two. [unit of the quantity]
    """
    keys = repeats.select("van_id", "visit").with_row_index("row")
    row = std.visits.select("van_id", "visit").join(keys, on=["van_id", "visit"], how="left", maintain_order="left")[
        "row"
    ]
    scatter = np.empty((std.van.size, len(std.quantities)))
    for q, name in enumerate(
        std.quantities
    ):  # one column after the other: there are as many numbers as in all readings of visits
        seen = repeats[name].gather(row).cast(pl.Float64).to_numpy()
        scatter[:, q] = np.where(np.isfinite(seen), seen, np.nan)
    return scatter


def visits_with_repeats(std: Standardised, within: Floats) -> Codes:
    """Visits of each family whose repeats tell a scatter.

    Parameters
    ----------
    std : Standardised
        Visits.
    within : ndarray of shape (visits, quantities)
        As `repeats_at_visits` returns.

    Returns
    -------
    ndarray of shape (families, quantities), int
    """
    return np.array([np.isfinite(within[std.family == f]).sum(axis=0) for f in range(len(std.families))])


def repeat_scatter(
    std: Standardised, within: Floats, first_week: int | None = None, seen: Codes | None = None
) -> dict[str, RepeatScatter]:
    """Scatter from repeat to repeat at every visit, with nothing of the van's later ones.

    Parameters
    ----------
    std : Standardised
        Visits.
    within : ndarray of shape (visits, quantities)
        As `repeats_at_visits` returns. [unit of the quantity]
    first_week : int, optional
        Number of the first week wanted; all where left out.
    seen : ndarray of shape (families, quantities), int, optional
        As `visits_with_repeats` returns of the whole fleet; where left out, these vans are the fleet.

    Returns
    -------
    dict of str to RepeatScatter of shape (visits,)
        By quantity; nothing is known of the visits before.
    """
    seen = visits_with_repeats(std, within) if seen is None else seen
    rows = np.flatnonzero(std.weeks >= (std.weeks.min() if first_week is None else first_week))
    out = {}
    for q, quantity in enumerate(std.quantities):
        count = std.visits[quantity + "_n"].to_numpy()
        sd = within[:, q]
        degrees = np.where(np.isfinite(sd), np.maximum(count - 1, 0), 0).astype(np.float64)
        squares, earlier = (_before(part, std.van) for part in (degrees * np.nan_to_num(sd) ** 2, degrees))
        van_sd = np.sqrt(squares / np.maximum(earlier, 1.0))
        steep = np.abs(derivative(quantity, std.scaled[:, q]))
        family_sd = std.repeat_share[std.family, q] * std.scatter[std.family, q] * steep
        family_sd = np.where(seen[std.family, q] >= FEWEST_IN_FAMILY, family_sd, np.nan)
        found = scatter_of_repeats(sd[rows], count[rows], van_sd[rows], earlier[rows], family_sd[rows])
        u, source = np.full(sd.size, np.nan), np.full(sd.size, -1, dtype=np.int64)
        u[rows], source[rows] = found
        out[quantity] = RepeatScatter(u, source)
    return out


def _before(values: Floats, van: Codes) -> Floats:
    """Sum over each van's earlier visits; the other vans have no part in its rounding."""
    sums = pl.DataFrame({"of": values, "van": van}).select(
        pl.col("of").cum_sum().shift(1, fill_value=0.0).over("van", mapping_strategy="group_to_rows")
    )
    return sums["of"].to_numpy()
