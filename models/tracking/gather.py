"""Readings to visits, some vans at a time: what is wide is in memory of these vans only."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from data_contracts.signals import TRACKED
from models.tracking.representative import representatives
from models.tracking.visits import AIR, ever_read, repeat_spread, tracked_captures, visits_of

AT_A_TIME = 75_000
"""Captures of the vans that are made to visits at a time. Of our choosing: a few hundred bytes each."""
KEPT = (
    "capture_id",
    "van_id",
    "visit",
    "family",
    "low_throughout",
    "held_long",
    *AIR,
    "main_peak_g_s",
    "main_peak_g_s_u",
)
"""Columns of the captures that are still needed after the visits are made."""


class Gathered(NamedTuple):
    """Captures and visits of a fleet.

    Attributes
    ----------
    captures : polars.DataFrame
        The tracked captures, sorted by van, time and capture: `KEPT`, and whether each is the `representative` of its visit.
    visits : polars.DataFrame
        As `models.tracking.visits.visits_of` returns.
    repeats : polars.DataFrame
        As `models.tracking.visits.repeat_spread` returns.
    """

    captures: pl.DataFrame
    visits: pl.DataFrame
    repeats: pl.DataFrame


def gather(frame: pl.LazyFrame, shapes: pl.DataFrame | None) -> Gathered | None:
    """Make captures to visits.

    Parameters
    ----------
    frame : polars.LazyFrame
        Captures joined with their readings, in any order.
    shapes : polars.DataFrame or None
        Rows of the shapes table, for the representative repeat.

    Returns
    -------
    Gathered or None
        None without any tracked capture.
    """
    read = ever_read(frame)
    parts: list[Gathered] = []
    for first, last in _groups_of_vans(frame):
        captures = tracked_captures(frame.filter(pl.col("van_id").is_between(pl.lit(first), pl.lit(last))), read)
        if captures.height:
            kept = [name for name in captures.columns if name in KEPT or name in TRACKED]
            parts.append(Gathered(captures.select(kept), visits_of(captures), repeat_spread(captures)))
    if not parts:
        return None
    captures, visits, repeats = (pl.concat(some) for some in zip(*parts, strict=True))
    parts.clear()
    chosen = representatives(captures, shapes)
    return Gathered(captures.select(*KEPT, representative=pl.Series(chosen)), visits, repeats)


def _groups_of_vans(frame: pl.LazyFrame) -> Iterator[tuple[str, str]]:
    """First and last name of vans that follow each other and have about `AT_A_TIME` captures together."""
    vans = frame.group_by("van_id").len().sort("van_id").collect()
    if not vans.height:
        return
    group = (vans["len"].cum_sum().to_numpy() - vans["len"].to_numpy()) // AT_A_TIME
    first = np.flatnonzero(np.diff(group, prepend=-1))
    last = np.append(first[1:], vans.height) - 1
    yield from zip(vans["van_id"].gather(first), vans["van_id"].gather(last), strict=True)
