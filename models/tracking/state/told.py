"""The fleet's charts and forecasts, kept at the visits of which something is told.

Everything that is worked out of a visit is in memory of some hundreds of vans at a time.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.family import AirflowSensor, Family, LambdaSensor, MainPeak
from data_contracts.family_limits import HurtLimit, HurtLimits
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.anomaly.fleet import Views, calibration_rows, views_of
from models.tracking.baseline import FamilyLevel
from models.tracking.charts.alarms import OWN_SHARE, PEER_SHARE, Alarms
from models.tracking.charts.by_vans import Shared, charted_with, shared_of
from models.tracking.charts.dispersion import Dispersion
from models.tracking.charts.forecast import Forecast, nothing_known
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
    judged : Judged
        At the visits of which a van's state is told, with those at which an alarm of theirs began; without the scatter of repeats.
    rows : ndarray of shape (told,), int
        Number of each of these among all visits.
    without_alarm : ndarray of shape (visits,), bool
        Visits without any alarm.
    views : Views
        Of the visits that `models.tracking.anomaly.fleet.calibration_rows` names.
    residuals : Residuals
        Of the vans whose latest visits were asked for.
    trends : polars.DataFrame
        As `models.tracking.state.trends.trends_of` returns.
    """

    judged: Judged
    rows: Codes
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


Tables = dict[str, dict[str, NDArray[Any]]]


class Part(NamedTuple):
    """What is kept of some vans.

    Attributes
    ----------
    tables : mapping of str to mapping of str to ndarray
        Their told rows of the tables of each kind.
    limits : mapping of str to object
        What of `FleetForecast` is no table.
    ahead : list of int
        Quantities with a limit.
    residuals : Residuals
    trends : polars.DataFrame
    """

    tables: Tables
    limits: dict[str, Any]
    ahead: list[int]
    residuals: Residuals
    trends: pl.DataFrame


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
    ),
    *(Family, AirflowSensor, MainPeak, LambdaSensor, HurtLimits, HurtLimit),
)
"""Records that pieces and parts are made of."""

Tell = Callable[[Callable[[Piece], Part], Sequence[Piece]], Iterable[Part]]
"""Does a piece of work for each piece, wherever, and gives the parts in the order of the pieces."""
Keep = Callable[[pl.DataFrame], object]
"""Takes the rows of trends of some vans, all that there are of them."""


def told_of(
    pieces: Sequence[Piece], std: Standardised, repeating: tuple[str, ...], tell: Tell, keep: Keep | None = None
) -> Told:
    """Chart all vans and keep what is told.

    Parameters
    ----------
    pieces : sequence of Piece
        As `pieces_of` returns.
    std : Standardised
        Visits of the whole fleet.
    repeating : tuple of str
        Quantities whose repeats are charted.
    tell : callable
        Shares the pieces out.
    keep : callable, optional
        Given the trends of each piece as it is done; those of what is returned are none then.

    Returns
    -------
    Told
    """
    return _told(std, repeating, [_handed_on(part, keep) for part in tell(part_of, pieces)])


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
    views = views_of(followed, alarms, piece.calibrating)._asdict()
    van_ids = std.visits["van_id"].gather(newest).to_list()
    residuals = residuals_of(std, followed, alarms, piece.repeats, van_ids, within_weeks=asked.within_weeks)
    scatter = repeat_scatter(std, piece.within, asked.first_week, piece.seen)
    judged = Judged(std, followed, alarms, forecasts, piece.repeatability, scatter)
    rows = _kept_rows(told, alarms, piece.repeatability)
    known = {q: forecasts.by_quantity.get(q) or nothing_known(std.van.size) for q in range(len(std.quantities))}
    tables = {
        "fleet": {"without_alarm": ~alarms.any.any(axis=1), "rows": rows + piece.first},
        "views": views,
        "visits": {"variance": std.variance[rows]},
        "followed": _of(followed._asdict(), rows),
        "alarms": _of(_tables(replace(alarms, since=_from(alarms.since, piece.first))), rows),
        "repeatability": _of(
            _tables(replace(piece.repeatability, since=_from(piece.repeatability.since, piece.first))), rows
        ),
        "forecasts": _of(_tables(forecasts), rows),
        **{f"weeks {std.quantities[q]}": _of(_tables(weeks), rows) for q, weeks in known.items()},
    }
    trends = trends_of(judged, piece.repairs, asked.first_week)
    return Part(tables, _limits(forecasts), list(forecasts.by_quantity), residuals, trends)


def _handed_on(part: Part, keep: Keep | None) -> Part:
    """What is still kept here of a part."""
    if keep is None:
        return part
    keep(part.trends)
    return part._replace(trends=part.trends.clear())


def _of(tables: Mapping[str, Any], rows: Codes) -> dict[str, NDArray[Any]]:
    """Some rows of those that are arrays, as a copy of their own."""
    return {name: np.array(table[rows]) for name, table in tables.items() if isinstance(table, np.ndarray)}


def _whole(parts: list[Tables]) -> Tables:
    """The tables of all parts, each put together once; the parts are emptied on the way."""
    return {
        of: {name: np.concatenate([part[of].pop(name) for part in parts]) for name in list(parts[0][of])}
        for of in parts[0]
    }


def _kept_rows(told: Flags, alarms: Alarms, repeatability: RepeatabilityAlarms) -> Codes:
    """The visits of which the state is told, with those at which an alarm of theirs began."""
    began, kept = np.column_stack([alarms.since, repeatability.since])[told], told.copy()
    kept[began[began >= 0]] = True
    return np.flatnonzero(kept)


def _limits(forecasts: FleetForecast) -> dict[str, Any]:
    """What of forecasts is no table of visits."""
    return {
        name: value
        for name, value in _tables(forecasts).items()
        if name != "by_quantity" and not isinstance(value, np.ndarray)
    }


def _told(std: Standardised, repeating: tuple[str, ...], parts: list[Part]) -> Told:
    """What was kept of all parts, put together."""
    kept, ahead = _whole([part.tables for part in parts]), sorted({q for part in parts for q in part.ahead})
    fleet, alarms, repeatability = kept["fleet"], kept["alarms"], kept["repeatability"]
    rows = fleet["rows"]
    for tables in (alarms, repeatability):
        tables["since"] = np.where(tables["since"] >= 0, np.searchsorted(rows, tables["since"]), -1)
    weeks = {q: Forecast(**kept[f"weeks {std.quantities[q]}"]) for q in ahead}
    judged = Judged(
        replace(at_visits(std, rows), variance=kept["visits"]["variance"]),
        Followed(**kept["followed"]),
        Alarms(**alarms),
        FleetForecast(**{**parts[0].limits, **kept["forecasts"]}, by_quantity=weeks),
        RepeatabilityAlarms(repeating, **repeatability),
        {},
    )
    residuals = together([part.residuals for part in parts])
    trends = pl.concat([part.trends for part in parts])
    return Told(judged, rows, fleet["without_alarm"], Views(**kept["views"]), residuals, trends)


def _among(rows: Codes, visits: slice) -> Codes:
    """Those of some rising visits that are in a part, by their place in it."""
    first, end = np.searchsorted(rows, [visits.start, visits.stop])
    return np.asarray(rows[first:end] - visits.start)


def _from(rows: Codes, start: int) -> Codes:
    """Visits by their number from another on; -1 stays."""
    return np.where(rows >= 0, rows + start, -1)


def _tables(record: Any) -> dict[str, Any]:
    return {each.name: getattr(record, each.name) for each in fields(record)}
