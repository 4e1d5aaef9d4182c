"""Where a baseline starts again or is doubted.

It starts again after a repair, for the quantities the repair touched; it is doubted after a change of the
engine-control software.
"""

import itertools
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.statistics.arrays import Codes
from models.tracking.work_words import touched_by

NO_RESTART, CHANGED, REPAIRED, HELD = 0, 1, 2, 3
"""Nothing; the software changed; a repair touched the quantity; and one did, but its level stayed where it was before, so
that the baseline goes on (`models/tracking/charts/repair_trials.py` decides that)."""


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
        van_id, done_at, and `touches`: the quantities each may have moved. Where that is not given it is read from
        `work` and `parts`.
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
                touched = touched_quantities(repair)
                restart[row, [q for q, name in enumerate(quantities) if name in touched]] = REPAIRED
    return restart


def touched_quantities(repair: Mapping[str, Any]) -> Collection[str]:
    """Quantities a repair may have moved, as given or read from its words.

    Parameters
    ----------
    repair : mapping
        A row of repairs, as `restarts_of` takes them.
    """
    touched = repair.get("touches")
    return touched_by(repair["work"], repair["parts"]).quantities if touched is None else touched
