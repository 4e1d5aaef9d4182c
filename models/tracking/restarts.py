"""Where a baseline starts again or is doubted.

It starts again after a repair, for the quantities the repair may have touched; it is doubted after a change of the
engine-control software.
"""

import itertools
from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.quantities.record import RepairKind
from data_contracts.signals import TRACKED, tracking_of
from models.statistics.arrays import Codes

_NAMED_BY: Mapping[RepairKind, tuple[str, ...]] = {
    "air_path": (
        "air-mass",
        "air mass",
        "airflow",
        "maf",
        "throttle",
        "intake",
        "inlet",
        "air filter",
        "turbo",
        "charge",
        "recirculation",
    ),
    "air_leak": ("vacuum", "manifold", "gasket", "breather", "unmetered", "purge"),
    "lambda": ("lambda", "oxygen"),
    "fuel": ("inject", "fuel", "pump", "rail", "regulator"),
    "ignition": ("ignition", "spark", "coil", "plug"),
    "exhaust": ("exhaust", "catalyst", "manifold", "silencer"),
}

NO_RESTART, CHANGED, REPAIRED = 0, 1, 2


def repaired_quantities(work: str) -> frozenset[str]:
    """The tracked quantities a repair may have touched; all of them where its words name nothing known.

    Parameters
    ----------
    work : str
        Work and parts as written.

    Returns
    -------
    frozenset of str
        Names of data_contracts/signals.py.
    """
    words = work.casefold()
    kinds = {kind for kind, named in _NAMED_BY.items() if any(word in words for word in named)}
    return frozenset(q for q in TRACKED if not kinds or kinds.intersection(tracking_of(q).repaired_by))


def restarts_of(
    visits: pl.DataFrame, quantities: tuple[str, ...], repairs: pl.DataFrame, starts: Codes
) -> NDArray[np.int8]:
    """Where baselines start again or are doubted, for every visit and quantity.

    Parameters
    ----------
    visits : polars.DataFrame
        As `models.tracking.visits.visits_of` returns.
    quantities : tuple of str
        Columns of the result.
    repairs : polars.DataFrame
        van_id, done_at, work, parts.
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.

    Returns
    -------
    ndarray of shape (visits, quantities), int8
        `NO_RESTART`, `CHANGED` or `REPAIRED`.
    """
    restart = np.zeros((visits.height, len(quantities)), np.int8)
    software = visits["ecu_software"].to_list()
    is_first = np.zeros(visits.height, bool)
    is_first[starts[:-1]] = True
    known: str | None = None
    for row, name in enumerate(software):
        if is_first[row]:
            known = name
        elif name is not None:
            if known is not None and name != known:
                restart[row] = CHANGED
            known = name
    if repairs.height:
        moments = visits["captured_at"].to_numpy()
        first_of = {visits["van_id"][int(s)]: (int(s), int(e)) for s, e in itertools.pairwise(starts)}
        for repair in repairs.sort("van_id", "done_at").iter_rows(named=True):
            if repair["van_id"] not in first_of:
                continue
            begin, end = first_of[repair["van_id"]]
            done = np.datetime64(repair["done_at"].replace(tzinfo=None), "us")
            row = begin + int(np.searchsorted(moments[begin:end], done, side="right"))
            if row < end and row > begin:
                touched = repaired_quantities(f"{repair['work']} {repair['parts'] or ''}")
                restart[row, [q for q, name in enumerate(quantities) if name in touched]] = REPAIRED
    return restart
