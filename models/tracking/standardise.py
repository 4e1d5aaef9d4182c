"""Readings to standardised residuals: at reference conditions, over the family's scatter, without shared shifts."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.family import Family
from data_contracts.limits import ZERO_CELSIUS_K
from data_contracts.signals import QUANTITIES, TRACKED, tracking_of
from data_contracts.weeks import week_number
from models.physics.air import known_air
from models.physics.speed_density import TEMPERATURE_POWER, temperature_u
from models.physics.transfer_table import common_uncertainty
from models.statistics.arrays import Codes, Floats
from models.statistics.side_by_side import side_by_side
from models.tracking.baseline import FamilyLevel, family_level, least_scatter, specification, visit_scatter
from models.tracking.covariates import (
    COVARIATES,
    CovariateSlopes,
    fill_air,
    fit_covariate_slopes,
    prior_of,
    tracked_of,
    variance_along,
)
from models.tracking.family_visits import FamilyVisits, visits_of_family
from models.tracking.restarts import restarts_of
from models.tracking.scales import derivative, to_scale
from models.tracking.shared_shifts import RecorderShift, remove_shared_shifts
from models.tracking.visits import AIR, RECORDER

LEVELS = tuple(name for name in TRACKED if tracking_of(name).flow_level == name)
"""Flow levels that a wrong zero or gain of the recorder moves; the main peak under its tracked name."""


@dataclass(frozen=True)
class Standardised:
    """All visits, standardised.

    Attributes
    ----------
    visits : polars.DataFrame
        One row per visit, sorted by van and time.
    quantities : tuple of str
        Columns of the arrays.
    families : tuple of str
        Families, in the order of `family`.
    family, van, weeks : ndarray of shape (visits,), int
        Codes of family and van, and number of the week.
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.
    scaled : ndarray of shape (visits, quantities)
        At reference conditions. [working scale]
    x : ndarray of shape (visits, quantities)
        Less the family's level and shared shifts, over the scatter. [scatters]
    variance : ndarray of shape (visits, quantities)
        In-control variance of x; 1 for a usual visit. It holds the scatter of visits, that of repeats over their
        number, the recorder where its shift is unknown, and the uncertainty of conditions and shared shifts.
        [scatters²]
    conditions_u : ndarray of shape (visits, covariates)
        Standard uncertainty of `models.tracking.covariates.COVARIATES`. [1]
    peer_variance : ndarray of shape (visits, quantities)
        Added to the comparison with the family where conditions differ from the family's. [scatters²]
    scatter : ndarray of shape (families, quantities)
        Visit-to-visit standard deviation. [working scale]
    repeat_share : ndarray of shape (families, quantities)
        Standard deviation of repeats over `scatter`. [1]
    levels : mapping of (family number, quantity number) to FamilyLevel
    covariate_slopes : mapping of (family number, quantity number) to CovariateSlopes
    restart : ndarray of shape (visits, quantities), int8
        As `models.tracking.restarts.restarts_of` returns.
    recorder_shifts : tuple of RecorderShift
        Latest first.
    """

    visits: pl.DataFrame
    quantities: tuple[str, ...]
    families: tuple[str, ...]
    family: Codes
    van: Codes
    weeks: Codes
    starts: Codes
    scaled: Floats
    x: Floats
    variance: Floats
    conditions_u: Floats
    peer_variance: Floats
    scatter: Floats
    repeat_share: Floats
    levels: Mapping[tuple[int, int], FamilyLevel]
    covariate_slopes: Mapping[tuple[int, int], CovariateSlopes]
    restart: NDArray[np.int8]
    recorder_shifts: tuple[RecorderShift, ...]


def standardise(
    visits: pl.DataFrame,
    repeats: pl.DataFrame,
    families: Mapping[str, Family],
    repairs: pl.DataFrame,
    threads: int = 1,
) -> Standardised:
    """Standardise the visits of all families.

    Parameters
    ----------
    visits : polars.DataFrame
        As `models.tracking.visits.visits_of` returns.
    repeats : polars.DataFrame
        As `models.tracking.visits.repeat_spread` returns.
    families : mapping of str to Family
        Register; every family of the visits must be in it.
    repairs : polars.DataFrame
        van_id, done_at, work, parts.
    threads : int
        How many quantities at a time.

    Returns
    -------
    Standardised
    """
    quantities = tracked_of(visits)
    names = tuple(sorted(visits["family"].unique().to_list()))
    family = np.searchsorted(np.array(names), visits["family"].to_numpy().astype(str)).astype(np.int64)
    van, starts = _vans(visits)
    weeks = _week_numbers(visits["week"])
    air, air_from = fill_air(visits)
    visits = visits.with_columns(air_from)
    shape = (visits.height, len(quantities))
    scaled, x, variance, peer_variance = (np.full(shape, value) for value in (np.nan, np.nan, 1.0, 0.0))
    conditions_u = np.zeros((visits.height, len(COVARIATES)))
    scatter, repeat_share = np.full((len(names), shape[1]), np.nan), np.zeros((len(names), shape[1]))
    levels: dict[tuple[int, int], FamilyLevel] = {}
    slopes: dict[tuple[int, int], CovariateSlopes] = {}
    for f, name in enumerate(names):
        rows = np.flatnonzero(family == f)
        of = visits_of_family(visits, rows, van[rows], air, families[name], repeats)
        conditions_u[rows] = of.covariates_u
        fill = partial(_filled, of, quantities, (scaled, x, variance, peer_variance))
        for q, found in enumerate(side_by_side(fill, range(len(quantities)), threads)):
            if found is not None:
                scatter[f, q], repeat_share[f, q] = found.scatter, found.repeat_sd / found.scatter
                levels[f, q], slopes[f, q] = found.level, found.slopes
    del of, fill
    visits = visits.drop(quantities)  # they are in `scaled`
    recorder_shifts = remove_shared_shifts(visits, x, variance, family, van, weeks, quantities, threads)
    of_families = [np.flatnonzero(family == f) for f in range(len(names))]

    def settle(at: tuple[int, int]) -> tuple[float, FamilyLevel]:
        (f, q), rows = at, of_families[at[0]]
        tables, of = (x, variance, peer_variance), families[names[f]]
        return _settled(tables, rows, van[rows], q, levels[at], scatter[at], quantities[q], of)

    for at, (after, level) in zip(tuple(levels), side_by_side(settle, tuple(levels), threads), strict=True):
        levels[at], scatter[at], repeat_share[at] = level, scatter[at] * after, repeat_share[at] / after
    return Standardised(
        visits=visits,
        quantities=quantities,
        families=names,
        family=family,
        van=van,
        weeks=weeks,
        starts=starts,
        scaled=scaled,
        x=x,
        variance=np.maximum(variance, 0.3, out=variance),
        conditions_u=conditions_u,
        peer_variance=peer_variance,
        scatter=scatter,
        repeat_share=repeat_share,
        levels=levels,
        covariate_slopes=slopes,
        restart=restarts_of(visits, quantities, repairs, starts),
        recorder_shifts=recorder_shifts,
    )


def _week_numbers(weeks: pl.Series) -> Codes:
    number = {w: week_number(w) for w in weeks.unique().to_list()}
    return weeks.replace_strict(number, return_dtype=pl.Int64).to_numpy()


def _vans(visits: pl.DataFrame) -> tuple[Codes, Codes]:
    """Number of each visit's van, and the first visit of each van with the end."""
    names = visits["van_id"].to_numpy().astype(str)
    first = np.flatnonzero(np.concatenate([[True], names[1:] != names[:-1]]))
    starts = np.append(first, len(names)).astype(np.int64)
    return np.repeat(np.arange(first.size), np.diff(starts)), starts


