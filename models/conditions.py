"""What the surroundings do to each quantity, fitted from the fleet itself: weather, temperature, foot, fuel, shared movements.

Every quantity is worked on in a scale where it scatters evenly (`SCALES`). Its answer to the surroundings starts from
physics (`prior_of`) and is re-estimated as data grows; what many vans do together in one week is not a fault of any of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.ambient import (
    BAROMETER_U_KPA,
    HUMIDITY_U_PCT,
    INTAKE_AIR_U_C,
    Air,
    known_air,
    log_ratios,
    textbook_exponents,
)
from models.kernel import kernel

Array = NDArray[np.float64]
Scale = Literal["log", "root", "plain"]

COVARIATES = ("log_pressure", "log_temperature", "coolant", "hold", "fuel")

# Stoichiometric air–fuel ratio over that of E0. From elements: CH1.85 14.57, ethanol 9.00 (mass-weighted mixes).
_FUEL_RATIO = {"E0": 1.0, "E5": 0.983, "E10": 0.968, "E15": 0.951, "E20": 0.934, "E85": 0.673, "E100": 0.618}


def base_name(quantity: str) -> str:
    """The quantity without its bank."""
    return quantity.removeprefix(BANK2_PREFIX)


def scale_of(quantity: str) -> Scale:
    """The scale a quantity scatters evenly in: flows and times logarithmic, counts as roots, the rest plain.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    {"log", "root", "plain"}
    """
    name = base_name(quantity)
    if name.endswith("lean_needles"):
        return "root"
    flow = name.endswith(("_g_s", "_mg")) and name != "recirculation_pulse_g_s"
    return "log" if flow or name.endswith(("time_constant_s", "switch_time_s", "run_up_time_s")) else "plain"


def to_scale(quantity: str, values: Array) -> Array:
    """Values on the working scale; what has no logarithm is NaN.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    values : ndarray
        [unit of the quantity]

    Returns
    -------
    ndarray
        [working scale]
    """
    scale = scale_of(quantity)
    with np.errstate(invalid="ignore", divide="ignore"):
        if scale == "log":
            return np.where(values > 0, np.log(np.where(values > 0, values, 1.0)), np.nan)
        if scale == "root":
            return np.sqrt(np.maximum(values, 0.0) + 0.375)  # Anscombe, Biometrika 35 (1948) 246
    return np.asarray(values, dtype=np.float64)


def from_scale(quantity: str, scaled: Array) -> Array:
    """Back from the working scale.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    scaled : ndarray
        [working scale]

    Returns
    -------
    ndarray
        [unit of the quantity]
    """
    scale = scale_of(quantity)
    if scale == "log":
        return np.exp(np.minimum(scaled, 50.0))
    return np.maximum(scaled, 0.0) ** 2 - 0.375 if scale == "root" else scaled


def steepness(quantity: str, scaled: Array) -> Array:
    """Change of the quantity per change of the working scale, there.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.
    scaled : ndarray
        [working scale]

    Returns
    -------
    ndarray
        [unit of the quantity per working scale]
    """
    scale = scale_of(quantity)
    if scale == "log":
        return np.exp(np.minimum(scaled, 50.0))
    return 2.0 * np.maximum(scaled, 0.0) if scale == "root" else np.ones_like(scaled)


def prior_of(quantity: str, aspiration: str, scatter: float) -> tuple[Array, Array]:
    """Mean and standard deviation, before any data, of a quantity's answer to each of `COVARIATES`.

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
    name = base_name(quantity)
    if scale_of(quantity) == "log":
        mean, spread = np.zeros(5), np.array([0.5, 0.5, 0.05, 0.1, 0.2])
    else:  # a tenth in pressure or temperature moves it by about its own scatter
        mean, spread = np.zeros(5), scatter * np.array([10.0, 10.0, 1.0, 1.0, 10.0])
    if name in ("main_peak_reference_g_s", "flow_per_rev_mg"):
        text = textbook_exponents(aspiration)
        mean[:2], spread[:2] = (text.pressure, text.temperature), (text.pressure_u, text.temperature_u)
    elif name == "first_peak_g_s":
        mean[:2], spread[:2] = (1.0, 0.5), (0.3, 0.3)
    elif name.startswith("trim_"):  # leaner-burning fuel is added as the ratio falls: percent per log ratio
        mean[4], spread[4] = -100.0, 30.0
    return mean, spread


