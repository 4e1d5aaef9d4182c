"""When each quantity of each van began to move, and the weeks until it crosses its family's limit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import partial
from itertools import pairwise

import numpy as np
import polars as pl

from data_contracts.family import Family
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.charts.alarms import Alarms
from models.tracking.charts.change_hypotheses import GROSS_SHARE
from models.tracking.charts.family_limits import beyond_limit, family_limits, is_response
from models.tracking.charts.first_signs import first_signs, gross_counts, gross_shares, onset_rates
from models.tracking.charts.forecast import Forecast, beyond_probability, weeks_to_limit
from models.tracking.charts.onset import Changes, changes
from models.tracking.charts.recursion import Followed
from models.tracking.charts.yet_to_begin import with_what_may_begin
from models.tracking.restarts import HELD, NO_RESTART
from models.tracking.scales import derivative, from_scale, to_scale
from models.tracking.standardise import Standardised

_TOLD = ("onset", "onset_low", "onset_high", "slope", "slope_u", "moving", "stepped", "beyond")


@dataclass(frozen=True)
class FleetForecast:
    """When the fleet's quantities began to move, and when they reach a limit.

    Attributes
    ----------
    onset, onset_low, onset_high : ndarray of shape (visits, quantities)
        Median of the week the movement began, and its 80 % interval, as of the visit, where the quantity is outside its
        own baseline; NaN elsewhere. The only estimate of when a change began: list, board and warranty file show it.
        [weeks]
    slope, slope_u : ndarray of shape (visits, quantities)
        Slope of what is in alarm, 0 where its movement has ended, and its standard uncertainty; NaN elsewhere.
        [scatters per week]
    moving, stepped : ndarray of shape (visits, quantities)
        Probability that a movement goes on, and that it was a step, where one was looked for; NaN elsewhere. [1]
    level, level_u : ndarray of shape (visits, quantities)
        Present level and its standard uncertainty, the only estimate that is shown: of the same posterior as onset, slope
        and limit where a movement was looked for, of the local trend elsewhere. [scatters]
    by_quantity : mapping of int to Forecast
        By column; rows are visits.
    beyond : ndarray of shape (visits, quantities)
        Probability that the level is beyond a limit now; NaN where no limit is known. [1]
    limits : mapping of (family number, quantity number) to (low, high)
        As they apply to what is read; NaN for none. [unit of the quantity]
    beyond_means : mapping of (family number, quantity number) to (urgency, kind of consequence)
        What it is to be beyond them, where there is one.
    trim_sum_pct : tuple of float
        Of each family: both trims together, to either side. [%]
    """

    onset: Floats
    onset_low: Floats
    onset_high: Floats
    slope: Floats
    slope_u: Floats
    moving: Floats
    stepped: Floats
    level: Floats
    level_u: Floats
    by_quantity: Mapping[int, Forecast]
    beyond: Floats
    limits: Mapping[tuple[int, int], tuple[float, float]]
    beyond_means: Mapping[tuple[int, int], tuple[str, str]]
    trim_sum_pct: tuple[float, ...]

    def drift(self, followed: Followed, rows: Codes, q: int) -> tuple[Floats, Floats]:
        """Slope of a quantity at some visits, and its standard uncertainty.

        Parameters
        ----------
        followed : Followed
            Charts of the same visits: what is not in alarm has the slope of its local trend.
        rows : ndarray of shape (n,), int
            Visits.
        q : int
            Quantity number.

        Returns
        -------
        slope, u : ndarray of shape (n,)
            [scatters per week]
        """
        known = np.isfinite(self.slope[rows, q])
        return (
            np.where(known, self.slope[rows, q], followed.slope[rows, q]),
            np.where(known, self.slope_u[rows, q], np.sqrt(followed.var_slope[rows, q])),
        )


def visit_interval(std: Standardised, usual: float) -> Floats:
    """Mean time between the visits of each van so far, at each visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    usual : float
        Taken before a van's third visit. [weeks]

    Returns
    -------
    ndarray of shape (visits,)
        [weeks]
    """
    begin = std.starts[:-1][std.van]
    count = np.arange(std.van.size) - begin
    span = (std.weeks - std.weeks[begin]).astype(np.float64)
    return np.where(count >= 2, span / np.maximum(count, 1), usual)


def changes_at(
    std: Standardised,
    rows: Codes,
    q: int,
    *,
    low: Floats | None = None,
    high: Floats | None = None,
    limit_variance: Floats | None = None,
    interval: Floats | None = None,
    onset_rate: Floats | None = None,
    gross_share: float = GROSS_SHARE,
) -> Changes:
    """How one quantity moves, as of some visits.

    Parameters
    ----------
    std : Standardised
        Visits.
    rows : ndarray of shape (n,), int
        Visits as of which movements are judged.
    q : int
        Quantity number.
    low, high, limit_variance, interval : ndarray of shape (visits,), optional
        Limits (NaN for none), their variance, weeks until the next visit, where a forecast is wanted. [scatters],
        [scatters²], [weeks]
    onset_rate : ndarray of shape (visits,), optional
    gross_share : float
        See `models.tracking.charts.onset.changes`.

    Returns
    -------
    Changes
        Searched from the van's first visit, or from the last restart of its baseline. A repair that brought nothing back is
        none: what had moved before it still stands.
    """
    start = int(std.starts[std.van[rows].min()]) if rows.size else 0
    span = slice(start, int(rows.max()) + 1 if rows.size else 0)  # the visits of these vans, not of the fleet
    own = np.arange(std.van.size)[span] - start
    starts_again = (std.restart[span, q] != NO_RESTART) & (std.restart[span, q] != HELD)
    begins = np.where(starts_again, own, std.starts[:-1][std.van[span]] - start)
    begins = np.maximum.accumulate(begins)
    spread = np.array(
        [std.levels[f, q].spread / std.scatter[f, q] if (f, q) in std.levels else 1.0 for f in range(len(std.families))]
    )
    none, nothing = np.full(rows.size, np.nan), np.zeros(rows.size)
    return changes(
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
        onset_rate=None if onset_rate is None else onset_rate[rows],
        gross_share=gross_share,
    )


def visit_times(std: Standardised, span: slice = slice(None)) -> Floats:
    """Time of each visit: the number of its week, with the fraction of it.

    Parameters
    ----------
    std : Standardised
        Visits.
    span : slice
        Visits wanted.

    Returns
    -------
    ndarray of shape (visits,)
        [weeks]
    """
    at = std.visits["captured_at"][span].dt
    return std.weeks[span] + (at.weekday().to_numpy() - 1.0 + at.hour().to_numpy() / 24.0) / 7.0


def _least_so_far(u: Floats, starts: Codes) -> Floats:
    """Least of each van's values up to each visit, NaN before its first."""
    least = np.full(u.size, np.nan)
    for begin, end in pairwise(starts):
        least[begin:end] = np.fmin.accumulate(u[begin:end])
    return least


