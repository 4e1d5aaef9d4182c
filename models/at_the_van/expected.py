"""What the next snap of a van should read: its own baseline and its family's level, and how far a snap may stand off."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import stdtrit

from data_contracts.signals import QUANTITIES, TRACKED, tracking_of
from models.reading.air_trace.throttle import UNKNOWN_OPEN_U
from models.statistics.arrays import Floats
from models.tracking.baseline import FEWEST_FOR_TAIL, USUAL_TAIL, FamilyLevel, family_level
from models.tracking.charts.chart_limits import VISIT_DEGREES
from models.tracking.scales import derivative, from_scale, to_scale

TOGETHER = 0.95
"""Share of healthy visits that lie within all their bands together: each band is widened for their number (Bonferroni).
Common practice, no source (2026-11-29). [1]"""
SETTLED_AFTER = 3
"""Visits of a van before its baseline says enough to measure scatter by. Common practice, no source (2026-11-29)."""
FAMILY_COUNTS = 10
"""Snaps of the van that weigh as much as the whole family's scatter. Common practice, no source (2026-11-29)."""

OF_THE_VAN = ("visit", "van")
"""Sources of a scatter from repeat to repeat that are the van's own."""

JUDGED: tuple[str, ...] = tuple(
    name
    for name in TRACKED
    if tracking_of(name).hurts is not None
    or tracking_of(name).register is not None
    or {"console", "board"} & set(QUANTITIES[name].shown)
)
"""Quantities that matter at the van: those with a limit, and those shown first; in the order of the nomenclature."""


@dataclass(frozen=True)
class Expectation:
    """What is expected of one quantity of a van.

    Attributes
    ----------
    baseline, baseline_u : float
        The van's own baseline and its standard uncertainty; NaN without visits of its own. [working scale]
    family : FamilyLevel or None
        Level and spread of the family's vans; None where no van of it was read.
    between, within : float
        Standard deviation of a visit about its van's baseline, and of one snap within a visit. [working scale]
    usual_u : float
        Standard uncertainty that readings usually have; it is part of the scatter. [working scale]
    last : float
        At the van's last visit; NaN without. [unit of the quantity]
    last_u : float
        Its standard uncertainty. [unit of the quantity]
    van_repeat_u, van_repeat_degrees : float
        From repeat to repeat, as published of the van's last visit from its own repeats, widened for few; NaN where it rests
        on the family's. [unit of the quantity] And how many beyond the first of each visit these are. [1]
    """

    baseline: float
    baseline_u: float
    family: FamilyLevel | None
    between: float
    within: float
    usual_u: float
    last: float
    last_u: float
    van_repeat_u: float = np.nan
    van_repeat_degrees: float = 0.0


@dataclass(frozen=True)
class Band:
    """Where a reading should lie.

    Attributes
    ----------
    expected, low, high : float
        [unit of the quantity]
    z : float
        How far the reading is from what is expected, in half-widths of the band: beyond 1 is outside. [1]
    """

    expected: float
    low: float
    high: float
    z: float


@dataclass(frozen=True)
class VanPast:
    """What is published of a van and its family.

    Attributes
    ----------
    van_id, family : str
    visits : int
        Visits of the van itself.
    last_week : str
        Week of its last visit; empty for none.
    vans : int
        Vans of the family with a visit.
    expected : mapping of str to Expectation
        By quantity of `JUDGED`, and those the van is on the list for.
    hold_s : float
        Usual hold of the van's snaps, or its family's without any; NaN where none is known. [s]
    """

    van_id: str
    family: str
    visits: int
    last_week: str
    vans: int
    expected: Mapping[str, Expectation]
    hold_s: float = np.nan


