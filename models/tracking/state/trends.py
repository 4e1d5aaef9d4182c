"""Rows of the trends table."""

import numpy as np
import polars as pl

from data_contracts.tables import TRENDS, polars_schema
from data_contracts.weeks import week_name
from models.statistics.arrays import Floats
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import Unsteady
from models.tracking.covariates import COVARIATES
from models.tracking.scales import from_scale, steepness
from models.tracking.standardise import Standardised

_STILL = np.zeros(len(COVARIATES))


def trends_of(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    unsteady: Unsteady,
    forecasts: FleetForecast,
    first_week: int,
) -> pl.DataFrame:
    """Rows of the trends table.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, unsteady, forecasts
        What was made of them.
    first_week : int
        Number of the first week wanted.

    Returns
    -------
    polars.DataFrame
        In the schema of the trends table, sorted by van, week and quantity. Values stand at reference conditions; movements
        that vans of an instrument or a week share are left in the values and out of z and the charts.
    """
    wanted = std.weeks >= first_week
    parts: list[pl.DataFrame] = []
    schema = polars_schema(TRENDS)
    corrected = (std.visits["air_from"] != "unmeasured").to_numpy()
    watched = {name: k for k, name in enumerate(unsteady.quantities)}
    for q, quantity in enumerate(std.quantities):
        rows = np.flatnonzero(wanted & np.isfinite(std.x[:, q]))
        if not rows.size:
            continue
        f = std.family[rows]
        centre = np.array(
            [std.levels[g, q].level if (g, q) in std.levels else np.nan for g in range(len(std.families))]
        )[f]
        slopes = np.array(
            [std.answers[g, q].slope if (g, q) in std.answers else _STILL for g in range(len(std.families))]
        )
        sigma = std.scatter[f, q]
        scaled = std.scaled[rows, q]
        steep = steepness(quantity, scaled)
        slope, slope_u = followed.slope[rows, q], 1.959964 * np.sqrt(followed.var_slope[rows, q])
        reported = np.nan_to_num(std.visits[quantity + "_u"][rows].to_numpy())
        air_u = np.sqrt(np.sum((std.conditions_u[rows] * slopes[f]) ** 2, axis=1))
        forecast = forecasts.by_quantity.get(q)
        nothing = np.full(rows.size, np.nan)
        alarm, since = alarms.any[rows, q], alarms.since[rows, q]
        restless = np.zeros(rows.size, bool)
        if quantity in watched:
            restless = unsteady.alarm[rows, watched[quantity]]
            began = unsteady.since[rows, watched[quantity]]
            since = np.where(restless & ((since < 0) | (began < since)), began, since)
        columns = {
            "van_id": std.visits["van_id"][rows],
            "week": std.visits["week"][rows],
            "quantity": pl.repeat(quantity, rows.size, eager=True),
            "value": from_scale(quantity, scaled),
            "value_u": np.maximum(np.sqrt(std.variance[rows, q]) * sigma * steep, np.hypot(reported, air_u * steep)),
            "corrected": corrected[rows],
            "baseline": from_scale(quantity, centre + sigma * followed.baseline[rows, q]),
            "baseline_u": np.sqrt(followed.baseline_variance[rows, q]) * sigma * steep,
            "peer_baseline": from_scale(quantity, centre),
            "z": followed.z[rows, q],
            "ewma": followed.ewma[rows, q],
            "ewma_limit": alarms.ewma_limit[rows, q],
            "cusum_high": alarms.cusum_high[rows, q],
            "cusum_low": alarms.cusum_low[rows, q],
            "slope_per_week": slope * sigma * steep,
            "slope_low": (slope - slope_u) * sigma * steep,
            "slope_high": (slope + slope_u) * sigma * steep,
            "weeks_to_limit_low": nothing if forecast is None else forecast.low[rows],
            "weeks_to_limit": nothing if forecast is None else forecast.median[rows],
            "weeks_to_limit_high": nothing if forecast is None else forecast.high[rows],
            "cross_within_4": nothing if forecast is None else forecast.within_4[rows],
            "cross_within_8": nothing if forecast is None else forecast.within_8[rows],
            "cross_within_13": nothing if forecast is None else forecast.within_13[rows],
            "alarm": alarm | restless,
            "alarm_since": std.visits["week"].gather(np.maximum(since, 0)).set(pl.Series(since < 0), None),
            "onset_week": _weeks_named(forecasts.onset[rows, q]),
            "onset_low": _weeks_named(forecasts.onset_low[rows, q]),
            "onset_high": _weeks_named(forecasts.onset_high[rows, q]),
            "unsteady": restless,
            "air_from": std.visits["air_from"][rows],
        }  # fmt: skip
        parts.append(pl.DataFrame(columns).cast(dict(schema)).fill_nan(None))  # type: ignore[arg-type]
    if not parts:
        return pl.DataFrame(schema=schema)
    return pl.concat(parts).select(list(schema)).sort("van_id", "week", "quantity")


def _weeks_named(numbers: Floats) -> pl.Series:
    """ISO weeks of week numbers; null for NaN."""
    whole = pl.Series(numbers).fill_nan(None).floor().cast(pl.Int64)
    names = {number: week_name(number) for number in whole.drop_nulls().unique().to_list()}
    return whole.replace_strict(names, default=None, return_dtype=pl.String)
