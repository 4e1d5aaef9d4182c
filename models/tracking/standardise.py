"""Readings to scatters: every quantity at reference conditions, over its family's scatter, without what vans do together."""

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.family import AirflowSensor, Family
from models.physics.air import Air
from models.physics.transfer_table import recorder_doubt
from models.tracking.baseline import FamilyLevel, family_level, least_scatter, specification, visit_scatter
from models.tracking.charts.recursion import CHANGED, REPAIRED
from models.tracking.covariates import COVARIATES, Answer, design, fill_air, fit_answer, prior_of, tracked_of
from models.tracking.restarts import repaired_quantities
from models.tracking.scales import steepness, to_scale
from models.tracking.shared_shifts import FEWEST_TOGETHER, SharedMovement, group_medians, shared_movement
from models.tracking.visits import MAIN_PEAK, RECORDER

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


PASSES = 3
RECORDERS = 1
"""Place of the recorders among the shared movements."""
LEVELS = ("idle_g_s", "first_peak_g_s", MAIN_PEAK)
"""Levels of the flow that a wrong zero or gain of the recorder moves; the main peak stands under its tracked name."""


@dataclass(frozen=True)
class Movement:
    """Vans of one depot and recorder that moved together: the recorder or the barometer is accused before the vans.

    Attributes
    ----------
    depot, recorder_serial, week, quantity : str
        Where, with which instrument, when and in what.
    shift, u : float
        Common shift and its standard uncertainty. [scatters]
    vans : int
        Visits it rests on.
    """

    depot: str
    recorder_serial: str
    week: str
    quantity: str
    shift: float
    u: float
    vans: int


@dataclass(frozen=True)
class Standardised:
    """All visits on one footing.

    Attributes
    ----------
    visits : polars.DataFrame
        Rows, sorted by van and time.
    quantities : tuple of str
        Columns of the arrays.
    families : tuple of str
        Families, in the order of `family`.
    family, van, weeks : ndarray of shape (visits,), int
        Codes, and the week's number.
    starts : ndarray of shape (vans + 1,), int
        First visit of each van, and the end.
    scaled : ndarray of shape (visits, quantities)
        At reference conditions. [working scale]
    x : ndarray of shape (visits, quantities)
        Less the family's level and shared movements, over the scatter. [scatters]
    variance : ndarray of shape (visits, quantities)
        In-control variance of x; 1 for a usual visit. The visits' own, the repeats' over their number, the recorder's where its shift
        is not known, and the doubt in conditions and shared movements. [scatters²]
    conditions_u : ndarray of shape (visits, covariates)
        Standard uncertainty of the surroundings, as `models.tracking.covariates.COVARIATES`.
    peer_variance : ndarray of shape (visits, quantities)
        What conditions unlike the family's add against it. [scatters²]
    scatter : ndarray of shape (families, quantities)
        Visit-to-visit standard deviation. [working scale]
    repeat_share : ndarray of shape (families, quantities)
        Standard deviation of repeats over `scatter`. [1]
    levels : mapping of (family number, quantity number) to FamilyLevel
    answers : mapping of (family number, quantity number) to Answer
    restart : ndarray of shape (visits, quantities), int8
        For models.tracking.charts.recursion.
    movements : tuple of Movement
        Latest first.
    """

    visits: pl.DataFrame
    quantities: tuple[str, ...]
    families: tuple[str, ...]
    family: Codes
    van: Codes
    weeks: Codes
    starts: Codes
    scaled: Array
    x: Array
    variance: Array
    conditions_u: Array
    peer_variance: Array
    scatter: Array
    repeat_share: Array
    levels: Mapping[tuple[int, int], FamilyLevel]
    answers: Mapping[tuple[int, int], Answer]
    restart: NDArray[np.int8]
    movements: tuple[Movement, ...]


def week_number(week: str) -> int:
    """Number of an ISO week, one more for each next week.

    Parameters
    ----------
    week : str
        For example 2026-W14.

    Returns
    -------
    int
    """
    return date.fromisocalendar(int(week[:4]), int(week[6:]), 1).toordinal() // 7


def week_name(number: float) -> str:
    """The ISO week a moment lies in; undoes `week_number`.

    Parameters
    ----------
    number : float
        Number of the week and the fraction of it. [weeks]

    Returns
    -------
    str
        For example 2026-W14.
    """
    year, week, _ = date.fromordinal(int(number) * 7 + 1).isocalendar()
    return f"{year}-W{week:02d}"


