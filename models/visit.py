"""Repeats to visits: one value per visit and quantity, the representative repeat, and how far repeats and visits scatter."""

import warnings
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.errors import NotEnoughDataError
from data_contracts.signals import TRACKED

Array = NDArray[np.float64]

COUNTS: frozenset[str] = frozenset(name for name in TRACKED if name.endswith("lean_needles"))
"""Quantities averaged over the repeats: a fault that comes and goes would hide from a median."""

MAIN_PEAK = "main_peak_reference_g_s"
CONDITIONS = ("intake_air_c", "barometer_kpa", "humidity_pct", "altitude_m", "coolant_c")


def tracked_captures(frame: pl.DataFrame) -> pl.DataFrame:
    """The captures that are tracked, in an order that does not depend on the order delivered.

    Parameters
    ----------
    frame : polars.DataFrame
        Captures joined with their readings.

    Returns
    -------
    polars.DataFrame
        Without grade `repeat`, sorted by van, time and capture.
    """
    return frame.filter(pl.col("grade") != "repeat").sort("van_id", "captured_at", "capture_id")


def visits_of(captures: pl.DataFrame) -> pl.DataFrame:
    """One row per van and week: the week's last visit, each quantity the median of its repeats (counts: the mean).

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.

    Returns
    -------
    polars.DataFrame
        van_id, family, depot, week, visit, captured_at, repeats, conditions (median), recorder_serial, ecu_software, fuel,
        hold_s, length_s, rate_hz, and for each tracked quantity its value, `<name>_u` (median of the repeats' uncertainty) and `<name>_n`
        (repeats read). What fewer than half of the repeats could tell is null. main_peak_g_s stands under the main peak's tracked name. Sorted by van and time.
    """
    present = [name for name in TRACKED if name in captures.columns]
    level = [
        pl.col(source).mean().alias(name) if name in COUNTS else pl.col(source).median().alias(name)
        for name, source in ((n, "main_peak_g_s" if n == MAIN_PEAK else n) for n in present)
    ]
    spread = [
        pl.col("main_peak_g_s_u" if name == MAIN_PEAK else name + "_u").median().alias(name + "_u") for name in present
    ]
    counts = [
        pl.col("main_peak_g_s" if name == MAIN_PEAK else name).count().cast(pl.Int32).alias(name + "_n")
        for name in present
    ]
    per_visit = captures.group_by("van_id", "visit", maintain_order=True).agg(
        pl.col("captured_at").max(),
        *(pl.col(name).first() for name in ("family", "depot")),
        pl.col("week").max(),
        pl.len().cast(pl.Int32).alias("repeats"),
        *(pl.col(name).median() for name in (*CONDITIONS, "hold_s", "length_s", "rate_hz")),
        *(pl.col(name).drop_nulls().last() for name in ("recorder_serial", "ecu_software", "fuel")),
        *level,
        *spread,
        *counts,
    )
    half_read = [
        pl.when(2 * pl.col(name + "_n") >= pl.col("repeats")).then(pl.col(name)).alias(name) for name in present
    ]
    return (
        per_visit.with_columns(half_read)
        .sort("van_id", "captured_at", "visit")
        .unique(["van_id", "week"], keep="last", maintain_order=True)
        .sort("van_id", "captured_at")
    )


def repeat_spread(captures: pl.DataFrame) -> pl.DataFrame:
    """Standard deviation of the repeats within each visit, for the families' repeatability.

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.

    Returns
    -------
    polars.DataFrame
        van_id, visit, family, captured_at, and for each tracked quantity the standard deviation of its repeats. [unit of the quantity]
    """
    present = [name for name in TRACKED if name in captures.columns]
    return captures.group_by("van_id", "visit", maintain_order=True).agg(
        pl.col("family").first(),
        pl.col("captured_at").max(),
        *(pl.col("main_peak_g_s" if name == MAIN_PEAK else name).std().alias(name) for name in present),
    )


@dataclass(frozen=True)
class VarianceComponents:
    """How far repeats of a visit, visits of a van and vans of a family scatter.

    Attributes
    ----------
    repeats, visits, vans : float
        Standard deviations. [unit of the quantity]
    """

    repeats: float
    visits: float
    vans: float