def _limits_at(
    std: Standardised, families: Mapping[str, Family], q: int, limits: dict[tuple[int, int], tuple[float, float]]
) -> tuple[Floats, Floats, Floats]:
    """Limits of a quantity at every visit, and their variance; fills in those of each family. [scatters], [scatters²]"""
    quantity = std.quantities[q]
    low, high = np.full(std.van.size, np.nan), np.full(std.van.size, np.nan)
    limit_variance = np.zeros(std.van.size)  # of the limit itself: more visits do not reduce it
    reported = std.visits[quantity + "_u"].cast(pl.Float64).to_numpy() / np.abs(derivative(quantity, std.scaled[:, q]))
    common = np.nan_to_num(_least_so_far(reported, std.starts))
    for f, name in enumerate(std.families):
        if (f, q) not in std.levels:
            continue
        of, healthy = std.family == f, std.levels[f, q]
        natural = float(from_scale(quantity, np.array([healthy.level]))[0])
        limits[f, q] = family_limits(families[name], quantity, natural)
        with np.errstate(invalid="ignore"):
            low[of], high[of] = (to_scale(quantity, np.array(limits[f, q])) - healthy.level) / std.scatter[f, q]
        off = np.full(of.sum(), healthy.u) if is_response(quantity) else common[of]
        limit_variance[of] = (off / std.scatter[f, q]) ** 2
    return low, high, limit_variance


def _nearest(sides: Sequence[Forecast], judged: Sequence[tuple[Codes, Forecast, Flags]]) -> Forecast:
    """The nearer of two limits of a level that only wanders, and in place of it what was found of movements where one was looked for."""
    columns = []
    for name in (field.name for field in fields(Forecast)):
        nearer = np.fmin if name in ("low", "median", "high") else np.fmax
        column = nearer(*(getattr(side, name) for side in sides))
        for rows, found, known in judged:
            column[rows] = getattr(found, name)[known]
        columns.append(column)
    return Forecast(*columns)


def _note_movements(told: Mapping[str, Floats], found: Changes, moved: Codes, outside: Flags, q: int) -> None:
    """Write down how a quantity moves at visits, and when that began where it stands in alarm itself."""
    for name in ("onset", "onset_low", "onset_high"):
        told[name][moved[outside], q] = getattr(found, name)[outside]
    for name in ("slope", "slope_u", "moving", "stepped"):
        told[name][moved, q] = getattr(found, name)