@dataclass(frozen=True)
class _Corrected:
    """One quantity of one family at reference conditions: arrays of shape (visits,), scalars for the family. [working
    scale]"""

    scaled: Floats
    variance: Floats
    peer_variance: Floats
    scatter: float
    repeat_sd: float
    level: FamilyLevel
    slopes: CovariateSlopes


def _filled(
    of: FamilyVisits, quantities: tuple[str, ...], tables: tuple[Floats, Floats, Floats, Floats], q: int
) -> _Corrected | None:
    """A quantity of a family, filled into the fleet's tables: scaled, x, variance and peer variance."""
    found, (scaled, x, variance, peer_variance) = _one_quantity(of, quantities[q]), tables
    if found is not None:
        scaled[of.rows, q] = found.scaled
        x[of.rows, q] = (found.scaled - found.level.level) / found.scatter
        variance[of.rows, q], peer_variance[of.rows, q] = found.variance, found.peer_variance
    return found


def _one_quantity(of: FamilyVisits, quantity: str) -> _Corrected | None:
    """A quantity of a family at reference conditions; None where it was never read."""
    value, value_u, worked_out = _values_of(of, quantity)
    if not np.isfinite(value).any():
        return None
    y = to_scale(quantity, value)
    steep = np.maximum(np.abs(derivative(quantity, y)), 1e-12)
    reported = value_u / steep
    least = least_scatter(quantity, reported)
    read = of.column(quantity + "_n")
    usual_read = max(float(np.median(read[read > 0])), 1.0)
    repeat_sd = _repeat_sd(of, quantity, float(np.nanmedian(steep)), least)
    usual = max(1.3 * repeat_sd / np.sqrt(usual_read), least)
    rough = visit_scatter(y, of.van, least=least, usual=usual)
    slopes = fit_covariate_slopes(
        y,
        of.covariates,
        of.van,
        scatter=rough,
        prior=prior_of(quantity, of.family.aspiration, rough),
        independent=of.independent,
    )
    corrected = y - of.covariates @ slopes.mean
    sigma = visit_scatter(corrected, of.van, least=least, usual=usual)
    level = family_level(corrected, of.van, scatter=sigma, spec=specification(of.family, quantity))
    usual_u = np.median(of.covariates_u, axis=0)
    extra = (of.covariates_u**2 - np.minimum(of.covariates_u, usual_u) ** 2) @ (slopes.mean - worked_out) ** 2
    own = variance_along(of.within_van, slopes.covariance)
    few = min(repeat_sd**2 / sigma**2, 1.5) * (1.0 / np.maximum(read, 1) - 1.0 / usual_read)
    usual_reported = float(np.nanmedian(reported[np.isfinite(value)]))
    unsure = np.nan_to_num(np.maximum(reported**2 - usual_reported**2, 0.0)) / np.maximum(read, 1)
    return _Corrected(
        scaled=corrected,
        variance=np.maximum(1.0 + few, 0.5) + (extra + own + unsure) / sigma**2,
        peer_variance=variance_along(of.across, slopes.covariance) / sigma**2,
        scatter=sigma,
        repeat_sd=repeat_sd,
        level=level,
        slopes=slopes,
    )


