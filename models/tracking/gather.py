"""Readings to visits, some vans at a time: what is wide is in memory of these vans only."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import polars as pl

from data_contracts.signals import TRACKED
from models.statistics.side_by_side import side_by_side
from models.tracking.representative import representatives
from models.tracking.visits import AIR, VISIT, ever_read, repeat_spread, tracked_captures, visits_of

AT_A_TIME = 40_000
"""Captures of the vans that are made to visits at a time. Of our choosing: a few hundred bytes each."""
KEPT = (
    "capture_id",
    "family",
    "low_throughout",
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
    chosen : polars.DataFrame
        The representatives, as `models.tracking.anomaly.waveform_residual.waveforms_of` takes them.
    """

    captures: pl.DataFrame
    visits: pl.DataFrame
    repeats: pl.DataFrame
    chosen: pl.DataFrame


def gather(frame: pl.LazyFrame, shapes: pl.LazyFrame | None, threads: int = 1) -> Gathered | None:
    """Make captures to visits.

    Parameters
    ----------
    frame : polars.LazyFrame
        Captures joined with their readings, in any order.
    shapes : polars.LazyFrame or None
        As `models.tracking.shapes_drawn.shapes_of` takes them, for the representative repeat.
    threads : int
        How many groups of vans at a time.

    Returns
    -------
    Gathered or None
        None without any tracked capture.
    """
    read = ever_read(frame)

    def of_group(vans: tuple[str, str]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        captures = tracked_captures(frame.filter(pl.col("van_id").is_between(pl.lit(vans[0]), pl.lit(vans[1]))), read)
        kept = [name for name in captures.columns if name in (*KEPT, *VISIT, "held_long") or name in TRACKED]
        return captures.select(kept), visits_of(captures), repeat_spread(captures)

    parts = [part for part in side_by_side(of_group, _groups_of_vans(frame), threads) if part[0].height]
    if not parts:
        return None
    captures, visits, repeats = (list(some) for some in zip(*parts, strict=True))
    parts.clear()
    kept, chosen = [], []
    for flags in representatives(captures, shapes, threads):
        part = captures.pop(0).with_columns(representative=pl.Series(flags))
        kept.append(part.select(*KEPT, "representative"))
        chosen.append(part.filter("representative").select("capture_id", *VISIT, "held_long", "representative"))
    return Gathered(*(pl.concat(some) for some in (kept, visits, repeats, chosen)))


def _groups_of_vans(frame: pl.LazyFrame) -> Iterator[tuple[str, str]]:
    """First and last name of vans that follow each other and have about `AT_A_TIME` captures together."""
    vans = frame.group_by("van_id").len().sort("van_id").collect()
    if not vans.height:
        return
    group = (vans["len"].cum_sum().to_numpy() - vans["len"].to_numpy()) // AT_A_TIME
    first = np.flatnonzero(np.diff(group, prepend=-1))
    last = np.append(first[1:], vans.height) - 1
    yield from zip(vans["van_id"].gather(first), vans["van_id"].gather(last), strict=True)
