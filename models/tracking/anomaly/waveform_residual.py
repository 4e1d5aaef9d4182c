"""Waveform nonconformity: the residual of a snap's traces about a robust PCA of its family's healthy traces.

Traces lie on the grid of models/reading/aligned_traces.py. The air flow is divided by its own level, which leaves its
shape.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.reading.aligned_traces import GRID
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.shapes_drawn import shapes_of

TRACES = ("airflow", "lambda_signal")
SHAPES = ("airflow_shape", "lambda_shape")
"""Names of the two traces as contributors to an anomaly."""
COMPONENTS = 6
"""Principal components kept: healthy waveforms vary with weather, pedal, hold and engine. Common practice, no source
(2026-11-25)."""
AVERAGED, FIRST = 4, 5
"""Latest visits whose residuals are averaged, and first visits they are compared with. Common practice, no source
(2026-11-25)."""
POINT_CLIP = 6.0
"""Residuals of single grid points are clipped here. [standard deviations]"""
LEAST_SPREAD = 0.01
"""Smallest spread of a grid point, where the level is about 1. Common practice, no source (2026-11-25). [1]"""
FEWEST_TRACES = 40
AT_A_TIME = 20_000
"""Visits whose traces are put in place at a time. Of our choosing."""


@dataclass(frozen=True)
class Waveforms:
    """Representative waveforms of the visits.

    Attributes
    ----------
    traces : ndarray of shape (drawn, 2, GRID), float32
        Air flow over its level, and lambda signal; NaN where nothing was recorded. [1], [1/lambda or V]
    row : ndarray of shape (visits,), int
        Row of each visit's traces; -1 for none.
    """

    traces: NDArray[np.float32]
    row: Codes


def waveforms_of(visits: pl.DataFrame, captures: pl.DataFrame, shapes: pl.DataFrame | pl.LazyFrame) -> Waveforms:
    """Waveforms of the visits' representative repeats; none of a visit whose snaps were all held briefly: their shape is the
    foot's.

    Parameters
    ----------
    visits : polars.DataFrame
        As `models.tracking.visits.visits_of` returns.
    captures : polars.DataFrame
        capture_id, van_id, visit, held_long, and whether each is the `representative` of its visit.
    shapes : polars.DataFrame or polars.LazyFrame
        As `models.tracking.shapes_drawn.shapes_of` takes them.

    Returns
    -------
    Waveforms
    """
    ids = captures.filter("representative", "held_long").select("van_id", "visit", "capture_id")
    there = shapes.lazy().select("capture_id").join(ids.lazy().select("capture_id"), on="capture_id", how="semi")
    known = there.collect().sort("capture_id").with_row_index("trace")
    drawn = ids.join(known, on="capture_id", how="inner", maintain_order="left")
    row = visits.select("van_id", "visit").join(
        drawn.select("van_id", "visit", "trace"), on=["van_id", "visit"], how="left", maintain_order="left"
    )
    traces = np.empty((drawn.height, 2, GRID), np.float32)
    for some in drawn.iter_slices(AT_A_TIME):
        traces[some["trace"].to_numpy()] = _traces_of(some, shapes)
    return Waveforms(traces, row["trace"].fill_null(2**31).cast(pl.Int64).replace(2**31, -1).to_numpy())


def _traces_of(captures: pl.DataFrame, shapes: pl.DataFrame | pl.LazyFrame) -> NDArray[np.float32]:
    """Both traces of some captures, the air flow over its level; NaN where nothing was recorded."""
    held_of = shapes_of(shapes, captures, TRACES)
    drawn = captures.select("capture_id").join(held_of, on="capture_id", how="left", maintain_order="left")
    traces = np.full((captures.height, 2, GRID), np.nan, np.float32)
    for k, name in enumerate(TRACES):
        held = (drawn[name].list.len() == GRID).fill_null(value=False)
        if held.any():
            flat = drawn[name].filter(held).explode().cast(pl.Float32).to_numpy()
            traces[held.to_numpy(), k] = flat.reshape(-1, GRID)
    flow = np.where(np.isfinite(traces[:, 0]), traces[:, 0], -np.inf)
    level = np.sort(flow, axis=1)[:, -5:].mean(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        traces[:, 0] /= np.where(np.isfinite(level) & (level > 0), level, np.nan)[:, None]
    return traces


def fit_shape(traces: NDArray[np.float32]) -> Any:
    """Robust PCA of healthy traces.

    Parameters
    ----------
    traces : ndarray of shape (n, GRID)
        One channel; NaN allowed. [flow over its level, 1/lambda or V]

    Returns
    -------
    sklearn.pipeline.Pipeline or None
        Median and spread of each grid point, then the main components of the traces scaled to unit length, so that an
        outlying one weighs no more than any other; None with too few traces.

    References
    ----------
    Spherical principal components: N. Locantore et al., Test 8 (1999) 1-73, DOI 10.1007/BF02595862 from memory.
    """
    from sklearn.decomposition import PCA
    from sklearn.pipeline import Pipeline
    from sklearn.preprocessing import RobustScaler

    known = traces[np.isfinite(traces).mean(axis=1) > 0.5]
    if len(known) < FEWEST_TRACES:
        return None
    known = np.where(np.isfinite(known).mean(axis=0) > 0.5, known, 0.0)  # few recordings reach the other points
    scaler = RobustScaler(unit_variance=True).fit(known)
    scaler.scale_ = np.maximum(scaler.scale_, LEAST_SPREAD)
    z = _scaled(scaler, known)
    length = np.linalg.norm(z, axis=1, keepdims=True)
    pca = PCA(n_components=COMPONENTS, svd_solver="covariance_eigh").fit(z / np.maximum(length, 1e-9))
    pca.mean_ = np.zeros(GRID)
    return Pipeline([("scale", scaler), ("components", pca)])


def _scaled(scaler: Any, traces: NDArray[np.float32]) -> Floats:
    z = np.asarray((traces - scaler.center_) / scaler.scale_, np.float64)
    return np.clip(np.where(np.isfinite(z), z, 0.0), -POINT_CLIP, POINT_CLIP)


def residual(model: Any, traces: NDArray[np.float32]) -> Floats:
    """Residual of traces about the components.

    Parameters
    ----------
    model : sklearn.pipeline.Pipeline
        As `fit_shape` returns.
    traces : ndarray of shape (n, GRID)
        One channel; NaN allowed. [flow over its level, 1/lambda or V]

    Returns
    -------
    ndarray of shape (n, GRID)
        NaN rows where less than half was recorded. [standard deviations]
    """
    z = _scaled(model["scale"], traces)
    axes = model["components"].components_
    left = z - (z @ axes.T) @ axes
    left[np.isfinite(traces).mean(axis=1) <= 0.5] = np.nan
    return np.asarray(left, np.float64)


def nonconformity(model: Any, waveforms: Waveforms, channel: int, rows: Codes, begin: Codes) -> tuple[Floats, Floats]:
    """Unexplained part of the recent waveforms, against the family and against the van's own first visits.

    Parameters
    ----------
    model : sklearn.pipeline.Pipeline
        Fitted on other vans.
    waveforms : Waveforms
        Of all visits.
    channel : int
        0 air flow, 1 lambda.
    rows, begin : ndarray of shape (n,), int
        Visits to judge, and the first visit of each one's van.

    Returns
    -------
    peer, own : ndarray of shape (n,)
        Logarithm of the mean square of the residual averaged over the last visits, and of its change since the first
        visits; NaN where there are none, or no first visits before the last. [1]
    """
    recent = rows[:, None] - np.arange(AVERAGED)
    first = begin[:, None] + np.arange(FIRST)
    recent = np.where(recent >= begin[:, None], recent, -1)
    first = np.where(first <= rows[:, None] - AVERAGED, first, -1)
    needed = np.unique(np.concatenate([recent.ravel(), first.ravel()]))
    needed = needed[needed >= 0]
    held = needed[waveforms.row[needed] >= 0]
    left = np.full((len(needed) + 1, GRID), np.nan)  # the last row stands for a visit without traces
    if held.size:
        left[np.searchsorted(needed, held)] = residual(model, waveforms.traces[waveforms.row[held], channel])

    def mean(place: Codes) -> tuple[Floats, Floats]:
        total, count = np.zeros((len(place), GRID)), np.zeros(len(place))
        for column in place.T:
            part = left[np.where(column >= 0, np.searchsorted(needed, np.maximum(column, 0)), len(needed))]
            known = np.isfinite(part[:, 0])
            total += np.where(known[:, None], part, 0.0)
            count += known
        return total / np.maximum(count, 1.0)[:, None], count

    now, now_n = mean(recent)
    then, then_n = mean(first)
    with np.errstate(divide="ignore", invalid="ignore"):
        # a mean of few visits is noisier: scale it to the full number
        peer = np.log(np.mean(now**2, axis=1)) - 0.5 * np.log(AVERAGED / now_n)
        change = np.log(np.mean((now - then) ** 2, axis=1) / (1.0 / now_n + 1.0 / then_n))
    return np.where(now_n > 0, peer, np.nan), np.where((now_n > 0) & (then_n > 1), change, np.nan)


def standard(values: Floats, healthy: Flags) -> Floats:
    """Values over the spread of the healthy ones, upper side only; 0 where unknown.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Values. [any unit]
    healthy : ndarray of shape (n,), bool
        Those that define the median and the spread.

    Returns
    -------
    ndarray of shape (n,)
        0 at or below the median, 1.28 at the 90 % quantile. [standard deviations]
    """
    known = values[healthy & np.isfinite(values)]
    if known.size < FEWEST_TRACES:
        return np.zeros(values.shape)
    middle, upper = np.quantile(known, (0.5, 0.9))
    spread = max((upper - middle) / 1.2816, 1e-9)
    return np.asarray(np.nan_to_num(np.maximum((values - middle) / spread, 0.0)))