def _settled(
    tables: tuple[Floats, Floats, Floats],
    rows: Codes,
    van: Codes,
    q: int,
    before: FamilyLevel,
    scatter: float,
    quantity: str,
    family: Family,
) -> tuple[float, FamilyLevel]:
    """What `_without_shared` finds of a quantity of a family, taken into x, variance and peer variance of the fleet."""
    x, variance, peer_variance = tables
    spec = specification(family, quantity)
    after, level = _without_shared(x[rows, q], van, before, scatter, quantity, spec)
    x[rows, q] = (x[rows, q] - (level.level - before.level) / scatter) / after
    variance[rows, q] = 1.0 + (variance[rows, q] - 1.0) / after**2
    peer_variance[rows, q] /= after**2
    return after, level


def _without_shared(
    x: Floats, van: Codes, level: FamilyLevel, scatter: float, quantity: str, spec: tuple[float, float] | None
) -> tuple[float, FamilyLevel]:
    """Scatter and level of a family without shared shifts: the factor on the scatter, and the new level."""
    after = visit_scatter(x, van, least=least_scatter(quantity, np.empty(0)) / scatter, usual=1.0)
    return after, family_level(level.level + x * scatter, van, scatter=after * scatter, spec=spec)


def vans_spread(std: Standardised) -> Floats:
    """Spread of healthy vans around their family, by van and quantity.

    Parameters
    ----------
    std : Standardised

    Returns
    -------
    ndarray of shape (vans, quantities)
        NaN where the family does not read the quantity. [scatters]
    """
    spread = np.full((len(std.families), len(std.quantities)), np.nan)
    for (f, q), level in std.levels.items():
        spread[f, q] = level.spread / std.scatter[f, q]
    return spread[std.family[std.starts[:-1]]]


