"""The fleet's charts and forecasts, kept at the visits of which something is told.

Everything that is worked out of a visit is in memory of some hundreds of vans at a time.
"""

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.family import Family
from models.statistics.arrays import Codes, Flags, Floats
from models.tracking.anomaly.fleet import Views, calibration_rows, views_of
from models.tracking.charts.alarms import OWN_SHARE, PEER_SHARE, Alarms
from models.tracking.charts.by_vans import Charts, charts_of
from models.tracking.charts.forecast import Forecast, nothing_known
from models.tracking.charts.limit_forecasts import FleetForecast, fleet_forecasts
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import RepeatabilityAlarms
from models.tracking.parts import at_visits
from models.tracking.repeats import RepeatScatter, repeat_scatter, visits_with_repeats
from models.tracking.restarts import NO_RESTART
from models.tracking.standardise import Standardised
from models.tracking.state.record import Judged
from models.tracking.state.residuals import Residuals, residuals_of, together
from models.tracking.state.standing import carry_standing, visits_told


class Told(NamedTuple):
    """What was found of a fleet.

    Attributes
    ----------
    judged : Judged
        At the visits of which something is told, with those at which an alarm or a segment of theirs began.
    rows : ndarray of shape (told,), int
        Number of each of these among all visits.
    without_alarm : ndarray of shape (visits,), bool
        Visits without any alarm.
    views : Views
        Of the visits that `models.tracking.anomaly.fleet.calibration_rows` names.
    residuals : Residuals
        Of the vans whose latest visits were asked for.
    """

    judged: Judged
    rows: Codes
    without_alarm: Flags
    views: Views
    residuals: Residuals


_Tables = dict[str, dict[str, NDArray[Any]]]


class _Part(NamedTuple):
    """What is kept of some vans.

    Attributes
    ----------
    tables : mapping of str to mapping of str to ndarray
        Their told rows of the tables of each kind.
    shared : mapping of str to object
        What of `FleetForecast` is no table.
    ahead : list of int
        Quantities with a limit.
    residuals : Residuals
    """

    tables: _Tables
    shared: dict[str, Any]
    ahead: list[int]
    residuals: Residuals


def _of(tables: Mapping[str, Any], rows: Codes | slice = slice(None)) -> dict[str, NDArray[Any]]:
    """Some rows of those that are arrays, as a copy of their own."""
    return {name: np.array(table[rows]) for name, table in tables.items() if isinstance(table, np.ndarray)}


def _whole(parts: list[_Tables]) -> _Tables:
    """The tables of all parts, each put together once; the parts are emptied on the way."""
    return {
        of: {name: np.concatenate([part[of].pop(name) for part in parts]) for name in list(parts[0][of])}
        for of in parts[0]
    }