def past_of(
    van_id: str, family: str, captures: pl.DataFrame, trends: pl.DataFrame, listed: Sequence[str] = ()
) -> VanPast:
    """What the published tables let expect of a van.

    Parameters
    ----------
    van_id, family : str
    captures : polars.DataFrame
        van_id, week, visit, where published hold_s, and the quantities of `JUDGED` with their `_u`, of the accepted captures
        of the family.
    trends : polars.DataFrame
        van_id, week, quantity, value, value_u, baseline, baseline_u, alarm, onset_low, and where published repeat_u and
        repeat_from, of the family's vans.
    listed : sequence of str, optional
        Quantities that the van is on the list for: they matter too.

    Returns
    -------
    VanPast

    Notes
    -----
    Captures are compared as they were read, since conditions at the van are not brought to the week's. So the scatter
    holds weather, recorder and technician, and a band is as wide as single snaps have really been. Of a van whose
    quantity stood in alarm only the weeks before its change count.
    """
    mine = trends.filter(pl.col("van_id") == van_id)
    expected = {}
    for quantity in dict.fromkeys((*JUDGED, *listed)):
        rows = trends.filter((pl.col("quantity") == quantity) & pl.col("value").is_not_null())
        if rows.height and quantity in captures.columns:
            expected[quantity] = _expected(quantity, van_id, captures, rows.sort("van_id", "week"))
    return VanPast(
        van_id,
        family,
        mine["week"].n_unique(),
        str(mine["week"].max() or ""),
        trends["van_id"].n_unique(),
        expected,
        _usual_hold(van_id, captures),
    )


def _usual_hold(van_id: str, captures: pl.DataFrame) -> float:
    if "hold_s" not in captures.columns:
        return np.nan
    own = pl.col("hold_s").filter(pl.col("van_id") == van_id).median()
    return float(_number(captures.select(pl.coalesce(own, pl.col("hold_s").median())).item())[0])


def before_repair(
    van_id: str, repaired_on: str, last_days: Mapping[str, str], trends: pl.DataFrame
) -> dict[str, tuple[float, float]]:
    """What a van read at its last published visit before a repair.

    Parameters
    ----------
    van_id : str
    repaired_on : str
        ISO day. Recordings of that day may be of before or after, and do not count.
    last_days : mapping of str to str
        ISO day of the van's last recording in each ISO week.
    trends : polars.DataFrame
        van_id, week, quantity, value, value_u.

    Returns
    -------
    dict of str to (float, float)
        Value and standard uncertainty by quantity; empty without a visit from before. A week with a recording from after
        the repair is left out whole: its visit may mix both. [unit of the quantity]
    """
    weeks = [week for week, day in last_days.items() if day < repaired_on]
    rows = trends.filter(pl.col("van_id") == van_id, pl.col("value").is_not_null(), pl.col("week").is_in(weeks))
    return {
        row["quantity"]: (float(_number(row["value"])[0]), float(_number(row["value_u"])[0]))
        for row in rows.sort("week").iter_rows(named=True)
    }


def band(quantity: str, centre: float, sd: float, degrees: float, value: float, judged: int) -> Band:
    """Prediction interval of one reading.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    centre, sd : float
        Expected value and standard deviation of the reading about it. [working scale]
    degrees : float
        Degrees of freedom of the scatter; its tails are heavier than normal. [1]
    value : float
        The reading. [working scale]
    judged : int
        Readings judged together.

    Returns
    -------
    Band
        Centre ± Student's quantile times sd, such that `TOGETHER` of all readings judged lie within.
    """
    half = sd * float(stdtrit(degrees, 1.0 - 0.5 * (1.0 - TOGETHER) / max(judged, 1)))
    ends = from_scale(quantity, np.array([centre, centre - half, centre + half]))
    if tracking_of(quantity).scale != "plain":
        ends = np.maximum(ends, 0.0)  # flows, times and counts are never negative
    return Band(float(ends[0]), float(ends[1]), float(ends[2]), float((value - centre) / half))