def variance_components(values: Array, van: NDArray[np.int64], visit: NDArray[np.int64]) -> VarianceComponents:
    """Nested variance components by moments; unbalanced data allowed, negative components are 0.

    Parameters
    ----------
    values : ndarray of shape (captures,)
        One quantity; NaN left out. [any unit]
    van, visit : ndarray of shape (captures,), int
        Codes; visits of different vans have different codes.

    Returns
    -------
    VarianceComponents

    Raises
    ------
    NotEnoughDataError
        With no visit of two repeats, no van of two visits, or fewer than two vans.

    References
    ----------
    Nested analysis of variance by expected mean squares (textbook; balanced case in NIST/SEMATECH e-Handbook 2.4).
    """
    keep = np.isfinite(values)
    x = values[keep]
    visits, visit_code = np.unique(visit[keep], return_inverse=True)
    first = np.zeros(visits.size, np.int64)
    first[visit_code] = van[keep]
    vans, van_code = np.unique(first, return_inverse=True)
    n = np.bincount(visit_code).astype(np.float64)
    if x.size <= visits.size or visits.size <= vans.size or vans.size < 2:
        raise NotEnoughDataError(
            f"{x.size} captures of {visits.size} visits of {vans.size} vans: "
            "variance components need repeats, visits and vans of at least two"
        )
    visit_mean = np.bincount(visit_code, x) / n
    van_n = np.bincount(van_code, n)
    van_mean = np.bincount(van_code, n * visit_mean) / van_n
    total = n.sum()
    mean_square_repeats = np.sum((x - visit_mean[visit_code]) ** 2) / (total - visits.size)
    mean_square_visits = np.sum(n * (visit_mean - van_mean[van_code]) ** 2) / (visits.size - vans.size)
    mean_square_vans = np.sum(van_n * (van_mean - x.mean()) ** 2) / (vans.size - 1)
    inside = np.bincount(van_code, n**2) / van_n
    repeats_per_visit = (total - inside.sum()) / (visits.size - vans.size)
    repeats_across = (inside.sum() - np.sum(n**2) / total) / (vans.size - 1)
    repeats_per_van = (total - np.sum(van_n**2) / total) / (vans.size - 1)
    between_visits = max((mean_square_visits - mean_square_repeats) / repeats_per_visit, 0.0)
    between_vans = max(
        (mean_square_vans - mean_square_repeats - repeats_across * between_visits) / repeats_per_van, 0.0
    )
    return VarianceComponents(
        float(np.sqrt(mean_square_repeats)), float(np.sqrt(between_visits)), float(np.sqrt(between_vans))
    )


def effective_degrees_of_freedom(u: Array, degrees: Array) -> float:
    """Degrees of freedom of a combined standard uncertainty.

    Parameters
    ----------
    u, degrees : ndarray of shape (components,)
        Contributions to the combined standard uncertainty, and their degrees of freedom (infinity allowed).

    Returns
    -------
    float

    References
    ----------
    Welch–Satterthwaite formula: JCGM 100:2008 (GUM), G.4.1.
    """
    contributions = np.asarray(u, np.float64)
    return float(np.sum(contributions**2) ** 2 / np.sum(contributions**4 / np.asarray(degrees, np.float64)))


def medoid(points: Array) -> int:
    """The member of a set nearest to all the others; of equals the first.

    Parameters
    ----------
    points : ndarray of shape (members, features)
        Aligned waveforms or standardised readings; a NaN feature is left out of a pair's distance.

    Returns
    -------
    int
        Its row.
    """
    if len(points) < 3:  # two members are equally far from each other
        return 0
    gaps = np.abs(points[:, None, :] - points[None, :, :])
    known = np.isfinite(gaps)
    shared = known.sum(axis=2)
    distance = np.where(shared > 0, np.where(known, gaps, 0.0).sum(axis=2) / np.maximum(shared, 1), 0.0)
    return int(np.argmin(distance.sum(axis=1)))


def representatives(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> set[str]:
    """The representative repeat of each visit: the medoid of its aligned waveforms, or of its readings without them.

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.
    shapes : polars.DataFrame or None
        Rows of the shapes table; captures without one are judged by their readings.

    Returns
    -------
    set of str
        One capture_id per visit.
    """
    present = [name for name in TRACKED if name in captures.columns]
    values = captures.select(present).to_numpy()
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a quantity nobody read has no scale
        scale = (
            np.nanmedian(np.abs(values - np.nanmedian(values, axis=0)), axis=0)
            if len(values)
            else np.ones(len(present))
        )
    points = values / np.where(scale > 0, scale, np.inf)
    traces: dict[str, Array] = {}
    if shapes is not None and shapes.height:
        airflow = np.array(shapes["airflow"].to_list(), dtype=np.float64)
        traces = dict(zip(shapes["capture_id"].to_list(), airflow, strict=True))
    ids = captures["capture_id"].to_list()
    rows: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(captures["van_id"].to_list(), captures["visit"].to_list(), strict=True)):
        rows.setdefault(key, []).append(row)
    chosen: set[str] = set()
    for members in rows.values():
        if len(members) < 3:
            chosen.add(ids[members[0]])
        elif all(ids[row] in traces for row in members):
            chosen.add(ids[members[medoid(np.stack([traces[ids[row]] for row in members]))]])
        else:
            chosen.add(ids[members[medoid(points[members])]])
    return chosen
