"""The representative repeat of each visit."""

import numpy as np
import polars as pl

from data_contracts.signals import TRACKED
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.visits import VISIT, long_beside

_AT_A_TIME = 20_000
"""Visits whose repeats are compared at a time."""


def medoids(points: Floats) -> Codes:
    """The member of each set nearest to all the others; of equals the first.

    Parameters
    ----------
    points : ndarray of shape (sets, members, features)
        Aligned waveforms or standardised readings; a NaN feature is left out of a pair's distance. [any unit]

    Returns
    -------
    ndarray of shape (sets,), int
        Member of each set.
    """
    sets, members = points.shape[:2]
    total = np.zeros((sets, members))
    for a in range(members):
        for b in range(a + 1, members):
            gap = np.abs(points[:, a] - points[:, b])
            known = np.isfinite(gap)
            apart = np.where(known, gap, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
            total[:, a] += apart
            total[:, b] += apart
    return np.asarray(np.argmin(total, axis=1), dtype=np.int64)


def representatives(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> Flags:
    """The representative repeat of each visit: the medoid of its aligned waveforms, or of its readings without them; of those
    held long, where there are any.

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.
    shapes : polars.DataFrame or None
        Rows of the shapes table; where a capture has none, its visit is judged by the readings.

    Returns
    -------
    ndarray of shape (captures,), bool
        One capture per visit.
    """
    several = captures.select(pl.col("held_long") | ~long_beside()).to_series()
    chosen = np.zeros(captures.height, bool)
    chosen[np.flatnonzero(several.to_numpy())[_nearest(captures.filter(several), shapes)]] = True
    return chosen


def _nearest(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> Codes:
    """Row of the medoid of each visit."""
    present = [name for name in TRACKED if name in captures.columns and captures[name].count() > 0]
    readings = captures.select(pl.col(present).cast(pl.Float64))
    centre = readings.select(pl.all().median()).to_numpy()
    spread = readings.select((pl.col(q) - pl.col(q).median()).abs().median() for q in present).to_numpy()
    trace_of, traces = _traces_of(captures, shapes)
    visits = captures.with_row_index("row").group_by(VISIT, maintain_order=True).agg("row")["row"]
    order, counts = visits.explode().to_numpy().astype(np.int64), visits.list.len().to_numpy()
    first = np.cumsum(counts, dtype=np.int64) - counts
    chosen = order[first]  # of one or two repeats, all are equally far from the others: take the first
    for members in np.unique(counts[counts > 2]):
        alike = np.flatnonzero(counts == members)
        for some in np.array_split(alike, -(-alike.size // _AT_A_TIME)):
            rows = order[first[some][:, None] + np.arange(members)]
            drawn = (trace_of[rows] >= 0).all(axis=1)
            best = np.zeros(len(rows), np.int64)
            points = readings[rows[~drawn].ravel()].to_numpy()
            points = (points - centre) / np.where(spread > 0, spread, np.inf)
            best[~drawn] = medoids(points.reshape(-1, members, len(present)))
            if drawn.any():
                best[drawn] = medoids(traces[trace_of[rows[drawn]]])
            chosen[some] = rows[np.arange(len(rows)), best]
    return np.asarray(chosen, np.int64)


def _traces_of(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> tuple[Codes, Floats]:
    """Row of each capture's aligned air flow, -1 for none, and these traces."""
    trace_of, traces = np.full(captures.height, -1), np.empty((0, 0))
    if shapes is not None and shapes.height:
        held = captures.select("capture_id").with_row_index("row")
        known = held.join(shapes.select("capture_id", "airflow"), on="capture_id", maintain_order="left").drop_nulls()
        if known.height:
            traces = np.array(known["airflow"].to_list(), dtype=np.float64)
            trace_of[known["row"].to_numpy()] = np.arange(known.height)
    return trace_of, traces