def standardise(
    visits: pl.DataFrame, repeats: pl.DataFrame, families: Mapping[str, Family], repairs: pl.DataFrame
) -> Standardised:
    """Bring all visits of all families on one footing.

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

    Returns
    -------
    Standardised
    """
    quantities = tracked_of(visits)
    names = tuple(sorted(visits["family"].unique().to_list()))
    family = np.searchsorted(np.array(names), visits["family"].to_numpy().astype(str)).astype(np.int64)
    van_names = visits["van_id"].to_numpy().astype(str)
    first = np.flatnonzero(np.concatenate([[True], van_names[1:] != van_names[:-1]]))
    starts = np.append(first, len(van_names)).astype(np.int64)
    van = np.repeat(np.arange(first.size), np.diff(starts))
    number = {w: week_number(w) for w in visits["week"].unique().to_list()}
    weeks = visits["week"].replace_strict(number, return_dtype=pl.Int64).to_numpy()
    air, air_from = fill_air(visits)
    visits = visits.with_columns(air_from)

    shape = (visits.height, len(quantities))
    scaled, x = np.full(shape, np.nan), np.full(shape, np.nan)
    variance, peer_variance = np.ones(shape), np.zeros(shape)
    conditions_u = np.zeros((visits.height, len(COVARIATES)))
    scatter, repeat_share = np.full((len(names), shape[1]), np.nan), np.zeros((len(names), shape[1]))
    levels: dict[tuple[int, int], FamilyLevel] = {}
    answers: dict[tuple[int, int], Answer] = {}
    for f, name in enumerate(names):
        rows = np.flatnonzero(family == f)
        part = visits[rows]
        peak = families[name].main_peak
        covariates, covariates_u = design(
            part,
            _rows(air, rows),
            reference_intake_air_c=peak.reference_intake_air_c,
            reference_barometer_kpa=peak.reference_barometer_kpa,
        )
        conditions_u[rows] = covariates_u
        usual_u = np.median(covariates_u, axis=0)
        places = part.select("depot", "week").n_unique()
        independent = min(1.0, 2.0 * places / max(part.height, 1))
        inside = (
            covariates
            - group_medians(covariates, _dense(van[rows]), int(np.unique(van[rows]).size))[0][_dense(van[rows])]
        )
        across = covariates - np.median(covariates, axis=0)
        within = repeats.filter(pl.col("family") == name)
        for q, quantity in enumerate(quantities):
            value = part[quantity].cast(pl.Float64).to_numpy()
            if not np.isfinite(value).any():
                continue
            y = to_scale(quantity, value)
            steep = np.maximum(np.abs(steepness(quantity, y)), 1e-12)
            reported = _without_recorder(part, quantity, families[name].airflow_sensor) / steep
            least = least_scatter(quantity, reported)
            read = part[quantity + "_n"].to_numpy()
            repeat_sd = _repeat_sd(within, quantity, float(np.nanmedian(steep)), least)
            usual = max(1.3 * repeat_sd / np.sqrt(max(float(np.median(read[read > 0])), 1.0)), least)
            rough = visit_scatter(y, van[rows], least=least, usual=usual)
            answer = fit_answer(
                y,
                covariates,
                van[rows],
                scatter=rough,
                prior=prior_of(quantity, families[name].aspiration, rough),
                independent=independent,
            )
            corrected = y - covariates @ answer.slope
            sigma = visit_scatter(corrected, van[rows], least=least, usual=usual)
            level = family_level(corrected, van[rows], scatter=sigma, spec=specification(families[name], quantity))
            extra = (covariates_u**2 - np.minimum(covariates_u, usual_u) ** 2) @ answer.slope**2
            own = np.einsum("ij,jk,ik->i", inside, answer.covariance, inside)
            share = min(repeat_sd**2 / sigma**2, 1.5)
            few = share * (1.0 / np.maximum(read, 1) - 1.0 / max(float(np.median(read[read > 0])), 1.0))
            scaled[rows, q], x[rows, q] = corrected, (corrected - level.level) / sigma
            usual_reported = float(np.nanmedian(reported[np.isfinite(value)]))
            unsure = np.nan_to_num(np.maximum(reported**2 - usual_reported**2, 0.0)) / np.maximum(read, 1)
            variance[rows, q] = np.maximum(1.0 + few, 0.5) + (extra + own + unsure) / sigma**2
            peer_variance[rows, q] = np.einsum("ij,jk,ik->i", across, answer.covariance, across) / sigma**2
            scatter[f, q], repeat_share[f, q] = sigma, repeat_sd / sigma
            levels[f, q], answers[f, q] = level, answer
    movements = _take_off_shared(visits, x, variance, family, van, weeks, quantities)
    for f in range(len(names)):
        rows = np.flatnonzero(family == f)
        for q in range(len(quantities)):
            if (f, q) not in levels:
                continue
            after = visit_scatter(
                x[rows, q], van[rows], least=least_scatter(quantities[q], np.empty(0)) / scatter[f, q], usual=1.0
            )
            level = family_level(
                levels[f, q].level + x[rows, q] * scatter[f, q],
                van[rows],
                scatter=after * scatter[f, q],
                spec=specification(families[names[f]], quantities[q]),
            )
            x[rows, q] = (x[rows, q] - (level.level - levels[f, q].level) / scatter[f, q]) / after
            variance[rows, q] = 1.0 + (variance[rows, q] - 1.0) / after**2
            peer_variance[rows, q] /= after**2
            scatter[f, q] *= after
            repeat_share[f, q] /= after
            levels[f, q] = level
    return Standardised(
        visits, quantities, names, family, van, weeks, starts, scaled, x, np.maximum(variance, 0.3), conditions_u,
        peer_variance,
        scatter, repeat_share, levels, answers, _restarts(visits, quantities, repairs, starts), movements,
    )  # fmt: skip


