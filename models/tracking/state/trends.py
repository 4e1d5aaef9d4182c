"""Tables out of the charts: trends per quantity, forecasts to the limits, states with reasons, residuals for the causes."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.tables import TRENDS, polars_schema
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.family_limits import family_limits, is_response
from models.tracking.charts.forecast import Forecast, beyond_probability, weeks_to_limit
from models.tracking.charts.onset import Movements, movements
from models.tracking.charts.recursion import NO_RESTART, Followed
from models.tracking.charts.repeatability import Unsteady
from models.tracking.covariates import COVARIATES
from models.tracking.scales import from_scale, steepness
from models.tracking.standardise import Standardised

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_STILL = np.zeros(len(COVARIATES))


@dataclass(frozen=True)
class FleetForecast:
    """Forecast of every visit and quantity that has a limit, and whether its level is beyond it.

    Attributes
    ----------
    by_quantity : mapping of int to Forecast
        Per column; rows are visits.
    beyond : ndarray of shape (visits, quantities)
        Probability that the level is beyond a limit now; NaN where no limit is known.
    limits : mapping of (family number, quantity number) to (low, high)
        As they apply to what is read; NaN for none. [unit of the quantity]
    """

    by_quantity: Mapping[int, Forecast]
    beyond: Array
    limits: Mapping[tuple[int, int], tuple[float, float]]


def visit_interval(std: Standardised, usual: float) -> Array:
    """Weeks between visits each van has had so far, at each visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    usual : float
        Before a van's third visit. [weeks]

    Returns
    -------
    ndarray of shape (visits,)
        Mean over its visits so far. [weeks]
    """
    begin = std.starts[:-1][std.van]
    count = np.arange(std.van.size) - begin
    span = (std.weeks - std.weeks[begin]).astype(np.float64)
    return np.where(count >= 2, span / np.maximum(count, 1), usual)


def movements_at(
    std: Standardised,
    rows: Codes,
    q: int,
    *,
    low: Array | None = None,
    high: Array | None = None,
    limit_variance: Array | None = None,
    interval: Array | None = None,
) -> Movements:
    """How one quantity moves, as of some visits.

    Parameters
    ----------
    std : Standardised
        Visits.
    rows : ndarray of shape (n,), int
        Visits judged as of.
    q : int
        Quantity number.
    low, high, limit_variance, interval : ndarray of shape (visits,), optional
        Limits (NaN for none), their variance, weeks until the next visit, where a forecast is wanted. [scatters], [scatters²], [weeks]

    Returns
    -------
    Movements
        Looked for since the van's first visit, or since its baseline last started again.
    """
    start = int(std.starts[std.van[rows].min()]) if rows.size else 0
    span = slice(start, int(rows.max()) + 1 if rows.size else 0)  # the visits of these vans, not of the fleet
    own = np.arange(std.van.size)[span] - start
    begins = np.where(std.restart[span, q] != NO_RESTART, own, std.starts[:-1][std.van[span]] - start)
    begins = np.maximum.accumulate(begins)
    spread = np.array(
        [std.levels[f, q].spread / std.scatter[f, q] if (f, q) in std.levels else 1.0 for f in range(len(std.families))]
    )
    none, nothing = np.full(rows.size, np.nan), np.zeros(rows.size)
    return movements(
        std.x[span, q],
        std.variance[span, q],
        visit_times(std, span),
        begins[rows - start],
        rows - start,
        spread=spread[std.family[rows]],
        low=none if low is None else low[rows],
        high=none if high is None else high[rows],
        limit_variance=nothing if limit_variance is None else limit_variance[rows],
        next_visit_weeks=nothing if interval is None else interval[rows],
    )


def visit_times(std: Standardised, span: slice = slice(None)) -> Array:
    """When each visit was: the number of its week and the fraction of it.

    Parameters
    ----------
    std : Standardised
        Visits.
    span : slice
        Of the visits.

    Returns
    -------
    ndarray of shape (visits,)
        [weeks]
    """
    at = std.visits["captured_at"][span].dt
    return std.weeks[span] + (at.weekday().to_numpy() - 1.0 + at.hour().to_numpy() / 24.0) / 7.0


def fleet_forecasts(
    std: Standardised, followed: Followed, alarms: Alarms, families: Mapping[str, Family], *, usual_interval: float
) -> FleetForecast:
    """Weeks to the family's limits, at every visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms
        What was made of them.
    families : mapping of str to Family
        Register.
    usual_interval : float
        Until the next visit of a van with few visits. [weeks]

    Returns
    -------
    FleetForecast
        A quantity in alarm moves as `models.tracking.charts.onset` finds; one without is held to stand where it is, but for its wandering.
    """
    interval = visit_interval(std, usual_interval)
    by_quantity: dict[int, Forecast] = {}
    beyond = np.full(std.x.shape, np.nan)
    limits: dict[tuple[int, int], tuple[float, float]] = {}
    for q, quantity in enumerate(std.quantities):
        low, high = np.full(std.van.size, np.nan), np.full(std.van.size, np.nan)
        doubt = np.zeros(std.van.size)  # of a limit beside what is read: neither shrinks with more visits
        reported = np.nan_to_num(std.visits[quantity + "_u"].to_numpy()) / steepness(quantity, std.scaled[:, q])
        for f, name in enumerate(std.families):
            if (f, q) not in std.levels:
                continue
            of, healthy = std.family == f, std.levels[f, q]
            natural = float(from_scale(quantity, np.array([healthy.level]))[0])
            limits[f, q] = family_limits(families[name], quantity, natural)
            with np.errstate(invalid="ignore"):
                low[of], high[of] = (np.log(np.array(limits[f, q])) - healthy.level) / std.scatter[f, q]
            off = np.full(of.sum(), healthy.u) if is_response(quantity) else np.nan_to_num(reported[of])
            doubt[of] = (off / std.scatter[f, q]) ** 2
        read = np.isfinite(std.x[:, q])
        if not (read & (np.isfinite(low) | np.isfinite(high))).any():
            continue
        level, var_level, nothing = followed.level[:, q], followed.var_level[:, q] + doubt, np.zeros(std.van.size)
        sides = [
            weeks_to_limit(margin, nothing, var_level, nothing, nothing, next_visit_weeks=interval, slope_step=0.0)
            for margin in (level - low, high - level)
        ]
        beyond[:, q] = beyond_probability(level, np.sqrt(var_level), low=low, high=high)
        moved = np.flatnonzero(alarms.any[:, q] & read & (np.isfinite(low) | np.isfinite(high)))
        found = movements_at(std, moved, q, low=low, high=high, limit_variance=doubt, interval=interval)
        enough = np.isfinite(found.beyond)
        columns = []
        for name in ("low", "median", "high", "within_next", "within_4", "within_8", "within_13"):
            nearer = np.fmin if name in ("low", "median", "high") else np.fmax
            column = nearer(getattr(sides[0], name), getattr(sides[1], name))
            column[moved[enough]] = getattr(found.forecast, name)[enough]
            columns.append(column)
        by_quantity[q] = Forecast(*columns)
        beyond[moved[enough], q] = found.beyond[enough]
        beyond[~read, q] = np.nan
    return FleetForecast(by_quantity, beyond, limits)


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
            "unsteady": restless,
            "air_from": std.visits["air_from"][rows],
        }  # fmt: skip
        parts.append(pl.DataFrame(columns).cast(dict(schema)).fill_nan(None))  # type: ignore[arg-type]
    if not parts:
        return pl.DataFrame(schema=schema)
    return pl.concat(parts).select(list(schema)).sort("van_id", "week", "quantity")