def fill_air(visits: pl.DataFrame, *, usual_intake_air_c: float = 15.0) -> tuple[Air, pl.Series]:
    """The air of each visit, what was not measured taken from the nearest that was.

    Parameters
    ----------
    visits : polars.DataFrame
        depot, captured_at, week and the conditions.
    usual_intake_air_c : float
        Where a fleet measured no air temperature at all. [°C]

    Returns
    -------
    air : Air
        One row per visit.
    source : polars.Series
        Where pressure and temperature came from, the weaker of the two: measured, depot_day, depot_week, fleet_week, unmeasured.

    Notes
    -----
    Standard uncertainties grow down that list. An altitude is used before another van's barometer of another place.
    """
    steps: tuple[tuple[str, list[pl.Expr], dict[str, float]], ...] = (
        ("depot_day", [pl.col("depot"), pl.col("captured_at").dt.date()], {"intake_air_c": 4.0, "barometer_kpa": 0.4, "humidity_pct": 10.0}),
        ("depot_week", [pl.col("depot"), pl.col("week")], {"intake_air_c": 6.0, "barometer_kpa": 0.9, "humidity_pct": 15.0}),
        ("fleet_week", [pl.col("week")], {"intake_air_c": 8.0, "humidity_pct": 20.0}),
    )  # fmt: skip
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
) -> tuple[Array, Array]:
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
    fuel = np.log(visits["fuel"].replace_strict(_FUEL_RATIO, default=None, return_dtype=pl.Float64).to_numpy())
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
class Answer:
    """How one quantity of one family answers to the covariates.

    Attributes
    ----------
    slope : ndarray of shape (covariates,)
        [working scale per covariate]
    covariance : ndarray of shape (covariates, covariates)
        Of the slopes.
    """

    slope: Array
    covariance: Array


def fit_answer(
    y: Array, x: Array, van: NDArray[np.int64], *, scatter: float, prior: tuple[Array, Array], independent: float
) -> Answer:
    """Robust within-van regression with a Gaussian prior.

    Parameters
    ----------
    y : ndarray of shape (visits,)
        One quantity; NaN left out. [working scale]
    x : ndarray of shape (visits, covariates)
        Covariates.
    van : ndarray of shape (visits,), int
        Van of each visit; each van keeps its own level.
    scatter : float
        Visit-to-visit standard deviation. [working scale]
    prior : tuple of ndarray of shape (covariates,)
        Mean and standard deviation of the slopes.
    independent : float
        Share of the visits that bring their own weather, at most 1: vans of a depot share it, so they count for less.

    Returns
    -------
    Answer
        Huber weights, ten steps; a van of one visit says nothing.
    """
    mean, spread = prior
    keep = np.isfinite(y)
    code = np.unique(van[keep], return_inverse=True)[1] if keep.any() else np.empty(0, np.int64)
    if code.size < 3:
        return Answer(mean.copy(), np.diag(spread**2))
    groups = int(code.max()) + 1
    level = group_medians(y[keep][:, None], code, groups)[0][:, 0]
    inside = y[keep] - level[code]
    n = np.bincount(code, minlength=groups)
    x_kept = x[keep]
    x_level = np.stack([np.bincount(code, column, groups) / n for column in x_kept.T], axis=1)
    x_inside = x_kept - x_level[code]
    precision = np.diag(1.0 / spread**2)
    slope, weight = mean.copy(), np.ones(inside.size)
    information = precision
    for _ in range(10):
        scaled = weight * independent / scatter**2
        information = (x_inside * scaled[:, None]).T @ x_inside + precision
        slope = np.asarray(
            np.linalg.solve(information, (x_inside * scaled[:, None]).T @ inside + precision @ mean), np.float64
        )
        residual = inside - x_inside @ slope
        residual -= (np.bincount(code, weight * residual, groups) / np.bincount(code, weight, groups))[code]
        weight = np.minimum(1.0, 1.5 * scatter / np.maximum(np.abs(residual), 1e-300))
    return Answer(slope, np.asarray(np.linalg.inv(information), np.float64))


@kernel
def _group_medians(ordered: Array, bounds: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:  # pragma: no cover
    groups, columns = bounds.size - 1, ordered.shape[1]
    medians, counts = np.full((groups, columns), np.nan), np.zeros((groups, columns), np.int64)
    for g in range(groups):
        held = np.empty(bounds[g + 1] - bounds[g])
        for column in range(columns):
            n = 0
            for row in range(bounds[g], bounds[g + 1]):
                if np.isfinite(ordered[row, column]):
                    held[n] = ordered[row, column]
                    n += 1
            counts[g, column] = n
            if n:
                medians[g, column] = np.median(held[:n])
    return medians, counts


def group_medians(values: Array, group: NDArray[np.int64], groups: int) -> tuple[Array, NDArray[np.int64]]:
    """Median of each column in each group, NaN left out.

    Parameters
    ----------
    values : ndarray of shape (rows, columns)
        [any unit]
    group : ndarray of shape (rows,), int
        From 0 to `groups` - 1.
    groups : int
        Number of groups.

    Returns
    -------
    medians : ndarray of shape (groups, columns)
        NaN for an empty one.
    counts : ndarray of shape (groups, columns), int
    """
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(groups + 1))
    medians, counts = _group_medians(np.ascontiguousarray(values[order]), bounds.astype(np.int64))
    return medians, counts