def vans_spread(std: Standardised) -> Array:
    """Spread of healthy vans around their family, for each van and quantity; NaN where the family does not read it. [scatters]"""
    spread = np.full((len(std.families), len(std.quantities)), np.nan)
    for (f, q), level in std.levels.items():
        spread[f, q] = level.spread / std.scatter[f, q]
    return spread[std.family[std.starts[:-1]]]


def _dense(codes: Codes) -> Codes:
    return np.unique(codes, return_inverse=True)[1].astype(np.int64)


def _rows(air: Air, rows: Codes) -> Air:
    return Air(*(getattr(air, name)[rows] for name in Air.__dataclass_fields__))


def _without_recorder(part: pl.DataFrame, quantity: str, sensor: AirflowSensor) -> Array:
    """Uncertainty a reading reports less its recorder's zero and gain: those are the same at every visit with it.

    What they do to all vans of a recorder alike is found as a shared movement.
    """
    reported: Array = part[quantity + "_u"].cast(pl.Float64).to_numpy()
    level = MAIN_PEAK if quantity == "flow_per_rev_mg" else quantity
    if level not in LEVELS or level not in part.columns or not set(RECORDER) <= set(part.columns):
        return reported
    flow = part[level].cast(pl.Float64).to_numpy()
    offset, gain = (part[column].cast(pl.Float64).fill_null(0.0).to_numpy() for column in RECORDER)
    common = recorder_doubt(flow, sensor, offset, gain)
    if level != quantity:
        common = common / flow * part[quantity].cast(pl.Float64).to_numpy()
    return np.asarray(np.sqrt(np.maximum(reported**2 - common**2, 0.0)))


def _repeat_sd(within: pl.DataFrame, quantity: str, steep: float, least: float) -> float:
    spread = within[quantity].drop_nulls().to_numpy()
    spread = spread[np.isfinite(spread)]
    if spread.size < 5:
        return least
    return max(float(np.sqrt(np.median(spread**2) / 0.65)) / steep, 0.3 * least)  # median of chi-square over its mean


def _manner(visits: pl.DataFrame) -> Codes:
    """Manner of recording: length and sampling rate, to the nearest power of four."""
    length, rate = (np.nan_to_num(visits[c].cast(pl.Float64).to_numpy(), nan=1.0) for c in ("length_s", "rate_hz"))
    return np.asarray(
        100 * np.round(np.log(np.maximum(length, 1e-3)) / np.log(4.0))
        + np.round(np.log(np.maximum(rate, 1e-3)) / np.log(4.0)),
        dtype=np.int64,
    )


