"""The record of a quantity at a visit: what is said of it, wherever it is said.

List, board, order, warranty file and CSV state these figures and make none of their own. Level, slope, onset and limit are of
one posterior (`models/tracking/charts/onset.py`) where the quantity moves, and of the local trend where it does not.
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.weeks import week_name
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.forecast import Forecast
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import RepeatabilityAlarms
from models.tracking.covariates import COVARIATES
from models.tracking.repeats import RepeatScatter, covering
from models.tracking.restarts import CHANGED, HELD, NO_RESTART, REPAIRED, touched_quantities
from models.tracking.scales import derivative, from_scale, scale_of
from models.tracking.standardise import Standardised

_STILL = np.zeros(len(COVARIATES))
_NINETEEN_IN_TWENTY = 1.959964
Columns = dict[str, Floats | Flags | pl.Series]


class Judged(NamedTuple):
    """What was found at all visits; `scatter` is from repeat to repeat, by quantity."""

    std: Standardised
    followed: Followed
    alarms: Alarms
    forecasts: FleetForecast
    repeatability: RepeatabilityAlarms
    scatter: Mapping[str, RepeatScatter]


def record_of(judged: Judged, rows: Codes, q: int) -> Columns:
    """The record of one quantity at some visits.

    Parameters
    ----------
    judged : Judged
    rows : ndarray of shape (n,), int
        Visits.
    q : int
        Quantity number.

    Returns
    -------
    dict of str to array of shape (n,)
        Columns of the trends table from `value` to `after_repair`. The expected range is that by which the visit's value was
        judged: |z| is below 1.96 within it. [unit of the quantity]
    """
    std, followed = judged.std, judged.followed
    quantity, f, centre = std.quantities[q], std.family[rows], _centre(std, rows, q)
    sigma, scaled, before = std.scatter[f, q], std.scaled[rows, q], followed.baseline[rows, q]
    expected = scaled - sigma * (std.x[rows, q] - before)  # with the shifts that the visit shares with others
    half = _NINETEEN_IN_TWENTY * sigma * np.sqrt(std.variance[rows, q] + followed.baseline_variance[rows, q])
    steep = derivative(quantity, centre + sigma * before)
    apart = _repeats(judged, rows, q)
    return {
        "value": from_scale(quantity, scaled),
        "value_u": _value_u(judged, rows, q, apart),
        **apart,
        "baseline_u": np.sqrt(followed.baseline_variance[rows, q]) * sigma * steep,
        "shared_shift": from_scale(quantity, scaled) - from_scale(quantity, centre + sigma * std.x[rows, q]),
        "expected_low": _natural(quantity, expected - half),
        "expected_high": _natural(quantity, expected + half),
        **_standing(judged, rows, q),
        **_segment(std, rows, q),
    }


class Standing:
    """How quantities stand at some visits: what their facts are made of. Each quantity is worked out once for all of them.

    Parameters
    ----------
    judged : Judged
    rows : ndarray of shape (n,), int
        Visits, rising.
    """

    def __init__(self, judged: Judged, rows: Codes) -> None:
        self._judged, self._rows = judged, rows
        self._columns: dict[int, Columns] = {}

    def at(self, row: int, q: int) -> dict[str, Any]:
        """How one quantity stands at one visit.

        Parameters
        ----------
        row, q : int
            Visit and quantity; the visit need not have read it, where what was read before still stands.

        Returns
        -------
        dict of str to object
            Of the columns of `record_of`: level, baseline, change, slope, movement and limits.
        """
        if q not in self._columns:
            self._columns[q] = _standing(self._judged, self._rows, q)
        place = int(np.searchsorted(self._rows, row))
        return {name: values[place] for name, values in self._columns[q].items()}


def level_at(judged: Judged, row: int, q: int) -> float:
    """The present level of one quantity at one visit. [unit of the quantity]"""
    std = judged.std
    scaled = _centre(std, np.array([row]), q) + std.scatter[std.family[row], q] * judged.forecasts.level[row, q]
    return float(_natural(std.quantities[q], scaled)[0])


def _standing(judged: Judged, rows: Codes, q: int) -> Columns:
    """Level, baseline, slope, movement, limits, alarm and onset. [unit of the quantity]"""
    std, followed, forecasts = judged.std, judged.followed, judged.forecasts
    quantity, f, centre = std.quantities[q], std.family[rows], _centre(std, rows, q)
    sigma, now = std.scatter[f, q], forecasts.level[rows, q]
    level, baseline = (_natural(quantity, centre + sigma * each) for each in (now, followed.baseline[rows, q]))
    steep = derivative(quantity, centre + sigma * now) * sigma
    slope, slope_u = forecasts.drift(followed, rows, q)
    limits = np.array([forecasts.limits.get((g, q), (np.nan, np.nan)) for g in range(len(std.families))])[f]
    return {
        "level": level,
        "level_u": forecasts.level_u[rows, q] * steep,
        "baseline": baseline,
        "change": level - baseline,
        "peer_baseline": _natural(quantity, centre),
        "slope_per_week": slope * steep,
        "slope_low": (slope - _NINETEEN_IN_TWENTY * slope_u) * steep,
        "slope_high": (slope + _NINETEEN_IN_TWENTY * slope_u) * steep,
        "movement": _movement(judged, rows, q, slope, slope_u),
        "limit_low": limits[:, 0],
        "limit_high": limits[:, 1],
        "limit_state": _limit_state(forecasts, rows, q),
        **_crossings(forecasts.by_quantity.get(q), rows),
        **_alarm(judged, rows, q),
        "onset_week": _weeks_named(forecasts.onset[rows, q]),
        "onset_low": _weeks_named(forecasts.onset_low[rows, q]),
        "onset_high": _weeks_named(forecasts.onset_high[rows, q]),
    }


def _centre(std: Standardised, rows: Codes, q: int) -> Floats:
    """Level of each visit's family; NaN where it has none. [working scale]"""
    levels = [std.levels[g, q].level if (g, q) in std.levels else np.nan for g in range(len(std.families))]
    return np.array(levels)[std.family[rows]]