def scatter_of_mean(of: Expectation, repeats: int) -> float:
    """Standard deviation of the middle of some repeats about the van's baseline. [working scale]"""
    few = 1.0 if repeats < 3 else np.pi / 2.0  # the median of normal values over their mean
    return float(np.hypot(of.between, of.within * np.sqrt(few / max(repeats, 1))))


def own_band(quantity: str, of: Expectation, value: float, u: float, repeats: int, judged: int) -> Band | None:
    """Band by the van's own past; None without.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    of : Expectation
    value, u : float
        The reading and its standard uncertainty. [working scale]
    repeats : int
        Snaps it is the middle of.
    judged : int
        Readings judged together.

    Returns
    -------
    Band or None
    """
    if not np.isfinite(of.baseline + of.baseline_u):
        return None
    sd = np.sqrt(scatter_of_mean(of, repeats) ** 2 + of.baseline_u**2 + _unusual2(of, u, repeats))
    alike = np.sqrt((VISIT_DEGREES - 2.0) / VISIT_DEGREES)  # Student's scale, from a standard deviation
    return band(quantity, of.baseline, float(sd * alike), VISIT_DEGREES, value, judged)


def family_band(quantity: str, of: Expectation, value: float, u: float, repeats: int, judged: int) -> Band | None:
    """Band by the vans of the family; None where none was read. Parameters as `own_band`."""
    if of.family is None:
        return None
    sd = np.sqrt(scatter_of_mean(of, repeats) ** 2 + of.family.spread**2 + of.family.u**2 + _unusual2(of, u, repeats))
    return band(quantity, of.family.level, float(sd), of.family.degrees, value, judged)


def _unusual2(of: Expectation, u: float, repeats: int) -> float:
    """Variance that a reading less certain than usual adds. [working scale²]"""
    return max(u**2 - of.usual_u**2, 0.0) / max(repeats, 1) if np.isfinite(u) else 0.0


def _expected(quantity: str, van_id: str, captures: pl.DataFrame, rows: pl.DataFrame) -> Expectation:
    """Expectation of one quantity of one van from its family's rows of trends, sorted by van and week."""
    least = tracking_of(quantity).least_change
    began = pl.col("onset_low").filter(pl.col("alarm")).min().over("van_id")
    calm = rows.with_columns(since=pl.int_range(pl.len()).over("van_id")).filter(
        ~pl.col("alarm") & (began.is_null() | (pl.col("week") < began)),
        pl.col("since") >= SETTLED_AFTER,
        pl.col("baseline").is_not_null(),
    )
    read = _known(captures, quantity)
    held = read.join(calm.select("van_id", "week", "baseline"), on=["van_id", "week"])
    away = to_scale(quantity, held[quantity].to_numpy()) - to_scale(quantity, held["baseline"].to_numpy())
    within = _within(quantity, read, least)
    of_family = _spread(away, max(1.3 * within, least))
    own = away[(held["van_id"] == van_id).to_numpy()]
    own = own[np.isfinite(own)]
    mixed2 = (own.size * _spread(own, of_family) ** 2 + FAMILY_COUNTS * of_family**2) / (own.size + FAMILY_COUNTS)
    total2 = max(mixed2, of_family**2)
    between = float(np.sqrt(max(total2 - within**2, 0.09 * total2, least**2)))
    values, vans = to_scale(quantity, rows["value"].to_numpy()), _codes(rows["van_id"])
    level = family_level(values, vans, scatter=max(between, least), spec=None)
    last = rows.filter(pl.col("van_id") == van_id).tail(1).to_dicts()
    newest = last[0] if last else {}
    baseline, baseline_u = _baseline(quantity, newest, level)
    every = to_scale(quantity, read[quantity].to_numpy())
    reported = read[f"{quantity}_u"].to_numpy() / np.maximum(np.abs(derivative(quantity, every)), 1e-12)
    usual_u = float(np.nanmedian(reported)) if np.isfinite(reported).any() else 0.0
    return Expectation(
        baseline=baseline,
        baseline_u=baseline_u,
        family=level if level.vans else None,
        between=between,
        within=within,
        usual_u=usual_u,
        last=float(_number(newest.get("value"))[0]),
        last_u=float(_number(newest.get("value_u"))[0]),
        van_repeat_u=float(_number(newest.get("repeat_u"))[0]) if newest.get("repeat_from") in OF_THE_VAN else np.nan,
        van_repeat_degrees=_repeat_degrees(read.filter(pl.col("van_id") == van_id), newest),
    )