def told_of(
    std: Standardised,
    families: Mapping[str, Family],
    within: Floats,
    repeats: pl.DataFrame,
    repeatability: RepeatabilityAlarms,
    *,
    per_van_week: float,
    usual_interval: float,
    within_weeks: int,
    latest: Codes,
    first_week: int,
    threads: int = 1,
) -> Told:
    """Chart all vans and keep what is told.

    Parameters
    ----------
    std : Standardised
        Visits.
    families : mapping of str to Family
        Register.
    within : ndarray of shape (visits, quantities)
        As `models.tracking.repeats.repeats_at_visits` returns. [unit of the quantity]
    repeats : polars.DataFrame
        As `models.tracking.state.residuals.latest_repeats` returns.
    repeatability : RepeatabilityAlarms
        At all visits.
    per_van_week : float
        Accepted false alarms per van and week, all mechanisms together. [1]
    usual_interval : float
        Time to the next visit of a van with few visits. [weeks]
    within_weeks : int
        See `models.tracking.state.standing.carry_standing`. [weeks]
    latest : ndarray of shape (vans,), int
        The visits of which the state is told, rising.
    first_week : int
        Number of the first week of which trends are told.
    threads : int
        How many parts of the fleet at a time.

    Returns
    -------
    Told
    """
    seen, calibrating = visits_with_repeats(std, within), calibration_rows(std, latest)

    def of_part(charts: Charts) -> _Part:
        some, mine, followed, alarms, gross = charts
        newest = _among(latest, some.visits)
        told = visits_told(mine, newest, first_week)
        forecasts = fleet_forecasts(
            mine, followed, alarms, families, usual_interval=usual_interval, wanted=told, gross=gross
        )
        carry_standing(mine, followed, alarms, forecasts, newest, within_weeks=within_weeks)
        views = views_of(followed, alarms, _among(calibrating, some.visits))._asdict()
        van_ids = mine.visits["van_id"].gather(newest).to_list()
        residuals = residuals_of(mine, followed, alarms, repeats, van_ids, within_weeks=within_weeks)

        repeating = {name: table[some.visits] for name, table in _tables(repeatability).items() if name != "quantities"}
        rows = _kept_rows(mine, told, alarms, repeating["since"] - some.visits.start)
        scatter = repeat_scatter(mine, within[some.visits], first_week, seen)
        known = {q: forecasts.by_quantity.get(q) or nothing_known(mine.van.size) for q in range(len(std.quantities))}
        tables = {
            "fleet": {"without_alarm": ~alarms.any.any(axis=1), "rows": rows + some.visits.start},
            "views": views,
            "followed": _of(followed._asdict(), rows),
            "alarms": _of(_tables(replace(alarms, since=_of_all(alarms.since, some.visits.start))), rows),
            "repeatability": _of(repeating, rows),
            "forecasts": _of(_tables(forecasts), rows),
            **{f"scatter {quantity}": _of(scatter[quantity]._asdict(), rows) for quantity in std.quantities},
            **{f"weeks {std.quantities[q]}": _of(_tables(weeks), rows) for q, weeks in known.items()},
        }
        return _Part(tables, _shared(forecasts), list(forecasts.by_quantity), residuals)

    parts = charts_of(
        std, of_part, per_van_week=per_van_week, own_share=OWN_SHARE, peer_share=PEER_SHARE, threads=threads
    )
    return _told(std, repeatability.quantities, list(parts))


def _kept_rows(std: Standardised, told: Flags, alarms: Alarms, repeats_since: Codes) -> Codes:
    """The visits of which something is told, with those at which an alarm or a segment of theirs began."""
    began = np.column_stack([alarms.since, np.maximum(repeats_since, -1)])[told]
    kept = told | (std.restart != NO_RESTART).any(axis=1)
    kept[began[began >= 0]] = True
    return np.flatnonzero(kept)


def _shared(forecasts: FleetForecast) -> dict[str, Any]:
    """What of forecasts is no table of visits."""
    return {
        name: value
        for name, value in _tables(forecasts).items()
        if name != "by_quantity" and not isinstance(value, np.ndarray)
    }


def _told(std: Standardised, repeating: tuple[str, ...], parts: list[_Part]) -> Told:
    """What was kept of all parts, put together."""
    kept, ahead = _whole([part.tables for part in parts]), sorted({q for part in parts for q in part.ahead})
    fleet, alarms, repeatability = kept["fleet"], kept["alarms"], kept["repeatability"]
    rows = fleet["rows"]
    for tables in (alarms, repeatability):
        tables["since"] = np.where(tables["since"] >= 0, np.searchsorted(rows, tables["since"]), -1)
    weeks = {q: Forecast(**kept[f"weeks {std.quantities[q]}"]) for q in ahead}
    judged = Judged(
        at_visits(std, rows),
        Followed(**kept["followed"]),
        Alarms(**alarms),
        FleetForecast(**{**parts[0].shared, **kept["forecasts"]}, by_quantity=weeks),
        RepeatabilityAlarms(repeating, **repeatability),
        {quantity: RepeatScatter(**kept[f"scatter {quantity}"]) for quantity in std.quantities},
    )
    residuals = together([part.residuals for part in parts])
    return Told(judged, rows, fleet["without_alarm"], Views(**kept["views"]), residuals)


def _among(rows: Codes, visits: slice) -> Codes:
    """Those of some rising visits that are in a part, by their place in it."""
    first, end = np.searchsorted(rows, [visits.start, visits.stop])
    return np.asarray(rows[first:end] - visits.start)


def _of_all(rows: Codes, start: int) -> Codes:
    """Visits of a part by their number among all; -1 stays."""
    return np.where(rows >= 0, rows + start, -1)


def _tables(record: Any) -> dict[str, Any]:
    return {each.name: getattr(record, each.name) for each in fields(record)}
