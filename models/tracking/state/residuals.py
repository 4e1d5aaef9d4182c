"""Residuals of each listed van, from what it is expected to read: what tracking hands to the causes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.statistics.arrays import Codes, Floats
from models.statistics.groups import middle_of
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.recursion import STRAYED, Followed
from models.tracking.restarts import HELD, REPAIRED
from models.tracking.scales import derivative, from_scale
from models.tracking.standardise import Standardised

PRESENT_VISITS = 4
"""Most visits the present level rests on; at least two where there are two. Common practice, no source (2026-11-25)."""
_REPEATS_OF = 4
"""Latest visits whose repeats tell how far they scatter now."""


@dataclass(frozen=True)
class Residuals:
    """Present level of each van against its expected level, at reference conditions.

    Attributes
    ----------
    van_ids : tuple of str
        Rows.
    quantities : tuple of str
        Columns, names of data_contracts/signals.py.
    expected : ndarray of shape (vans, quantities)
        Expected level: the van's own past, shrunk to the family. NaN where unknown. [unit of the quantity]
    shift : ndarray of shape (vans, quantities)
        Present level minus expected; NaN where not read. [unit of the quantity]
    shift_u : ndarray of shape (vans, quantities)
        Standard uncertainty of the shift. [unit of the quantity]
    scatter : ndarray of shape (vans, quantities)
        Scatter of recent repeats over the scatter expected of them; above 1 for a fault that comes and goes. [1]
    visits : ndarray of shape (vans,), int
        Visits the present level rests on.
    """

    van_ids: tuple[str, ...]
    quantities: tuple[str, ...]
    expected: Floats
    shift: Floats
    shift_u: Floats
    scatter: Floats
    visits: Codes

    def of_vans(self, van_ids: Sequence[str]) -> "Residuals":
        """The same of some of the vans, in their order."""
        place = {van_id: row for row, van_id in enumerate(self.van_ids)}
        rows = np.array([place[van_id] for van_id in van_ids], np.int64)
        tables = (getattr(self, name)[rows] for name in ("expected", "shift", "shift_u", "scatter", "visits"))
        return Residuals(tuple(van_ids), self.quantities, *tables)


def _present(std: Standardised, followed: Followed, alarms: Alarms, begin: Codes, end: Codes) -> Codes:
    """First of the visits that show each van's present state.

    An alarm comes a visit or more after the fault, because a chart holds single visits back. Of the last few visits,
    those count in which the quantities in alarm stand out most from the van's own baseline, or from the family where
    only the family shows it; at least two, where there are two.
    """
    place = end[:, None] - 1 - np.arange(PRESENT_VISITS)
    place = np.where(place >= begin[:, None], place, -1)
    return np.asarray(np.maximum(begin, end - _most_apart(std, followed, alarms, place, end - 1)))


def _most_apart(std: Standardised, followed: Followed, alarms: Alarms, place: Codes, last: Codes) -> Codes:
    """How many of some visits, from the newest back, stand out most in what is in alarm at each van's last visit.

    `place`, of shape (vans, visits), is -1 for no visit.
    """
    x = np.where((place >= 0)[:, :, None], std.x[place], np.nan)
    base = np.where(alarms.own[last], followed.baseline[last], 0.0)
    moved = (x - base[:, None]) / np.sqrt(std.variance[last])[:, None]
    read = np.isfinite(moved) & alarms.any[last][:, None]
    total, count = np.cumsum(np.where(read, moved, 0.0), axis=1), np.maximum(np.cumsum(read, axis=1), 1)
    return np.asarray(2 + np.argmax((total**2 / count).sum(axis=2)[:, 1:], axis=1))


def _read_before(
    std: Standardised, followed: Followed, alarms: Alarms, begin: Codes, window: Codes, end: Codes, within_weeks: int
) -> Codes:
    """Visits before the present ones, of shape (vans, `PRESENT_VISITS`), newest first and -1 for none, that read what is in
    alarm and the present ones could not read."""
    out = np.full((end.size, PRESENT_VISITS), -1)
    for v, (first, stop) in enumerate(zip(window.tolist(), end.tolist(), strict=True)):
        missed = alarms.any[stop - 1] & ~np.isfinite(std.x[first:stop]).any(axis=0)
        told = begin[v] + np.flatnonzero(np.isfinite(std.x[begin[v] : first][:, missed]).any(axis=1))
        if told.size:
            told = told[std.weeks[told] > std.weeks[told[-1]] - within_weeks][::-1][:PRESENT_VISITS]
            out[v, : told.size] = told
    number = _most_apart(std, followed, alarms, out, end - 1)
    return np.where(np.arange(PRESENT_VISITS) < number[:, None], out, -1)


def _rests_on(std: Standardised, window: Codes, end: Codes, before: Codes) -> tuple[Codes, Floats]:
    """Visits each van's present level rests on, oldest first, and their values; arrays of shape (vans, visits, quantities).

    What the present visits did not read rests on those before, if any, so that what one visit read stays together. Where
    there are fewer visits one is repeated, and counts as unread.
    """
    now = window[:, None] + np.arange(PRESENT_VISITS)
    there = np.isfinite(std.x[np.minimum(now, end[:, None] - 1)]).any(axis=1)
    older = (before[:, :1] >= 0) & ~there
    now, then = np.where(now < end[:, None], now, -1), before[:, ::-1]
    place = np.where(older[:, None], then[:, :, None], now[:, :, None])
    column = np.arange(len(std.quantities))
    x = np.where(place >= 0, std.x[place, column], np.nan)
    return np.where(place >= 0, place, place.max(axis=1, keepdims=True)), x


def _present_variance(x: Floats, variance: Floats) -> Floats:
    """Variance of the median of a few visits: the stated one, or the visits' own spread where that is wider.

    Arrays are of shape (vans, visits, quantities), NaN for unread; the result is of shape (vans, quantities). The
    stated variance counts as two visits, since the spread of two or three visits alone says little.
    """
    read = np.isfinite(x)
    count = np.maximum(read.sum(axis=1), 1)
    stated = np.where(read, variance, 0.0).sum(axis=1) / count
    middle = np.where(read, x, 0.0).sum(axis=1) / count
    own = np.where(read, (x - middle[:, None]) ** 2, 0.0).sum(axis=1)
    one = np.maximum(stated, (2.0 * stated + own) / (count + 1.0))
    return np.asarray(one / count * np.where(count < 3, 1.0, np.pi / 2))


def residuals_of(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    repeats: pl.DataFrame,
    van_ids: list[str],
    *,
    within_weeks: int,
) -> Residuals:
    """Present level of listed vans against what they are expected to read.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms
        Their charts and alarms.
    repeats : polars.DataFrame
        As `latest_repeats` returns.
    van_ids : list of str
        Rows wanted, in order.
    within_weeks : int
        Readings of what only earlier visits read are taken from so many weeks together. [weeks]

    Returns
    -------
    Residuals
        Every quantity is the median of the same few last visits, those in which the van's alarms stand out most, so
        that the pattern over the quantities belongs to one time; none of them lies before the van's last repair. What is in
        alarm but was read by none of them is taken from the last visits that read it, together with what else only these
        read. A van that has stood apart from its family since its
        first visits is compared with the family, not with itself. Where the van's visits, or the repeats of a visit,
        disagree more than usual, the uncertainty of the shift is larger.
    """
    names = std.visits["van_id"].gather(std.starts[:-1]).to_list()
    number = {name: v for v, name in enumerate(names)}
    vans = np.array([number[van_id] for van_id in van_ids], np.int64)
    end, f = std.starts[vans + 1], std.family[std.starts[vans]]
    begin = _since_repair(std, vans)
    window = _present(std, followed, alarms, begin, end)
    before = _read_before(std, followed, alarms, begin, window, end, within_weeks)
    place, x = _rests_on(std, window, end, before)
    read = np.isfinite(x)
    column = np.arange(len(std.quantities))
    first = np.take_along_axis(place, np.argmax(read, axis=1)[:, None], axis=1)[:, 0]
    last = np.take_along_axis(place, PRESENT_VISITS - 1 - np.argmax(read[:, ::-1], axis=1)[:, None], axis=1)[:, 0]
    sigma, centre, spread = std.scatter[f], *(table[f] for table in _level_tables(std))
    base, base_p = followed.baseline[first, column], followed.baseline_variance[first, column]
    stood = alarms.peer[last, column] & (np.abs(base) > STRAYED * spread)
    base, base_p = np.where(stood, 0.0, base), np.where(stood, spread**2, base_p)
    present = middle_of(x)
    shift_p = _present_variance(x, std.variance[place, column]) + base_p
    expected, shift, steep = (np.full(base.shape, np.nan) for _ in range(3))
    for q, quantity in enumerate(std.quantities):
        from_level = centre[:, q] + sigma[:, q] * base[:, q]
        expected[:, q], steep[:, q] = from_scale(quantity, from_level), derivative(quantity, from_level)
        shift[:, q] = from_scale(quantity, centre[:, q] + sigma[:, q] * present[:, q]) - expected[:, q]
    shift_u = np.sqrt(shift_p) * sigma * steep
    usual = std.repeat_share[f] * sigma * steep
    seen = _repeats_of(repeats, van_ids, std.quantities, std.visits["captured_at"].gather(begin))
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.where(usual > 0, seen / usual, np.nan)
        excess = np.maximum(scatter**2 - 1.0, 0.0) * usual**2 / np.maximum(read.sum(axis=1), 1)
    shift_u = np.sqrt(shift_u**2 + np.nan_to_num(excess))
    unread = ~read.any(axis=1)
    for part in (expected, shift, shift_u, scatter):
        part[unread] = np.nan
    return Residuals(tuple(van_ids), std.quantities, expected, shift, shift_u, scatter, end - window)


def _level_tables(std: Standardised) -> tuple[Floats, Floats]:
    """Level and spread of healthy vans of each family and quantity. [working scale], [scatters]"""
    level, spread = np.full(std.scatter.shape, np.nan), np.full(std.scatter.shape, np.nan)
    for at, healthy in std.levels.items():
        level[at], spread[at] = healthy.level, healthy.spread / std.scatter[at]
    return level, spread


def _since_repair(std: Standardised, vans: Codes) -> Codes:
    """First visit of some vans after their last repair, or of all; a repair that touched nothing is none."""
    touched = ((std.restart == REPAIRED) | (std.restart == HELD)).any(axis=1)
    begins = np.where(touched, np.arange(touched.size), std.starts[:-1][std.van])
    return np.asarray(np.maximum.accumulate(begins)[std.starts[vans + 1] - 1])


def together(parts: Sequence[Residuals]) -> Residuals:
    """Residuals of some vans after those of others; the quantities are the same.

    Parameters
    ----------
    parts : sequence of Residuals
        At least one.

    Returns
    -------
    Residuals
    """
    tables = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("expected", "shift", "shift_u", "scatter", "visits")
    )
    return Residuals(tuple(van_id for part in parts for van_id in part.van_ids), parts[0].quantities, *tables)


def latest_repeats(repeats: pl.DataFrame) -> pl.DataFrame:
    """What `residuals_of` takes of the repeats: those of each van's last visits.

    Parameters
    ----------
    repeats : polars.DataFrame
        As `models.tracking.visits.repeat_spread` returns.

    Returns
    -------
    polars.DataFrame
        In the order of van and time.
    """
    return repeats.sort("van_id", "captured_at").group_by("van_id", maintain_order=True).tail(_REPEATS_OF)


def _repeats_of(repeats: pl.DataFrame, van_ids: list[str], quantities: tuple[str, ...], since: pl.Series) -> Floats:
    """Root mean square of the repeats' standard deviation over each van's last `_REPEATS_OF` visits since a moment; NaN for none.
    [unit of the quantity]"""
    wanted_since = pl.DataFrame({"van_id": van_ids, "since": since}, schema_overrides={"van_id": pl.String})
    recent = (
        repeats.join(wanted_since, on="van_id")
        .filter(pl.col("captured_at") >= pl.col("since"))
        .sort("van_id", "captured_at")
        .group_by("van_id")
        .tail(_REPEATS_OF)
    )
    scatter = recent.group_by("van_id").agg((pl.col(q).fill_nan(None) ** 2).mean().sqrt() for q in quantities)
    wanted = pl.DataFrame({"van_id": van_ids}, schema={"van_id": pl.String}).join(
        scatter, on="van_id", how="left", maintain_order="left"
    )
    return wanted.select(pl.col(quantities).cast(pl.Float64)).to_numpy().reshape(len(van_ids), len(quantities))