def _set_levels(now: Floats, now_u: Floats, found: Changes, moved: Codes, known: Flags, q: int) -> None:
    """Take the levels of the movements where there are any."""
    now[moved[known], q], now_u[moved[known], q] = found.level[known], found.level_u[known]


def _at_rest(over: Floats, under: Floats, var_level: Floats, next_visit_weeks: Floats) -> list[Forecast]:
    """Weeks to either limit of what stays at its level and only wanders, by its margins."""
    return [weeks_to_limit(margin, var_level, next_visit_weeks=next_visit_weeks) for margin in (over, under)]


def fleet_forecasts(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    families: Mapping[str, Family],
    *,
    usual_interval: float,
    wanted: Flags | None = None,
    gross: Floats | None = None,
) -> FleetForecast:
    """When movements began, and the weeks to the family's limits, at every visit that is wanted.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms
        Their charts and alarms.
    families : mapping of str to Family
        Register.
    usual_interval : float
        Time to the next visit of a van with few visits. [weeks]
    wanted : ndarray of shape (visits,), bool, optional
        Visits of which anything will be said; all where left out. At the others nothing is looked for: level and its uncertainty
        are those of the local trend, and all else is NaN.
    gross : ndarray of shape (quantities,), optional
        As `models.tracking.charts.first_signs.gross_shares` finds over the whole fleet; where left out, these vans are the fleet. [1]

    Returns
    -------
    FleetForecast
        A quantity in alarm moves as `models.tracking.charts.onset` finds; one that shows a first sign may move, as found
        there; any other is taken to stay at its level and only wander, until it begins to move.
    """
    interval = visit_interval(std, usual_interval)
    asked = np.flatnonzero(wanted := np.ones(std.van.size, bool) if wanted is None else wanted)
    by_quantity: dict[int, Forecast] = {}
    told = {name: np.full(std.x.shape, np.nan) for name in _TOLD}
    now, now_u = followed.level.copy(), np.sqrt(followed.var_level)
    limits: dict[tuple[int, int], tuple[float, float]] = {}
    rates = onset_rates(followed, alarms)
    gross = gross_shares(gross_counts(std, followed)) if gross is None else gross
    for q in range(len(std.quantities)):
        low, high, limit_variance = _limits_at(std, families, q, limits)
        read = np.isfinite(std.x[:, q]) & wanted
        limited = read & (np.isfinite(low) | np.isfinite(high))
        outside = alarms.own[:, q] & read
        moved = np.flatnonzero(outside | (alarms.any[:, q] & limited))
        look = partial(changes_at, std, q=q, low=low, high=high, limit_variance=limit_variance, interval=interval)
        found = look(moved)
        _note_movements(told, found, moved, outside[moved], q)
        _set_levels(now, now_u, found, moved, np.isfinite(found.level), q)
        if not limited.any():
            continue
        level, var_level = followed.level[asked, q], (followed.var_level[:, q] + limit_variance)[asked]
        below, above = low[asked], high[asked]
        told["beyond"][asked, q] = beyond_probability(level, np.sqrt(var_level), low=below, high=above)
        signs = np.flatnonzero(limited & ~alarms.any[:, q] & ~outside & first_signs(followed, q))
        sign = look(signs, onset_rate=rates[:, q], gross_share=float(gross[q]))
        judged = [(rows[known := np.isfinite(of.beyond)], of, known) for rows, of in ((moved, found), (signs, sign))]
        still = _at_rest(level - below, above - level, var_level, interval[asked])
        for rows, of, known in judged:
            told["beyond"][rows, q] = of.beyond[known]
            now[rows, q], now_u[rows, q] = of.level[known], of.level_u[known]
        nearest = _nearest(still, [(np.searchsorted(asked, rows), of.forecast, known) for rows, of, known in judged])
        by_quantity[q] = with_what_may_begin(
            nearest,
            (limited & ~alarms.any[:, q])[asked],
            below=now[asked, q] - below,
            above=above - now[asked, q],
            next_visit_weeks=interval[asked],
        ).spread(asked, std.van.size)
        told["beyond"][~read, q] = np.nan
    sums = tuple(families[name].limits.trim_sum_pct for name in std.families)
    means = _beyond_means(std, families)
    return FleetForecast(
        **told, level=now, level_u=now_u, by_quantity=by_quantity, limits=limits, beyond_means=means, trim_sum_pct=sums
    )


def _beyond_means(std: Standardised, families: Mapping[str, Family]) -> dict[tuple[int, int], tuple[str, str]]:
    """What being beyond each limit means, by family and quantity."""
    return {
        (f, q): beyond_limit(families[name], quantity)
        for q, quantity in enumerate(std.quantities)
        for f, name in enumerate(std.families)
        if (f, q) in std.levels
    }