def _take_off_shared(
    visits: pl.DataFrame,
    x: Array,
    variance: Array,
    family: Codes,
    van: Codes,
    weeks: Codes,
    quantities: tuple[str, ...],
) -> tuple[Movement, ...]:
    """Take shared movements off x in place: of a manner of recording, an instrument, a family's week, a depot's and instrument's week."""
    serial = visits["recorder_serial"].fill_null("").to_numpy().astype(str)
    depot = visits["depot"].to_numpy().astype(str)
    groups = (
        np.unique(np.column_stack([family, _manner(visits)]), axis=0, return_inverse=True)[1].ravel(),
        np.unique(serial, return_inverse=True)[1],
        np.unique(np.column_stack([family, weeks]), axis=0, return_inverse=True)[1].ravel(),
        np.unique(np.char.add(np.char.add(np.char.add(depot, "\x1f"), np.char.add(serial, "\x1f")), weeks.astype(str)), return_inverse=True)[1],
    )  # fmt: skip
    sizes = [int(group.max()) + 1 for group in groups]
    nothing = [np.zeros((size, x.shape[1])) for size in sizes]
    moved = [SharedMovement(zero, zero, zero.astype(np.int64), zero[0]) for zero in nothing]
    remaining = x.copy()
    for _ in range(PASSES):  # each source again, now that the others are off
        for number, group in enumerate(groups):
            whole = remaining + moved[number].shift[group]
            inside = whole - group_medians(remaining, van, int(van.max()) + 1)[0][van]
            moved[number] = shared_movement(inside, group.astype(np.int64), sizes[number])
            remaining = whole - moved[number].shift[group]
    x[:] = remaining
    for each, group in zip(moved, groups, strict=True):
        variance += each.u[group] ** 2
    variance += _unknown_recorder(moved[RECORDERS], groups[RECORDERS], serial)
    last, member = moved[-1], np.zeros(sizes[-1], np.int64)
    member[groups[-1]] = np.arange(len(x))
    movements = [
        Movement(
            str(depot[member[g]]), str(serial[member[g]]), visits["week"][int(member[g])], quantities[q],
            float(last.shift[g, q]), float(last.u[g, q]), int(last.vans[g, q]),
        )
        for g, q in zip(*np.nonzero(np.abs(last.shift) > np.maximum(3.0 * last.u, 1.0)), strict=True)
    ]  # fmt: skip
    return tuple(sorted(movements, key=lambda m: (m.week, abs(m.shift)), reverse=True))


def _unknown_recorder(recorders: SharedMovement, group: Codes, serial: NDArray[np.str_]) -> Array:
    """Variance that a visit's recorder adds while nobody knows its shift: not named, or seen too rarely. [scatters²]"""
    unknown = (recorders.vans[group] < FEWEST_TOGETHER) | (serial == "")[:, None]
    return np.asarray(np.where(unknown, recorders.spread**2, 0.0))


def _restarts(
    visits: pl.DataFrame, quantities: tuple[str, ...], repairs: pl.DataFrame, starts: Codes
) -> NDArray[np.int8]:
    """Where baselines start again (repairs, for what they touched) or are doubted (another engine-control software)."""
    restart = np.zeros((visits.height, len(quantities)), np.int8)
    software = visits["ecu_software"].to_list()
    is_first = np.zeros(visits.height, bool)
    is_first[starts[:-1]] = True
    known: str | None = None
    for row, name in enumerate(software):
        if is_first[row]:
            known = name
        elif name is not None:
            if known is not None and name != known:
                restart[row] = CHANGED
            known = name
    if repairs.height:
        moments = visits["captured_at"].to_numpy()
        first_of = {visits["van_id"][int(s)]: (int(s), int(e)) for s, e in itertools.pairwise(starts)}
        for repair in repairs.sort("van_id", "done_at").iter_rows(named=True):
            if repair["van_id"] not in first_of:
                continue
            begin, end = first_of[repair["van_id"]]
            done = np.datetime64(repair["done_at"].replace(tzinfo=None), "us")
            row = begin + int(np.searchsorted(moments[begin:end], done, side="right"))
            if row < end and row > begin:
                touched = repaired_quantities(f"{repair['work']} {repair['parts'] or ''}")
                restart[row, [q for q, name in enumerate(quantities) if name in touched]] = REPAIRED
    return restart