def _repeat_degrees(read: pl.DataFrame, newest: Mapping[str, object]) -> float:
    """Repeats beyond the first of each visit that a van's scatter from repeat to repeat rests on: of the newest visit, or of
    all up to it; 0 where it rests on the family's."""
    if newest.get("repeat_from") not in OF_THE_VAN:
        return 0.0
    week = pl.lit(str(newest["week"]))
    rows = read.filter(pl.col("week") == week if newest["repeat_from"] == "visit" else pl.col("week") <= week)
    return float(rows.height - rows["visit"].n_unique())


def _baseline(quantity: str, newest: Mapping[str, object], family: FamilyLevel) -> tuple[float, float]:
    """The van's baseline and its uncertainty; where its few visits since a repair say less than its family does, both
    together. [working scale]"""
    baseline = to_scale(quantity, _number(newest.get("baseline")))
    steep = np.maximum(np.abs(derivative(quantity, baseline)), 1e-12)
    own, own_u = float(baseline[0]), float((_number(newest.get("baseline_u")) / steep)[0])
    of_family = float(np.hypot(family.spread, family.u))
    if not (np.isfinite(own_u) and np.isfinite(of_family) and own_u > of_family):
        return own, own_u
    weight = of_family**2 / (of_family**2 + own_u**2)
    return family.level + weight * (own - family.level), own_u * float(np.sqrt(weight))


def _known(captures: pl.DataFrame, quantity: str) -> pl.DataFrame:
    """Captures in which a quantity was read; a throttle opening only where a channel gave it."""
    read = captures.select("van_id", "week", "visit", pl.col(quantity, f"{quantity}_u").cast(pl.Float64))
    read = read.filter(pl.col(quantity).is_not_null() & pl.col(quantity).is_not_nan())
    return read.filter(pl.col("throttle_opened_u") <= UNKNOWN_OPEN_U) if quantity == "throttle_opened" else read


def _within(quantity: str, read: pl.DataFrame, least: float) -> float:
    """Standard deviation of the snaps of one visit, without the tenth of the visits that scatter most."""
    scaled = read.with_columns(pl.Series("y", to_scale(quantity, read[quantity].to_numpy())).fill_nan(None))
    visits = (
        scaled.group_by("van_id", "visit").agg(pl.col("y").var().alias("v"), (pl.col("y").count() - 1).alias("n"))
    ).drop_nulls()
    if visits.height < 5:
        return least
    kept = visits.filter(pl.col("v") <= visits["v"].quantile(0.9))
    return max(float(np.sqrt(np.average(kept["v"].to_numpy(), weights=kept["n"].to_numpy()))), 0.3 * least)


def _spread(away: Floats, usual: float) -> float:
    """Standard deviation about zero, from the middle and with many values from the 95 % quantile too, the larger;
    `usual` counts for ten values."""
    size = np.abs(away[np.isfinite(away)])
    if not size.size:
        return usual
    found = 1.4826 * float(np.median(size))
    if size.size >= FEWEST_FOR_TAIL:
        found = max(found, float(np.quantile(size, 0.95)) / USUAL_TAIL)
    return float(np.sqrt((size.size * found**2 + FAMILY_COUNTS * usual**2) / (size.size + FAMILY_COUNTS)))


def _codes(names: pl.Series) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    return np.asarray(names.rank("dense").to_numpy(), dtype=np.int64)


def _number(value: object) -> Floats:
    return np.array([float(value) if isinstance(value, int | float) else np.nan])
