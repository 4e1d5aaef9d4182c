"""Rows of the trends table."""

import numpy as np
import polars as pl

from data_contracts.tables import TRENDS, polars_schema
from data_contracts.weeks import week_name
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.forecast import Forecast
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import RepeatabilityAlarms
from models.tracking.covariates import COVARIATES
from models.tracking.scales import derivative, from_scale
from models.tracking.standardise import Standardised

_STILL = np.zeros(len(COVARIATES))


def trends_of(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    repeatability: RepeatabilityAlarms,
    forecasts: FleetForecast,
    first_week: int,
) -> pl.DataFrame:
    """Rows of the trends table.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, repeatability, forecasts
        Charts, alarms and forecasts of the same visits.
    first_week : int
        Number of the first week wanted.

    Returns
    -------
    polars.DataFrame
        In the schema of the trends table, sorted by van, week and quantity. Values are at reference conditions. Shifts
        that vans of a recorder or a week share stay in the values, and are removed from z and the charts.
    """
    wanted = std.weeks >= first_week
    parts: list[pl.DataFrame] = []
    schema = polars_schema(TRENDS)
    for q, quantity in enumerate(std.quantities):
        rows = np.flatnonzero(wanted & np.isfinite(std.x[:, q]))
        if not rows.size:
            continue
        columns = {
            "van_id": std.visits["van_id"][rows],
            "week": std.visits["week"][rows],
            "quantity": pl.repeat(quantity, rows.size, eager=True),
            "corrected": (std.visits["air_from"][rows] != "unmeasured"),
            "air_from": std.visits["air_from"][rows],
            **_levels(std, followed, forecasts, rows, q),
            "z": followed.z[rows, q],
            "ewma": followed.ewma[rows, q],
            "ewma_limit": alarms.ewma_limit[rows, q],
            "cusum_high": alarms.cusum_high[rows, q],
            "cusum_low": alarms.cusum_low[rows, q],
            **_crossings(forecasts.by_quantity.get(q), rows),
            **_alarm(std, alarms, repeatability, rows, q),
            "onset_week": _weeks_named(forecasts.onset[rows, q]),
            "onset_low": _weeks_named(forecasts.onset_low[rows, q]),
            "onset_high": _weeks_named(forecasts.onset_high[rows, q]),
        }
        parts.append(pl.DataFrame(columns).select(list(schema)).cast(dict(schema)).fill_nan(None))  # type: ignore[arg-type]
    if not parts:
        return pl.DataFrame(schema=schema)
    return pl.concat(parts).sort("van_id", "week", "quantity")


Columns = dict[str, Floats | Flags | pl.Series]


def _levels(std: Standardised, followed: Followed, forecasts: FleetForecast, rows: Codes, q: int) -> Columns:
    """Value, baselines and drift of one quantity at some visits, with their uncertainty. [unit of the quantity]"""
    quantity, f, families = std.quantities[q], std.family[rows], range(len(std.families))
    centre = np.array([std.levels[g, q].level if (g, q) in std.levels else np.nan for g in families])[f]
    slopes = np.array([std.covariate_slopes[g, q].mean if (g, q) in std.covariate_slopes else _STILL for g in families])
    sigma, scaled = std.scatter[f, q], std.scaled[rows, q]
    steep = derivative(quantity, scaled)
    slope, u = forecasts.drift(followed, rows, q)
    slope_u = 1.959964 * u
    reported = np.nan_to_num(std.visits[quantity + "_u"][rows].to_numpy())
    air_u = np.sqrt(np.sum((std.conditions_u[rows] * slopes[f]) ** 2, axis=1))
    return {
        "value": from_scale(quantity, scaled),
        "value_u": np.maximum(np.sqrt(std.variance[rows, q]) * sigma * steep, np.hypot(reported, air_u * steep)),
        "baseline": from_scale(quantity, centre + sigma * followed.baseline[rows, q]),
        "baseline_u": np.sqrt(followed.baseline_variance[rows, q]) * sigma * steep,
        "peer_baseline": from_scale(quantity, centre),
        "slope_per_week": slope * sigma * steep,
        "slope_low": (slope - slope_u) * sigma * steep,
        "slope_high": (slope + slope_u) * sigma * steep,
    }


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


def _alarm(std: Standardised, alarms: Alarms, repeatability: RepeatabilityAlarms, rows: Codes, q: int) -> Columns:
    """Whether an alarm stands, on the value or on its repeats, and since which week."""
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


def _weeks_named(numbers: Floats) -> pl.Series:
    """ISO weeks of week numbers; null for NaN."""
    whole = pl.Series(numbers).fill_nan(None).floor().cast(pl.Int64)
    names = {number: week_name(number) for number in whole.drop_nulls().unique().to_list()}
    return whole.replace_strict(names, default=None, return_dtype=pl.String)
