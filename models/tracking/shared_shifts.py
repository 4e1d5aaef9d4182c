"""Shifts that groups of visits share, of one recorder, depot or week, and their removal."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import group_medians

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
    medians, counts = group_medians(residual, group, groups)
    enough = counts >= FEWEST_TOGETHER
    sampling = 1.57 / np.maximum(counts, 1)
    shift, u, spread = np.zeros_like(medians), np.zeros_like(medians), np.zeros(residual.shape[1])
    for column in range(residual.shape[1]):
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

    Returns
    -------
    tuple of RecorderShift
        Depots and recorders whose vans clearly moved together, latest first.
    """
    serial = visits["recorder_serial"].fill_null("").to_numpy().astype(str)
    depot = visits["depot"].to_numpy().astype(str)
    at_depot = np.char.add(np.char.add(depot, "\x1f"), np.char.add(serial, "\x1f"))
    groups = (
        np.unique(np.column_stack([family, _manner(visits)]), axis=0, return_inverse=True)[1].ravel(),
        np.unique(serial, return_inverse=True)[1],
        np.unique(np.column_stack([family, weeks]), axis=0, return_inverse=True)[1].ravel(),
        np.unique(np.char.add(at_depot, weeks.astype(str)), return_inverse=True)[1],
    )
    sizes = [int(group.max()) + 1 for group in groups]
    nothing = [np.zeros((size, x.shape[1])) for size in sizes]
    moved = [SharedShift(zero, zero, zero.astype(np.int64), zero[0]) for zero in nothing]
    remaining = x.copy()
    for _ in range(PASSES):  # each source again, with the others removed
        for number, group in enumerate(groups):
            whole = remaining + moved[number].shift[group]
            inside = whole - group_medians(remaining, van, int(van.max()) + 1)[0][van]
            moved[number] = shared_shift(inside, group.astype(np.int64), sizes[number])
            remaining = whole - moved[number].shift[group]
    x[:] = remaining
    for each, group in zip(moved, groups, strict=True):
        variance += each.u[group] ** 2
    variance += _unknown_recorder(moved[RECORDERS], groups[RECORDERS], serial)
    last, member = moved[-1], np.zeros(sizes[-1], np.int64)
    member[groups[-1]] = np.arange(len(x))
    recorder_shifts = [
        RecorderShift(
            str(depot[member[g]]),
            str(serial[member[g]]),
            visits["week"][int(member[g])],
            quantities[q],
            float(last.shift[g, q]),
            float(last.u[g, q]),
            int(last.vans[g, q]),
        )
        for g, q in zip(*np.nonzero(np.abs(last.shift) > np.maximum(3.0 * last.u, 1.0)), strict=True)
    ]
    return tuple(sorted(recorder_shifts, key=lambda m: (m.week, abs(m.shift)), reverse=True))


def _unknown_recorder(recorders: SharedShift, group: Codes, serial: NDArray[np.str_]) -> Floats:
    """Variance that a visit's recorder adds where its shift is unknown: it is not named, or was seen too rarely.
    [scatters²]
    """
    unknown = (recorders.vans[group] < FEWEST_TOGETHER) | (serial == "")[:, None]
    return np.asarray(np.where(unknown, recorders.spread**2, 0.0))