def _natural(quantity: str, scaled: Floats) -> Floats:
    """In the unit of the quantity; flows, times and counts are never negative."""
    values = from_scale(quantity, scaled)
    return values if scale_of(quantity) == "plain" else np.maximum(values, 0.0)


def _value_u(judged: Judged, rows: Codes, q: int, apart: Columns) -> Floats:
    """Standard uncertainty of the visits' values; it covers the traces and the scatter of repeats and of visits. [unit of the
    quantity]"""
    std = judged.std
    quantity, f = std.quantities[q], std.family[rows]
    slopes = [
        std.covariate_slopes[g, q].mean if (g, q) in std.covariate_slopes else _STILL for g in range(len(std.families))
    ]
    steep = derivative(quantity, std.scaled[rows, q])
    own_u = covering(quantity, apart["trace_u"], apart["repeat_u"], apart["repeats"])  # type: ignore[arg-type]
    air_u = np.sqrt(np.sum((std.conditions_u[rows] * np.array(slopes)[f]) ** 2, axis=1))
    return np.asarray(
        np.maximum(np.sqrt(std.variance[rows, q]) * std.scatter[f, q] * steep, np.hypot(own_u, air_u * steep))
    )


def _repeats(judged: Judged, rows: Codes, q: int) -> Columns:
    """Of the trace and from repeat to repeat, and what that rests on. [unit of the quantity]"""
    quantity, visits = judged.std.quantities[q], judged.std.visits
    every = judged.scatter[quantity]
    scatter = RepeatScatter(every.u[rows], every.source[rows])
    return {
        "trace_u": visits[quantity + "_u"][rows].cast(pl.Float64).to_numpy(),
        "repeat_u": scatter.u,
        "repeats": visits[quantity + "_n"][rows].to_numpy(),
        "repeat_from": scatter.source_names(),
    }


def _movement(judged: Judged, rows: Codes, q: int, slope: Floats, slope_u: Floats) -> pl.Series:
    """How what is in alarm moves: words of `MOVEMENTS`; null without an alarm or where nothing tells."""
    forecasts = judged.forecasts
    going, stepped = forecasts.moving[rows, q], forecasts.stepped[rows, q]
    away = np.sign(forecasts.level[rows, q] - judged.followed.baseline[rows, q])
    sure = np.abs(slope) > _NINETEEN_IN_TWENTY * slope_u
    with np.errstate(invalid="ignore"):
        goes_on = going >= 0.5
        word = np.select(
            [goes_on & sure & (np.sign(slope) == away), goes_on & sure, stepped >= 0.5, ~goes_on],
            ["drifting", "returning", "stepped", "rested"],
            "unclear",
        )
    known = judged.alarms.any[rows, q] & np.isfinite(going)
    return pl.Series(word).set(pl.Series(~known), None)


def _limit_state(forecasts: FleetForecast, rows: Codes, q: int) -> pl.Series:
    """Words of `LIMIT_STATES`; null where no limit is known."""
    if q not in forecasts.by_quantity:
        return pl.repeat(None, rows.size, dtype=pl.String, eager=True)
    weeks = forecasts.by_quantity[q].median[rows]
    word = np.select([weeks <= 0.0, np.isfinite(weeks)], ["crossed", "ahead"], "not_in_sight")
    return pl.Series(word).set(pl.Series(np.isnan(weeks)), None)


