"""Some of the standardised visits: those of vans that follow each other, or any, as if there were no others."""

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from models.statistics.arrays import Codes
from models.statistics.groups import numbered
from models.tracking.standardise import Standardised

AT_A_TIME = 12_500
"""Visits that are charted at a time, in each thread. Of our choosing: some sixty tables of them are in memory together."""
_TABLES = ("scaled", "x", "variance", "conditions_u", "peer_variance", "restart")
_BY_VISIT = ("family", "weeks", *_TABLES)


class Vans(NamedTuple):
    """Vans that follow each other, and their visits."""

    vans: slice
    visits: slice


def some_vans(std: Standardised) -> Iterator[Vans]:
    """All vans, some with about `AT_A_TIME` visits at a time.

    Parameters
    ----------
    std : Standardised
        Visits.

    Yields
    ------
    Vans
    """
    part = std.starts[:-1] // AT_A_TIME
    bounds = np.append(np.flatnonzero(np.diff(part, prepend=-1)), part.size)
    for first, end in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        yield Vans(slice(first, end), slice(int(std.starts[first]), int(std.starts[end])))


def of_vans(std: Standardised, some: Vans) -> Standardised:
    """The visits of some vans, without a copy.

    Parameters
    ----------
    std : Standardised
        Visits.
    some : Vans
        Wanted.

    Returns
    -------
    Standardised
        With what families and fleet share as it is in all of them.
    """
    return replace(
        std,
        visits=std.visits[some.visits],
        van=std.van[some.visits] - some.vans.start,
        starts=std.starts[some.vans.start : some.vans.stop + 1] - some.visits.start,
        **{name: getattr(std, name)[some.visits] for name in _BY_VISIT},
    )


def at_visits(std: Standardised, rows: Codes) -> Standardised:
    """Some visits.

    Parameters
    ----------
    std : Standardised
        Visits.
    rows : ndarray of shape (n,), int
        Wanted, rising.

    Returns
    -------
    Standardised
        With what families and fleet share as it is in all of them.
    """
    if rows.size == std.van.size:
        return std
    van = numbered(std.van[rows])
    return replace(
        std,
        visits=std.visits[rows],
        van=van,
        starts=np.append(np.flatnonzero(np.diff(van, prepend=-1)), van.size),
        **{name: getattr(std, name)[rows] for name in _BY_VISIT},
    )


def without_tables(std: Standardised) -> Standardised:
    """The visits without what is known of each quantity at them: the large part of what they take in memory.

    Parameters
    ----------
    std : Standardised
        Visits.

    Returns
    -------
    Standardised
        With tables of no rows.
    """
    return replace(std, **{name: getattr(std, name)[:0].copy() for name in _TABLES})
