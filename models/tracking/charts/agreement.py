"""A single visit that is evidence enough: several quantities far outside, and every repeat says so."""

import numpy as np
import polars as pl

from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.charts.recursion import Followed
from models.tracking.restarts import CHANGED, REPAIRED
from models.tracking.scales import derivative
from models.tracking.standardise import Standardised

FAR, SEVERAL = 3.5, 2
"""So many quantities, each so far outside by its nearest repeat, are evidence at one visit; one alone may be a bad contact. Of 7,208
visits of healthy vans of four sample fleets (seeds 900, 901, 903 and 904, every third week, baseline made) one had that, the others at most
3.3; of first visits after a step 41 in a hundred, of those two weeks or more into a growing fault 36. Where visits scatter with five degrees
of freedom and repeats share it, 2 in 3,237. By the middle of two repeats one healthy visit in a hundred is beyond 15 in some quantity: one
snap was spoiled (2026-11-29). [standard deviations], [1]"""
BASELINE_VISITS = 4
"""Visits that read a quantity before its van's own baseline is relied on. Common practice, no source (2026-11-29)."""


def repeats_apart(std: Standardised, repeats: pl.DataFrame, captures: pl.DataFrame) -> Floats:
    """How far the farthest repeat of a visit may lie from the visit's value.

    Parameters
    ----------
    std : Standardised
        Visits.
    repeats : polars.DataFrame
        As `models.tracking.visits.repeat_spread` returns.
    captures : polars.DataFrame
        As `models.tracking.visits.tracked_captures` returns: van_id, visit, grade.

    Returns
    -------
    ndarray of shape (visits, quantities)
        Infinite where fewer than two repeats read the quantity, and of visits whose captures were sent back. [scatters]

    Notes
    -----
    Two repeats lie a standard deviation over √2 from their middle; of n, none lies farther than √n of them from the median (reached
    where the others are all alike).
    """
    names = list(std.quantities)
    sent_back = captures.group_by("van_id", "visit").agg(sent_back=(pl.col("grade") == "repeat").any())
    seen = (
        std.visits.select("van_id", "visit")
        .join(
            repeats.select("van_id", "visit", pl.col(names).cast(pl.Float64)),
            on=["van_id", "visit"],
            how="left",
            maintain_order="left",
        )
        .join(sent_back, on=["van_id", "visit"], how="left", maintain_order="left")
    )
    read = np.maximum(std.visits.select(name + "_n" for name in names).to_numpy(), 1)
    widest = np.where(read > 2, np.sqrt(read), np.sqrt(0.5))
    spread = seen.select(names).to_numpy().reshape(std.x.shape)
    steep = np.column_stack([derivative(name, std.scaled[:, q]) for q, name in enumerate(names)])
    with np.errstate(invalid="ignore", divide="ignore"):
        apart = spread / np.maximum(np.abs(steep), 1e-12) / std.scatter[std.family] * widest
    known = (read > 1) & np.isfinite(apart) & ~seen["sent_back"].fill_null(True).to_numpy()[:, None]
    return np.where(known, apart, np.inf)


def far_at_once(std: Standardised, followed: Followed, apart: Floats, restless: Floats) -> Flags:
    """Quantities far outside at a visit by every repeat, where several are.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed : Followed
        The recursion over them.
    apart : ndarray of shape (visits, quantities)
        As `repeats_apart` returns.
    restless : ndarray of shape (visits, quantities)
        Excess dispersion of the van. [1]

    Returns
    -------
    ndarray of shape (visits, quantities)
    """
    with np.errstate(invalid="ignore"):
        usual = np.sqrt(std.variance + followed.baseline_variance)
        nearest = (np.abs(followed.z) - apart / usual) / restless
        far = (nearest > FAR) & (_read_before(std) >= BASELINE_VISITS)
    return np.asarray(far & (far.sum(axis=1) >= SEVERAL)[:, None])


def _read_before(std: Standardised) -> Codes:
    """Visits that read each quantity before a visit, since the van's first or since its baseline started again."""
    read = np.isfinite(std.x)
    before = np.cumsum(read, axis=0) - read
    again = (std.restart == CHANGED) | (std.restart == REPAIRED)
    again[std.starts[:-1]] = True
    return np.asarray(before - np.maximum.accumulate(np.where(again, before, 0), axis=0))