def _crossings(forecast: Forecast | None, rows: Codes) -> Columns:
    """Weeks to a limit and the probabilities of crossing; NaN where no limit is known."""
    found = {
        "weeks_to_limit_low": "low",
        "weeks_to_limit": "median",
        "weeks_to_limit_high": "high",
        "cross_within_4": "within_4",
        "cross_within_8": "within_8",
        "cross_within_13": "within_13",
    }
    nothing = np.full(rows.size, np.nan)
    return {name: nothing if forecast is None else getattr(forecast, part)[rows] for name, part in found.items()}


def _alarm(judged: Judged, rows: Codes, q: int) -> Columns:
    """Whether an alarm stands, on the value or on its repeats, and since which week."""
    std, alarms, repeatability = judged.std, judged.alarms, judged.repeatability
    since, outside = alarms.since[rows, q], np.zeros(rows.size, bool)
    if std.quantities[q] in repeatability.quantities:
        k = repeatability.quantities.index(std.quantities[q])
        outside, began = repeatability.alarm[rows, k], repeatability.since[rows, k]
        since = np.where(outside & ((since < 0) | (began < since)), began, since)
    return {
        "alarm": alarms.any[rows, q] | outside,
        "alarm_since": std.visits["week"].gather(np.maximum(since, 0)).set(pl.Series(since < 0), None),
        "unsteady": outside,
    }


def _segment(std: Standardised, rows: Codes, q: int) -> Columns:
    """From which week on the present segment counts, and what the repair before it came to."""
    marks = np.where(std.restart[:, q] != NO_RESTART, np.arange(std.van.size), std.starts[:-1][std.van])
    began = np.maximum.accumulate(marks)[rows]
    kind = std.restart[began, q]
    since = std.visits["week"].gather(began).set(pl.Series(kind == NO_RESTART), None)
    word = np.select([kind == REPAIRED, kind == HELD], ["fresh", "stayed"], "")
    return {
        "segment_since": since,
        "after_repair": pl.Series(word).set(pl.Series((kind == NO_RESTART) | (kind == CHANGED)), None),
    }


def repaired_since(trends: pl.DataFrame, visits: pl.DataFrame, repairs: pl.DataFrame) -> pl.DataFrame:
    """Marks what was repaired after the last visit that read it, and not recorded again.

    Parameters
    ----------
    trends : polars.DataFrame
        Rows of the trends table.
    visits : polars.DataFrame
        van_id, week, captured_at.
    repairs : polars.DataFrame
        As `models.tracking.restarts.restarts_of` takes them.

    Returns
    -------
    polars.DataFrame
        The rows, with `after_repair` awaited where that is so: nothing said of such a row describes the van as it is now.
    """
    done = pl.DataFrame(
        list(_latest_of(repairs)),
        schema={"van_id": pl.String, "quantity": pl.String, "done": pl.Datetime("us", "UTC")},
        orient="row",
    )
    if not done.height:
        return trends
    last = trends.group_by("van_id", "quantity").agg(pl.col("week").max())
    seen = last.join(
        visits.select("van_id", "week", pl.col("captured_at").cast(pl.Datetime("us", "UTC"))), on=["van_id", "week"]
    )
    waits = seen.join(done, on=["van_id", "quantity"]).filter(pl.col("done") > pl.col("captured_at"))
    marked = trends.join(
        waits.select("van_id", "quantity", "week", waits=pl.lit(True)),
        on=["van_id", "quantity", "week"],
        how="left",
        maintain_order="left",
    )
    return marked.with_columns(
        after_repair=pl.when(pl.col("waits")).then(pl.lit("awaited")).otherwise(pl.col("after_repair"))
    ).drop("waits")


def _latest_of(repairs: pl.DataFrame) -> Iterator[tuple[str, str, Any]]:
    """Van, quantity and time of the newest repair that touched it."""
    newest: dict[tuple[str, str], Any] = {}
    for repair in repairs.sort("done_at").iter_rows(named=True) if repairs.height else ():
        for quantity in touched_quantities(repair):
            newest[repair["van_id"], quantity] = repair["done_at"]
    return ((van_id, quantity, done) for (van_id, quantity), done in newest.items())


def _weeks_named(numbers: NDArray[np.float64]) -> pl.Series:
    """ISO weeks of week numbers; null for NaN."""
    whole, place = np.unique(np.floor(numbers), return_inverse=True)  # all NaN are one
    names = pl.Series([week_name(int(each)) if np.isfinite(each) else None for each in whole], dtype=pl.String)
    return names.gather(place)