def sound_level(std: Standardised) -> Floats:
    """What a van is taken to read when it is sound, before anything is known of it, by van and quantity.

    Parameters
    ----------
    std : Standardised

    Returns
    -------
    ndarray of shape (vans, quantities)
        Its family's level; for fuel trims their physical zero, which holds also where much of a family is faulty.
        [scatters]
    """
    level = np.zeros((len(std.families), len(std.quantities)))
    for (f, q), known in std.levels.items():
        if QUANTITIES[std.quantities[q]].group == "trims":
            level[f, q] = -known.level / std.scatter[f, q]
    return level[std.family[std.starts[:-1]]]


def _values_of(of: FamilyVisits, quantity: str) -> tuple[Floats, Floats, Floats]:
    """Values of a quantity, their standard uncertainty but for what every visit shares, and slopes they were worked out by.

    A flow from manifold pressure is taken as worked out with the air known here: what is not known of that counts once.
    """
    value, u, slopes = of.column(quantity), _without_common(of, quantity), np.zeros(len(COVARIATES))
    if tracking_of(quantity).flow_level and not of.family.airflow_sensor.metered:
        measured = (of.column(name) for name in AIR)
        then = known_air(*measured, usual_intake_air_c=of.family.main_peak.reference_intake_air_c)
        u = np.sqrt(np.maximum(u**2 - (value * temperature_u(then.intake_air_u, then.intake_air_c)) ** 2, 0.0))
        kelvin_then, kelvin = (air.intake_air_c + ZERO_CELSIUS_K for air in (then, of.air))
        value = value * (kelvin_then / kelvin) ** TEMPERATURE_POWER
        slopes[COVARIATES.index("log_temperature")] = TEMPERATURE_POWER
    return value, u, slopes


def _without_common(of: FamilyVisits, quantity: str) -> Floats:
    """Standard uncertainty a reading reports, without what is the same at every visit: its recorder's zero and gain, or the
    family's volumetric efficiency.

    What a recorder does to all its vans alike is found as a shared shift.
    """
    reported, sensor, known = of.column(quantity + "_u"), of.family.airflow_sensor, of.fleet.columns
    level = tracking_of(quantity).flow_level
    if level not in known or (sensor.metered and not set(RECORDER) <= set(known)):
        return reported
    flow = of.column(level)
    nothing = np.zeros(flow.size)
    offset, gain = (np.nan_to_num(of.column(name)) if name in known else nothing for name in RECORDER)
    common = common_uncertainty(flow, sensor, offset, gain)
    if level != quantity:
        common = common / flow * of.column(quantity)
    return np.asarray(np.sqrt(np.maximum(reported**2 - common**2, 0.0)))


def _repeat_sd(of: FamilyVisits, quantity: str, steep: float, least: float) -> float:
    spread = of.repeats[quantity].filter(of.repeats["family"] == of.family.name).drop_nulls().to_numpy()
    spread = spread[np.isfinite(spread)]
    if spread.size < 5:
        return least
    return max(float(np.sqrt(np.median(spread**2) / 0.65)) / steep, 0.3 * least)  # median of chi-square over its mean
