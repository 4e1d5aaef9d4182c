"""The fleet's charts and forecasts, kept at the visits of which something is told.

Everything that is worked out of a visit is in memory of some hundreds of vans at a time.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Any, NamedTuple, TypeVar

import numpy as np
import polars as pl

from data_contracts.family import AirflowSensor, Family, LambdaSensor, MainPeak
from data_contracts.family_limits import HurtLimit, HurtLimits
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.anomaly.fleet import Views, calibration_rows, views_of
from models.tracking.baseline import FamilyLevel
from models.tracking.charts.alarms import OWN_SHARE, PEER_SHARE, Alarms
from models.tracking.charts.by_vans import Shared, charted_with, shared_of
from models.tracking.charts.dispersion import Dispersion
from models.tracking.charts.forecast import Forecast
from models.tracking.charts.limit_forecasts import FleetForecast, fleet_forecasts
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import RepeatabilityAlarms
from models.tracking.covariates import CovariateSlopes
from models.tracking.parts import Vans, at_visits, of_vans, some_vans
from models.tracking.repeats import repeat_scatter, visits_with_repeats
from models.tracking.standardise import Standardised
from models.tracking.state.record import Judged
from models.tracking.state.residuals import Residuals, residuals_of, together
from models.tracking.state.standing import carry_standing, visits_told
from models.tracking.state.trends import trends_of


class Told(NamedTuple):
    """What was found of a fleet.

    Attributes
    ----------
    parts : tuple of callable
        Each gives what was judged of some vans, at the visits of which their state is told, with those at which an alarm of theirs
        began; without the scatter of repeats.
    rows : tuple of ndarray of int
        Numbers of these visits among all, part by part.
    without_alarm : ndarray of shape (visits,), bool
        Visits without any alarm.
    views : Views
        Of the visits that `models.tracking.anomaly.fleet.calibration_rows` names.
    residuals : Residuals
        Of the vans whose latest visits were asked for.
    trends : polars.DataFrame
        As `models.tracking.state.trends.trends_of` returns.
    """

    parts: tuple[Callable[[], Judged], ...]
    rows: tuple[Codes, ...]
    without_alarm: Flags
    views: Views
    residuals: Residuals
    trends: pl.DataFrame


class Asked(NamedTuple):
    """What is asked of the charts.

    Attributes
    ----------
    per_van_week : float
        Accepted false alarms per van and week, all mechanisms together. [1]
    usual_interval : float
        Time to the next visit of a van with few visits. [weeks]
    within_weeks : int
        See `models.tracking.state.standing.carry_standing`. [weeks]
    first_week : int
        Number of the first week of which trends are told.
    """

    per_van_week: float
    usual_interval: float
    within_weeks: int
    first_week: int


class Piece(NamedTuple):
    """Some vans, with all that telling of them takes: nothing else of the fleet is looked at.

    Attributes
    ----------
    first : int
        Number of their first visit among all. Other visits are numbered from it.
    std : Standardised
        Their visits.
    within : ndarray of shape (visits, quantities)
        As `models.tracking.repeats.repeats_at_visits` returns. [unit of the quantity]
    repeats : polars.DataFrame
        As `models.tracking.state.residuals.latest_repeats` returns.
    repeatability : RepeatabilityAlarms
    shared : Shared
    seen : ndarray of shape (families, quantities), int
        As `models.tracking.repeats.visits_with_repeats` returns of the whole fleet.
    latest, calibrating : ndarray of int
        Visits of which the state is told, and those that `models.tracking.anomaly.fleet.calibration_rows` names.
    repairs : polars.DataFrame
        Up to the week judged.
    families : mapping of str to Family
        Register.
    asked : Asked
    """

    first: int
    std: Standardised
    within: Floats
    repeats: pl.DataFrame
    repeatability: RepeatabilityAlarms
    shared: Shared
    seen: Codes
    latest: Codes
    calibrating: Codes
    repairs: pl.DataFrame
    families: Mapping[str, Family]
    asked: Asked


class Part(NamedTuple):
    """What is kept of some vans.

    Attributes
    ----------
    judged : Judged
        At the visits that `Told` names.
    rows : ndarray of shape (told,), int
        Numbers of these visits among all.
    without_alarm, views, residuals, trends
        As of `Told`, of these vans.
    """

    judged: Judged
    rows: Codes
    without_alarm: Flags
    views: Views
    residuals: Residuals
    trends: pl.DataFrame


Record = TypeVar("Record", Alarms, RepeatabilityAlarms, FleetForecast, Forecast)
_SAID_OF_VISITS = ("van_id", "family", "depot", "week")
"""What states say of a visit itself."""

KINDS = (
    *(
        Piece,
        Part,
        Asked,
        Residuals,
        Shared,
        Dispersion,
        RepeatabilityAlarms,
        Standardised,
        FamilyLevel,
        CovariateSlopes,
        Judged,
        Followed,
        Alarms,
        FleetForecast,
        Forecast,
        Views,
    ),
    *(Family, AirflowSensor, MainPeak, LambdaSensor, HurtLimits, HurtLimit),
)
"""Records that pieces and parts are made of."""

Tell = Callable[[Callable[[Piece], Part], Sequence[Piece]], Iterable[Part]]
"""Does a piece of work for each piece, wherever, and gives the parts in the order of the pieces."""
Keep = Callable[[pl.DataFrame], object]
"""Takes the rows of trends of some vans, all that there are of them."""
Aside = Callable[[Judged], Callable[[], Judged]]
"""Puts a record aside, and returns what gives it back."""


def told_of(pieces: Sequence[Piece], tell: Tell, keep: Keep | None = None, aside: Aside | None = None) -> Told:
    """Chart all vans and keep what is told.

    Parameters
    ----------
    pieces : sequence of Piece
        As `pieces_of` returns.
    tell : callable
        Shares the pieces out.
    keep : callable, optional
        Given the trends of each piece as it is done; those of what is returned are none then.
    aside : callable, optional
        Given what was judged of each piece; it stays in memory where left out.

    Returns
    -------
    Told
    """
    judged, others = [], []
    for part in tell(part_of, pieces):
        judged.append(aside(part.judged) if aside else partial(_itself, part.judged))
        others.append((*part[1:-1], _handed_on(part.trends, keep)))
    rows, without_alarm, views, residuals, trends = zip(*others, strict=True)
    seen = Views(*(np.concatenate(tables) for tables in zip(*views, strict=True)))
    return Told(tuple(judged), rows, np.concatenate(without_alarm), seen, together(residuals), pl.concat(trends))


def pieces_of(
    std: Standardised,
    families: Mapping[str, Family],
    within: Floats,
    repeats: pl.DataFrame,
    repeatability: RepeatabilityAlarms,
    repairs: pl.DataFrame,
    latest: Codes,
    asked: Asked,
    *,
    threads: int = 1,
) -> list[Piece]:
    """The fleet in pieces, mostly without a copy.

    Parameters
    ----------
    std, families, within, repeats, repeatability, repairs, asked
        As of `Piece`, for the whole fleet.
    latest : ndarray of shape (vans,), int
        The visits of which the state is told, rising.
    threads : int
        How many parts of the fleet at a time, for what its charts share.

    Returns
    -------
    list of Piece
    """
    shared, seen = shared_of(std, threads), visits_with_repeats(std, within)
    calibrating, std = calibration_rows(std, latest), replace(std, recorder_shifts=())
    pieces = []
    for some in some_vans(std):
        mine, first = of_vans(std, some), some.visits.start
        alarms = {name: table[some.visits] for name, table in _tables(repeatability).items() if name != "quantities"}
        alarms["since"] = _from(alarms["since"], -first)
        van_ids = mine.visits["van_id"].gather(mine.starts[:-1])
        pieces.append(
            Piece(
                first,
                mine,
                within[some.visits],
                repeats.filter(pl.col("van_id").is_in(van_ids.implode())),
                RepeatabilityAlarms(repeatability.quantities, **alarms),
                shared.of_vans(some.vans),
                seen,
                _among(latest, some.visits),
                _among(calibrating, some.visits),
                repairs.filter(pl.col("van_id").is_in(van_ids.implode())) if repairs.height else repairs,
                {name: families[name] for name in std.families},
                asked,
            )
        )
    return pieces


def part_of(piece: Piece) -> Part:
    """Chart some vans and keep what is told.

    Parameters
    ----------
    piece : Piece
        Which; nothing of it is changed.

    Returns
    -------
    Part
    """
    asked, newest = piece.asked, piece.latest
    std = replace(piece.std, variance=piece.std.variance.copy())  # what stands is carried into it
    everyone = Vans(slice(0, std.starts.size - 1), slice(0, std.van.size))
    shares = {"own_share": OWN_SHARE, "peer_share": PEER_SHARE}
    _, _, followed, alarms, gross = charted_with(piece.shared, everyone, std, asked.per_van_week, **shares)
    told = visits_told(std, newest)
    forecasts = fleet_forecasts(
        std,
        followed,
        alarms,
        piece.families,
        usual_interval=asked.usual_interval,
        wanted=told | (std.weeks >= asked.first_week),
        gross=gross,
    )
    carry_standing(std, followed, alarms, forecasts, newest, within_weeks=asked.within_weeks)
    views = views_of(followed, alarms, piece.calibrating)
    van_ids = std.visits["van_id"].gather(newest).to_list()
    residuals = residuals_of(std, followed, alarms, piece.repeats, van_ids, within_weeks=asked.within_weeks)
    scatter = repeat_scatter(std, piece.within, asked.first_week, piece.seen)
    judged = Judged(std, followed, alarms, forecasts, piece.repeatability, scatter)
    rows = _kept_rows(told, alarms, piece.repeatability)
    trends = trends_of(judged, piece.repairs, asked.first_week)
    return Part(_at(judged, rows), rows + piece.first, np.logical_not(alarms.any.any(axis=1)), views, residuals, trends)


def _itself(judged: Judged) -> Judged:
    return judged


def _handed_on(trends: pl.DataFrame, keep: Keep | None) -> pl.DataFrame:
    """What is still kept here of the trends of a piece."""
    if keep is None:
        return trends
    keep(trends)
    return trends.clear()


def _at(judged: Judged, rows: Codes) -> Judged:
    """What is told of some visits, as a copy of their own; where an alarm began, among them."""
    std = at_visits(judged.std, rows)
    since = [_place(record.since[rows], rows) for record in (judged.alarms, judged.repeatability)]
    ahead = {q: _rows_of(weeks, rows) for q, weeks in judged.forecasts.by_quantity.items()}
    return Judged(
        replace(std, visits=std.visits.select(_SAID_OF_VISITS)),
        Followed(*(table[rows] for table in judged.followed)),
        _rows_of(judged.alarms, rows, since=since[0]),
        _rows_of(judged.forecasts, rows, by_quantity=ahead),
        _rows_of(judged.repeatability, rows, since=since[1]),
        {},
    )


def _rows_of(record: Record, rows: Codes, **others: Any) -> Record:
    """A record with some rows of each of its arrays, and with others in their place."""
    tables = {name: table[rows] for name, table in _tables(record).items() if isinstance(table, np.ndarray)}
    return replace(record, **(tables | others))


def _place(visits: Codes, rows: Codes) -> Codes:
    """Visits by their place among rows that hold them; -1 stays."""
    return np.where(visits >= 0, np.searchsorted(rows, visits), -1)


def _kept_rows(told: Flags, alarms: Alarms, repeatability: RepeatabilityAlarms) -> Codes:
    """The visits of which the state is told, with those at which an alarm of theirs began."""
    began, kept = np.column_stack([alarms.since, repeatability.since])[told], told.copy()
    kept[began[began >= 0]] = True
    return np.flatnonzero(kept)


def _among(rows: Codes, visits: slice) -> Codes:
    """Those of some rising visits that are in a part, by their place in it."""
    first, end = np.searchsorted(rows, [visits.start, visits.stop])
    return np.asarray(rows[first:end] - visits.start)


def _from(rows: Codes, start: int) -> Codes:
    """Visits by their number from another on; -1 stays."""
    return np.where(rows >= 0, rows + start, -1)


def _tables(record: Any) -> dict[str, Any]:
    return {each.name: getattr(record, each.name) for each in fields(record)}
