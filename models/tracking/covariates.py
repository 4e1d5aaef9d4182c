"""Covariates: how each quantity follows weather, coolant temperature, hold and fuel, fitted from the fleet itself.

The slope of a quantity on each covariate starts from physics (`prior_of`) and is re-estimated as data grows.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from data_contracts.signals import QUANTITIES, tracking_of
from models.physics.air import (
    BAROMETER_U_KPA,
    HUMIDITY_U_PCT,
    INTAKE_AIR_U_C,
    Air,
    known_air,
    log_ratios,
    textbook_exponents,
)
from models.physics.fuel import ratio_beside_petrol
from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel, sum_kernel
from models.statistics.groups import group_medians, numbered

COVARIATES = ("log_pressure", "log_temperature", "coolant", "hold", "fuel")


def prior_of(quantity: str, aspiration: str, scatter: float) -> tuple[Floats, Floats]:
    """Prior mean and standard deviation of a quantity's slope on each of `COVARIATES`.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    aspiration : {"natural", "turbo"}
        Of the family.
    scatter : float
        Visit-to-visit standard deviation. [working scale]

    Returns
    -------
    mean, spread : ndarray of shape (covariates,)
        [working scale per covariate]
    """
    tracking = tracking_of(quantity)
    if tracking.scale == "log":
        mean, spread = np.zeros(5), np.array([0.5, 0.5, 0.05, 0.1, 0.2])
    else:  # a change of a tenth in pressure or temperature moves it by about its own scatter
        mean, spread = np.zeros(5), scatter * np.array([10.0, 10.0, 1.0, 1.0, 10.0])
    if tracking.open_throttle_flow:
        text = textbook_exponents(aspiration)
        mean[:2], spread[:2] = (text.pressure, text.temperature), (text.pressure_u, text.temperature_u)
    for covariate, known in tracking.surroundings.items():
        at = COVARIATES.index(covariate)
        mean[at], spread[at] = known
    return mean, spread


def fill_air(visits: pl.DataFrame, *, usual_intake_air_c: float = 15.0) -> tuple[Air, pl.Series]:
    """The air of each visit; what was not measured comes from the nearest measurement.

    Parameters
    ----------
    visits : polars.DataFrame
        depot, captured_at, week and the conditions.
    usual_intake_air_c : float
        Taken where a fleet measured no air temperature at all. [°C]

    Returns
    -------
    air : Air
        One row per visit.
    source : polars.Series
        Where pressure and temperature come from, the weaker of the two: measured, depot_day, depot_week, fleet_week,
        unmeasured.

    Notes
    -----
    Standard uncertainties grow down that list. The van's own altitude is preferred to a barometer at another place.
    """
    steps: tuple[tuple[str, list[pl.Expr], dict[str, float]], ...] = (
        (
            "depot_day",
            [pl.col("depot"), pl.col("captured_at").dt.date()],
            {"intake_air_c": 4.0, "barometer_kpa": 0.4, "humidity_pct": 10.0},
        ),
        (
            "depot_week",
            [pl.col("depot"), pl.col("week")],
            {"intake_air_c": 6.0, "barometer_kpa": 0.9, "humidity_pct": 15.0},
        ),
        ("fleet_week", [pl.col("week")], {"intake_air_c": 8.0, "humidity_pct": 20.0}),
    )
    values = {
        c: visits[c].cast(pl.Float64).to_numpy().copy() for c in ("intake_air_c", "barometer_kpa", "humidity_pct")
    }
    wide = known_air(
        values["intake_air_c"],
        values["barometer_kpa"],
        values["humidity_pct"],
        visits["altitude_m"].cast(pl.Float64).to_numpy(),
        usual_intake_air_c=usual_intake_air_c,
    )
    measured_u = {"intake_air_c": INTAKE_AIR_U_C, "barometer_kpa": BAROMETER_U_KPA, "humidity_pct": HUMIDITY_U_PCT}
    u = {name: np.where(np.isfinite(values[name]), measured_u[name], np.nan) for name in values}
    rank = {name: np.where(np.isfinite(values[name]), 0, 4) for name in values}
    for number, (_, keys, spread) in enumerate(steps, start=1):
        for name, extra in spread.items():
            near = visits.select(pl.col(name).cast(pl.Float64).median().over(keys)).to_series().to_numpy()
            use = ~np.isfinite(values[name]) & np.isfinite(near)
            if name == "barometer_kpa" and number > 1:
                use &= ~np.isfinite(visits["altitude_m"].cast(pl.Float64).to_numpy()) | (extra < 1.0)
            values[name][use], u[name][use], rank[name][use] = near[use], extra, number
    air = Air(
        *(np.where(np.isfinite(values[n]), values[n], getattr(wide, n)) for n in values),
        *(
            np.where(np.isfinite(u[n]), u[n], getattr(wide, w))
            for n, w in (
                ("intake_air_c", "intake_air_u"),
                ("barometer_kpa", "barometer_u"),
                ("humidity_pct", "humidity_u"),
            )
        ),
    )
    names = np.array(["measured", *(s[0] for s in steps), "unmeasured"])
    return air, pl.Series("air_from", names[np.maximum(rank["intake_air_c"], rank["barometer_kpa"])])


def design(
    visits: pl.DataFrame, air: Air, *, reference_intake_air_c: float, reference_barometer_kpa: float
) -> tuple[Floats, Floats]:
    """Covariates of each visit and their standard uncertainties; 0 is the reference.

    Parameters
    ----------
    visits : polars.DataFrame
        coolant_c, hold_s, fuel; one family.
    air : Air
        Of the same visits.
    reference_intake_air_c, reference_barometer_kpa : float
        Of the family. [°C], [kPa]

    Returns
    -------
    x, u : ndarray of shape (visits, covariates)
        `COVARIATES` in order. [1]
    """
    log_pressure, log_temperature = log_ratios(
        air, reference_intake_air_c=reference_intake_air_c, reference_barometer_kpa=reference_barometer_kpa
    )
    coolant = visits["coolant_c"].cast(pl.Float64).to_numpy()
    hold = np.clip(visits["hold_s"].cast(pl.Float64).to_numpy(), 0.3, 1.5)
    grades = visits["fuel"].cast(pl.String)
    ratios = {grade: ratio_beside_petrol(grade) for grade in grades.drop_nulls().unique()}
    fuel = np.log(grades.replace_strict(ratios, default=None, return_dtype=pl.Float64).to_numpy())
    x = np.column_stack(
        [log_pressure, log_temperature, np.clip((coolant - 90.0) / 10.0, -2.0, 2.0), hold - 1.0, fuel]
    ).astype(np.float64)
    u = np.zeros_like(x)
    u[:, 0], u[:, 1] = air.barometer_u / air.barometer_kpa, air.intake_air_u / (air.intake_air_c + 273.15)
    for column, spread in ((2, 0.5), (3, 0.2), (4, 0.015)):
        unknown = ~np.isfinite(x[:, column])
        centre = np.median(x[~unknown, column]) if not unknown.all() else 0.0
        x[unknown, column], u[unknown, column] = centre, spread
    return x, u


@dataclass(frozen=True)
class CovariateSlopes:
    """Slopes of one quantity of one family on the covariates.

    Attributes
    ----------
    mean : ndarray of shape (covariates,)
        [working scale per covariate]
    covariance : ndarray of shape (covariates, covariates)
        [working scale per covariate, squared]
    """

    mean: Floats
    covariance: Floats


def fit_covariate_slopes(
    y: Floats, x: Floats, van: Codes, *, scatter: float, prior: tuple[Floats, Floats], independent: float
) -> CovariateSlopes:
    """Robust within-van regression with a Gaussian prior.

    Parameters
    ----------
    y : ndarray of shape (visits,)
        One quantity; NaN left out. [working scale]
    x : ndarray of shape (visits, covariates)
        Covariates. [1]
    van : ndarray of shape (visits,), int
        Van of each visit, those of one van together; each van keeps its own level.
    scatter : float
        Visit-to-visit standard deviation. [working scale]
    prior : tuple of ndarray of shape (covariates,)
        Mean and standard deviation of the slopes. [working scale per covariate]
    independent : float
        Share of the visits that count as independent, at most 1: vans of one depot share their weather. [1]

    Returns
    -------
    CovariateSlopes
        After ten steps with Huber weights; a van with a single visit has no weight.
    """
    mean, spread = prior
    keep = np.isfinite(y)
    code = numbered(van[keep])
    if code.size < 3:
        return CovariateSlopes(mean.copy(), np.diag(spread**2))
    groups = int(code.max()) + 1
    level = group_medians(y[keep][:, None], code, groups)[0][:, 0]
    inside = y[keep] - level[code]
    n = np.bincount(code, minlength=groups)
    x_inside = np.ascontiguousarray(x[keep].T)
    for column in x_inside:
        column -= (np.bincount(code, column, groups) / n)[code]
    first = np.concatenate([[0], np.cumsum(n)])
    precision, share = np.diag(1.0 / spread**2), independent / scatter**2
    slope, weight = mean.copy(), np.ones(inside.size)
    information = precision
    for _ in range(10):
        squares, products = _weighted_sums(inside, x_inside, weight)
        information = share * squares + precision
        slope = np.asarray(np.linalg.solve(information, share * products + precision @ mean), np.float64)
        _weigh(inside, x_inside, first, slope, 1.5 * scatter, weight)
    return CovariateSlopes(slope, np.asarray(np.linalg.inv(information), np.float64))


@sum_kernel
def _weighted_sums(y: Floats, x: Floats, weight: Floats) -> tuple[Floats, Floats]:  # pragma: no cover - compiled
    """Weighted sums over the visits of the products of the covariates with each other, and with y; x is of shape (covariates, visits)."""
    squares, products = np.zeros((x.shape[0], x.shape[0])), np.zeros(x.shape[0])
    for i in range(x.shape[0]):
        part, total = weight * x[i], 0.0
        for r in range(y.size):
            total += part[r] * y[r]
        products[i] = total
        for j in range(i + 1):
            other, total = x[j], 0.0
            for r in range(y.size):
                total += part[r] * other[r]
            squares[i, j] = squares[j, i] = total
    return squares, products


@kernel
def _weigh(
    y: Floats, x: Floats, first: Codes, slope: Floats, bound: float, weight: Floats
) -> None:  # pragma: no cover - compiled
    """Huber weights of residuals about each van's weighted mean, in place of those that weighted it; `first` is each van's first visit."""
    residual = y.copy()
    for i in range(slope.size):
        residual -= slope[i] * x[i]
    for v in range(first.size - 1):
        total, weights = 0.0, 0.0
        for r in range(first[v], first[v + 1]):
            total += weight[r] * residual[r]
            weights += weight[r]
        middle = total / weights
        for r in range(first[v], first[v + 1]):
            weight[r] = min(1.0, bound / max(abs(residual[r] - middle), 1e-300))


def variance_along(x: Floats, covariance: Floats) -> Floats:
    """Variance of what each row of x, times slopes of that covariance, comes to."""
    return np.asarray(((x @ covariance) * x).sum(axis=1))


def tracked_of(frame: pl.DataFrame) -> tuple[str, ...]:
    """The tracked quantities that were read at least once in a frame.

    Parameters
    ----------
    frame : polars.DataFrame
        Captures joined with their readings.

    Returns
    -------
    tuple of str
    """
    return tuple(q for q in QUANTITIES if QUANTITIES[q].tracked and q in frame.columns and frame[q].count() > 0)
