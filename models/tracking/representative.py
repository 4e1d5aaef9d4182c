"""The representative repeat of each visit."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from data_contracts.signals import TRACKED
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel
from models.statistics.side_by_side import side_by_side
from models.tracking.shapes_drawn import shapes_of
from models.tracking.visits import VISIT, long_beside


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
    return _medoids(np.ascontiguousarray(points, np.float64))


@kernel
def _medoids(points: Floats) -> Codes:  # pragma: no cover - compiled
    sets, members, features = points.shape
    nearest, total = np.zeros(sets, np.int64), np.empty(members)
    for k in range(sets):
        total[:] = 0.0
        for a in range(members):
            for b in range(a + 1, members):
                apart, known = 0.0, 0
                for feature in range(features):
                    gap = abs(points[k, a, feature] - points[k, b, feature])
                    if np.isfinite(gap):
                        apart += gap
                        known += 1
                total[a] += apart / max(known, 1)
                total[b] += apart / max(known, 1)
        nearest[k] = np.argmin(total)
    return nearest


class _Readings(NamedTuple):
    """How readings compare over a whole fleet: the quantities that were read, their medians and the median absolute deviations from
    them. [unit of the quantity]"""

    names: list[str]
    centre: Floats
    spread: Floats


def _readings_of(parts: Sequence[pl.DataFrame], among: Sequence[pl.Series], threads: int) -> _Readings:
    """How the readings of some of the captures compare, as many quantities at a time as there are threads."""

    def middle_and_spread(name: str) -> tuple[Any, Any] | None:
        read = [captures[name].filter(some) for captures, some in zip(parts, among, strict=True)]
        values = pl.concat(read).drop_nulls().cast(pl.Float64)
        middle = values.median()
        return None if middle is None else (middle, (values - middle).abs().median())

    names = [name for name in TRACKED if name in parts[0].columns]
    found = side_by_side(middle_and_spread, names, threads)
    known = {name: both for name, both in zip(names, found, strict=True) if both is not None}
    centre, spread = np.array(list(known.values())).reshape(-1, 2).T
    return _Readings([*known], centre, spread)


def representatives(
    parts: Sequence[pl.DataFrame], shapes: pl.DataFrame | pl.LazyFrame | None, threads: int = 1
) -> list[Flags]:
    """The representative repeat of each visit: the medoid of its aligned waveforms, or of its readings without them; of those
    held long, where there are any.

    Parameters
    ----------
    parts : sequence of polars.DataFrame
        Captures of a fleet as `tracked_captures` returns them, those of some vans each.
    shapes : polars.DataFrame, polars.LazyFrame or None
        As `shapes_of` takes them; where a capture has none, its visit is judged by the readings.
    threads : int
        How many parts at a time.

    Returns
    -------
    list of ndarray of shape (captures,), bool
        One capture per visit, for each part.
    """
    compared = [captures.select(pl.col("held_long") | ~long_beside()).to_series() for captures in parts]
    readings = _readings_of(parts, compared, threads)

    def chosen_of(part: tuple[pl.DataFrame, pl.Series]) -> Flags:
        captures, among = part
        chosen, some = np.zeros(captures.height, bool), captures.filter(among)
        chosen[np.flatnonzero(among.to_numpy())[_nearest(some, _flows_of(some, shapes), readings)]] = True
        return chosen

    return list(side_by_side(chosen_of, zip(parts, compared, strict=True), threads))


def _nearest(captures: pl.DataFrame, flows: pl.Series | None, readings: _Readings) -> Codes:
    """Row of the medoid of each visit; `flows` are the aligned air flows of the captures, null for none."""
    known = np.zeros(captures.height, bool) if flows is None else flows.is_not_null().to_numpy()
    visits = captures.with_row_index("row").group_by(VISIT, maintain_order=True).agg("row")["row"]
    order, counts = visits.explode().to_numpy().astype(np.int64), visits.list.len().to_numpy()
    first = np.cumsum(counts, dtype=np.int64) - counts
    chosen = order[first]  # of one or two repeats, all are equally far from the others: take the first
    values = captures.select(pl.col(readings.names).cast(pl.Float64)).to_numpy()
    values = (values - readings.centre) / np.where(readings.spread > 0, readings.spread, np.inf)
    for members in np.unique(counts[counts > 2]):
        alike = np.flatnonzero(counts == members)
        rows = order[first[alike][:, None] + np.arange(members)]
        drawn = known[rows].all(axis=1)
        best = np.zeros(len(rows), np.int64)
        best[~drawn] = medoids(values[rows[~drawn]])
        if flows is not None and drawn.any():
            traces = flows.gather(rows[drawn].ravel()).explode().cast(pl.Float64).to_numpy()
            best[drawn] = medoids(traces.reshape(-1, members, traces.size // rows[drawn].size))
        chosen[alike] = rows[np.arange(len(rows)), best]
    return np.asarray(chosen, np.int64)


def _flows_of(captures: pl.DataFrame, shapes: pl.DataFrame | pl.LazyFrame | None) -> pl.Series | None:
    """The aligned air flow of each capture, null for none; None without any shapes."""
    if shapes is None or not captures.height:
        return None
    drawn = shapes_of(shapes, captures, ("airflow",))
    return captures.select("capture_id").join(drawn, on="capture_id", how="left", maintain_order="left")["airflow"]
