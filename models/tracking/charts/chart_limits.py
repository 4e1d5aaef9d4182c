"""Limits of the control charts, by the share of a healthy van's visits they leave outside."""

import csv
import functools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.statistics.arrays import Floats
from models.statistics.student import quantile_ratio

VISIT_DEGREES = 5.0
"""Degrees of freedom of one visit's noise, whose tails are heavier than normal. Common practice, no source
(2026-11-25)."""


def tail_factor(spread: Floats) -> Floats:
    """Tail factor: how much wider than in the normal case a limit must be on an average of few heavy-tailed visits.

    Parameters
    ----------
    spread : ndarray
        In-control standard deviation of the average. [standard deviations]

    Returns
    -------
    ndarray
        At least 1: the ratio of Student's to the normal quantile at one in ten thousand. [1]
    """
    return np.asarray(np.interp(spread, *_tail_factors()))


@functools.cache
def _tail_factors() -> tuple[Floats, Floats]:
    """`tail_factor` at spreads from 0.02 to 1, which holds every average of the recursion; good to 1e-6 between."""
    spread = np.linspace(0.02, 1.0, 2000)
    return spread, quantile_ratio(1e-4, VISIT_DEGREES / spread**2)


@dataclass(frozen=True)
class Limits:
    """Limits of the fleet's two charts.

    Attributes
    ----------
    ewma_width : float
        Half-width in standard deviations of the average, times `tail_factor`. [1]
    cusum : float
        Decision interval. [standard deviations]
    """

    ewma_width: float
    cusum: float


@functools.cache
def _tabled() -> dict[str, tuple[Floats, Floats]]:
    with (Path(__file__).parent / "run_length.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return {
        chart: (
            np.array([math.log(float(r["share_outside"])) for r in rows if r["chart"] == chart]),
            np.array([float(r["limit"]) for r in rows if r["chart"] == chart]),
        )
        for chart in ("ewma", "cusum")
    }


def limits_for(share_outside: float) -> Limits:
    """Limits that a given share of a healthy van's visits exceeds.

    Parameters
    ----------
    share_outside : float
        Share of visits outside each of the two charts of one quantity. [1]

    Returns
    -------
    Limits
        From models/tracking/charts/run_length.csv, simulated with this recursion and with learned baselines; beyond the
        table, extrapolated linearly in the logarithm.
    """
    wanted = math.log(share_outside)
    found = []
    for chart in ("ewma", "cusum"):
        shares, limits = _tabled()[chart]
        rising = np.argsort(shares)
        s, lim = shares[rising], limits[rising]
        value = float(np.interp(wanted, s, lim))
        if wanted < s[0]:
            value = float(lim[0] + (wanted - s[0]) * (lim[1] - lim[0]) / (s[1] - s[0]))
        found.append(value)
    return Limits(*found)