@dataclass(frozen=True)
class SharedMovement:
    """What a group of vans did together, apart from its vans.

    Attributes
    ----------
    shift, u : ndarray of shape (groups, quantities)
        Taken off each of the group's visits, and the standard uncertainty left. [scatters]
    vans : ndarray of shape (groups, quantities), int
        Visits it rests on.
    spread : ndarray of shape (quantities,)
        Standard deviation of true shifts between groups: what a group that is not known may be off by. [scatters]
    """

    shift: Array
    u: Array
    vans: NDArray[np.int64]
    spread: Array


FEWEST_TOGETHER = 5


def shared_movement(residual: Array, group: NDArray[np.int64], groups: int) -> SharedMovement:
    """Robust, shrunken common shift of each group of visits.

    Parameters
    ----------
    residual : ndarray of shape (visits, quantities)
        Standardised: in-control standard deviation 1; NaN left out. [scatters]
    group : ndarray of shape (visits,), int
        For example family and week, or depot, recorder and week.
    groups : int
        Number of groups.

    Returns
    -------
    SharedMovement
        A group of fewer than five vans has no shift: it can't be told from its vans'.

    Notes
    -----
    Group medians m with sampling variance 1.57 / n are shrunk by s² / (s² + 1.57 / n), s² being the variance of true
    shifts by moments over all groups of a quantity (empirical Bayes).
    """
    medians, counts = group_medians(residual, group, groups)
    enough = counts >= FEWEST_TOGETHER
    sampling = 1.57 / np.maximum(counts, 1)
    shift, u, spread = np.zeros_like(medians), np.zeros_like(medians), np.zeros(residual.shape[1])
    for column in range(residual.shape[1]):
        use = enough[:, column]
        if use.sum() < 2:
            continue
        m, noise = medians[use, column], sampling[use, column]
        real = max(float(np.mean(np.minimum(m**2, 9.0) - noise)), 0.0)
        spread[column] = np.sqrt(real)
        shift[use, column] = m * real / (real + noise)
        u[use, column] = np.sqrt(real * noise / (real + noise))
    return SharedMovement(shift, u, counts, spread)


def tracked_of(frame: pl.DataFrame) -> tuple[str, ...]:
    """The tracked quantities that were read at least once in a frame."""
    return tuple(q for q in QUANTITIES if QUANTITIES[q].tracked and q in frame.columns and frame[q].count() > 0)


def repaired_quantities(work: str) -> frozenset[str]:
    """The tracked quantities a repair may have touched; everything when its words name nothing known.

    Parameters
    ----------
    work : str
        Work and parts as written.

    Returns
    -------
    frozenset of str
        Names of data_contracts/signals.py.
    """
    words = work.casefold()
    touched: set[str] = set()
    for keys, quantities in _TOUCHED.items():
        if any(key in words for key in keys):
            touched.update(quantities)
    tracked = [q for q in QUANTITIES if QUANTITIES[q].tracked]
    return frozenset(q for q in tracked if not touched or base_name(q) in touched)


_AIRFLOW = ("idle_g_s", "first_peak_g_s", "main_peak_reference_g_s", "recirculation_pulse_g_s", "throttle_opened", "run_up_time_s", "flow_per_rev_mg")  # fmt: skip
_TRIMS = ("trim_idle_pct", "trim_2500_pct")
_LAMBDA = tuple(
    q for q in QUANTITIES if QUANTITIES[q].tracked and QUANTITIES[q].group == "lambda" and q == base_name(q)
)
_RESPONSE = tuple(q for q in _LAMBDA if "_to_rich_" in q or "_to_lean_" in q)
_MIXTURE = tuple(q for q in _LAMBDA if q not in _RESPONSE)
_TOUCHED: Mapping[tuple[str, ...], tuple[str, ...]] = {
    ("air-mass", "air mass", "airflow", "maf", "throttle", "intake", "inlet", "air filter", "turbo", "charge", "recirculation"): (*_AIRFLOW, *_TRIMS, "lambda_full_throttle", "lambda_full_throttle_v"),
    ("vacuum", "manifold", "gasket", "breather", "unmetered", "purge"): (*_AIRFLOW, *_TRIMS, *_MIXTURE),
    ("lambda", "oxygen"): (*_LAMBDA, *_TRIMS),
    ("inject", "fuel", "pump", "rail", "regulator"): (*_MIXTURE, *_TRIMS),
    ("ignition", "spark", "coil", "plug"): (*_MIXTURE, "run_up_time_s"),
    ("exhaust", "catalyst", "manifold", "silencer"): (*_AIRFLOW, *_LAMBDA, *_TRIMS),
}  # fmt: skip
