"""Shifts that groups of visits share, of one recorder, depot or week, and their removal."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import group_medians, lists_of, medians_of_lists
from models.statistics.side_by_side import side_by_side

FEWEST_TOGETHER = 5
"""Fewest vans whose shared shift can be separated from their own movements."""
PASSES = 3
"""Passes over the sources of shared shifts, so that no source absorbs the shift of another."""
RECORDERS = 1
"""Place of the recorders among the sources."""


@dataclass(frozen=True)
class SharedShift:
    """Shift that the visits of each group have in common.

    Attributes
    ----------
    shift, u : ndarray of shape (groups, quantities)
        Subtracted from each visit of the group, and its standard uncertainty. [scatters]
    vans : ndarray of shape (groups, quantities), int
        Visits it rests on.
    spread : ndarray of shape (quantities,)
        Standard deviation of true shifts between groups: the uncertainty where a group's shift is unknown. [scatters]
    """

    shift: Floats
    u: Floats
    vans: Codes
    spread: Floats


def shared_shift(residual: Floats, group: Codes, groups: int) -> SharedShift:
    """Shift that the visits of each group share: robust, and shrunk.

    Parameters
    ----------
    residual : ndarray of shape (visits, quantities)
        Standardised to an in-control standard deviation of 1; NaN left out. [scatters]
    group : ndarray of shape (visits,), int
        For example family and week, or depot, recorder and week.
    groups : int
        Number of groups.

    Returns
    -------
    SharedShift
        A group of fewer than five vans has none: it can't be separated from the vans' own movements.

    Notes
    -----
    Group medians m with sampling variance 1.57 / n are shrunk by s² / (s² + 1.57 / n). The variance of true shifts s²
    is found by moments over all groups of a quantity (empirical Bayes).
    """
    return _shrunken(*group_medians(residual, group, groups))


def _shrunken(medians: Floats, counts: Codes) -> SharedShift:
    """Shared shifts from the medians of groups of so many."""
    enough = counts >= FEWEST_TOGETHER
    sampling = 1.57 / np.maximum(counts, 1)
    shift, u, spread = np.zeros_like(medians), np.zeros_like(medians), np.zeros(medians.shape[1])
    for column in range(medians.shape[1]):
        use = enough[:, column]
        if use.sum() < 2:
            continue
        m, noise = medians[use, column], sampling[use, column]
        real = max(float(np.mean(np.minimum(m**2, 9.0) - noise)), 0.0)
        spread[column] = np.sqrt(real)
        shift[use, column] = m * real / (real + noise)
        u[use, column] = np.sqrt(real * noise / (real + noise))
    return SharedShift(shift, u, counts, spread)


@dataclass(frozen=True)
class RecorderShift:
    """Vans of one depot and recorder that moved together: suspect the recorder or the barometer before the vans.

    Attributes
    ----------
    depot, recorder_serial, week, quantity : str
        Where, with which recorder, when, and in which quantity.
    shift, u : float
        Common shift and its standard uncertainty. [scatters]
    vans : int
        Visits it rests on.
    """

    depot: str
    recorder_serial: str
    week: str
    quantity: str
    shift: float
    u: float
    vans: int


def _manner(visits: pl.DataFrame) -> Codes:
    """Recordings alike in length and sampling rate, each to the nearest power of four."""
    length, rate = (np.nan_to_num(visits[c].cast(pl.Float64).to_numpy(), nan=1.0) for c in ("length_s", "rate_hz"))
    return np.asarray(
        100 * np.round(np.log(np.maximum(length, 1e-3)) / np.log(4.0))
        + np.round(np.log(np.maximum(rate, 1e-3)) / np.log(4.0)),
        dtype=np.int64,
    )


def remove_shared_shifts(
    visits: pl.DataFrame,
    x: Floats,
    variance: Floats,
    family: Codes,
    van: Codes,
    weeks: Codes,
    quantities: tuple[str, ...],
    threads: int = 1,
) -> tuple[RecorderShift, ...]:
    """Remove shared shifts from x, in place.

    Shifts are looked for in recordings of like length and rate of a family, in a recorder, in a family's week, and in a
    depot's and recorder's week.

    Parameters
    ----------
    visits : polars.DataFrame
        depot, recorder_serial, week, length and rate of each visit.
    x, variance : ndarray of shape (visits, quantities)
        Standardised values and their variance; both changed in place. [scatters], [scatters²]
    family, van, weeks : ndarray of shape (visits,), int
        Codes of family and van, and number of the week.
    quantities : tuple of str
        Columns of x.
    threads : int
        How many columns at a time.

    Returns
    -------
    tuple of RecorderShift
        Depots and recorders whose vans clearly moved together, latest first.
    """
    serial, depot, week = (_codes(visits[name]) for name in ("recorder_serial", "depot", "week"))
    groups = (
        _together(family, _manner(visits)),
        serial,
        _together(family, weeks),
        _together(depot, serial, week),
    )
    unnamed = visits["recorder_serial"].fill_null("").to_numpy() == ""
    places = [_Places.of(group) for group in (van, *groups)]

    def of_column(q: int) -> SharedShift:
        x[:, q], moved = _without_shifts(x[:, q], places[0], places[1:])
        for each, group in zip(moved, groups, strict=True):
            variance[:, q] += each.u[group, 0] ** 2
        variance[:, q] += _unknown_recorder(moved[RECORDERS], serial, unnamed)
        return moved[-1]

    last = list(side_by_side(of_column, range(x.shape[1]), threads))
    shift, u, vans = (np.column_stack([getattr(each, name) for each in last]) for name in ("shift", "u", "vans"))
    member = np.zeros(len(shift), np.int64)
    member[groups[-1]] = np.arange(len(x))
    recorder_shifts = [
        RecorderShift(
            visits["depot"][int(member[g])],
            visits["recorder_serial"][int(member[g])] or "",
            visits["week"][int(member[g])],
            quantities[q],
            float(shift[g, q]),
            float(u[g, q]),
            int(vans[g, q]),
        )
        for g, q in zip(*np.nonzero(np.abs(shift) > np.maximum(3.0 * u, 1.0)), strict=True)
    ]
    return tuple(sorted(recorder_shifts, key=lambda m: (m.week, abs(m.shift)), reverse=True))


@dataclass(frozen=True)
class _Places:
    """Group of each visit, and the visits of each group as `lists_of` gives them."""

    group: Codes
    order: Codes
    bounds: Codes

    @classmethod
    def of(cls, group: Codes) -> "_Places":
        return cls(group, *lists_of(group, int(group.max()) + 1))

    def medians(self, values: Floats) -> tuple[Floats, Codes]:
        """Medians and counts of one column, of shape (groups, 1)."""
        return medians_of_lists(values[:, None], self.order, self.bounds)


def _without_shifts(x: Floats, van: _Places, sources: list[_Places]) -> tuple[Floats, list[SharedShift]]:
    """One quantity without the shifts that the groups of each source share, and these shifts."""
    remaining, shifts = x, [np.zeros(source.bounds.size - 1) for source in sources]
    moved: list[SharedShift] = []
    for _ in range(PASSES):  # each source again, with the others removed
        moved = []
        for source, shift in zip(sources, shifts, strict=True):
            whole = remaining + shift[source.group]
            inside = whole - van.medians(remaining)[0][van.group, 0]
            moved.append(_shrunken(*source.medians(inside)))
            shift[:] = moved[-1].shift[:, 0]
            remaining = whole - shift[source.group]
    return remaining, moved


def _codes(names: pl.Series) -> Codes:
    """Numbers of names; null is as the empty one."""
    return names.fill_null("").rank("dense").cast(pl.Int64).to_numpy() - 1


def _together(first: Codes, *others: Codes) -> Codes:
    """Numbers of the combinations of codes."""
    number = first
    for code in others:
        number = number * (int(np.ptp(code)) + 1) + code - code.min()
    return np.unique(number, return_inverse=True)[1].astype(np.int64)


def _unknown_recorder(recorders: SharedShift, group: Codes, unnamed: NDArray[np.bool_]) -> Floats:
    """Variance that a visit's recorder adds to one quantity where its shift is unknown: it is not named, or was seen too
    rarely. [scatters²]
    """
    unknown = (recorders.vans[group, 0] < FEWEST_TOGETHER) | unnamed
    return np.asarray(np.where(unknown, recorders.spread[0] ** 2, 0.0))
