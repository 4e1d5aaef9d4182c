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
from models.tracking.charts.by_vans import charts_of
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


class _Kept:
    """Some rows of tables, part after part; each table is put together once, when it is asked for."""

    def __init__(self) -> None:
        self._parts: dict[str, dict[str, list[NDArray[Any]]]] = {}

    def keep(self, of: str, tables: Mapping[str, Any], rows: Codes | slice = slice(None)) -> None:
        """Keep some rows of those tables that are arrays."""
        parts = self._parts.setdefault(of, {})
        for name, table in tables.items():
            if isinstance(table, np.ndarray):
                parts.setdefault(name, []).append(table[rows])

    def whole(self, of: str) -> dict[str, Any]:
        """The tables kept by that name, of all parts."""
        parts = self._parts.pop(of)
        return {name: np.concatenate(parts.pop(name)) for name in list(parts)}


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

    Returns
    -------
    Told
    """
    kept, seen, calibrating = _Kept(), visits_with_repeats(std, within), calibration_rows(std, latest)
    ahead: set[int] = set()
    residuals: list[Residuals] = []
    for some, mine, followed, alarms, gross in charts_of(
        std, per_van_week=per_van_week, own_share=OWN_SHARE, peer_share=PEER_SHARE
    ):
        newest = _among(latest, some.visits)
        told = visits_told(mine, newest, first_week)
        forecasts = fleet_forecasts(
            mine, followed, alarms, families, usual_interval=usual_interval, wanted=told, gross=gross
        )
        carry_standing(mine, followed, alarms, forecasts, newest, within_weeks=within_weeks)
        kept.keep("fleet", {"without_alarm": ~alarms.any.any(axis=1)})
        kept.keep("views", views_of(followed, alarms, _among(calibrating, some.visits))._asdict())
        van_ids = mine.visits["van_id"].gather(newest).to_list()
        residuals.append(residuals_of(mine, followed, alarms, repeats, van_ids, within_weeks=within_weeks))

        repeating = {name: table[some.visits] for name, table in _tables(repeatability).items() if name != "quantities"}
        began = np.column_stack([alarms.since, np.maximum(repeating["since"] - some.visits.start, -1)])[told]
        told |= (mine.restart != NO_RESTART).any(axis=1)
        told[began[began >= 0]] = True
        rows = np.flatnonzero(told)
        kept.keep("fleet", {"rows": rows + some.visits.start})
        kept.keep("followed", followed._asdict(), rows)
        kept.keep("alarms", _tables(replace(alarms, since=_of_all(alarms.since, some.visits.start))), rows)
        kept.keep("repeatability", repeating, rows)
        kept.keep("forecasts", _tables(forecasts), rows)
        scatter = repeat_scatter(mine, within[some.visits], first_week, seen)
        for q, quantity in enumerate(std.quantities):
            kept.keep(f"scatter {quantity}", scatter[quantity]._asdict(), rows)
            weeks = forecasts.by_quantity.get(q) or nothing_known(mine.van.size)
            kept.keep(f"weeks {quantity}", _tables(weeks), rows)
        ahead |= forecasts.by_quantity.keys()
    return _told(std, kept, repeatability.quantities, forecasts, sorted(ahead), residuals)


def _told(
    std: Standardised,
    kept: _Kept,
    repeating: tuple[str, ...],
    forecasts: FleetForecast,
    ahead: list[int],
    residuals: list[Residuals],
) -> Told:
    """What was kept, put together; `ahead` are the quantities with a limit, and `forecasts` those of any vans."""
    fleet = kept.whole("fleet")
    rows = fleet["rows"]
    alarms, repeatability = kept.whole("alarms"), kept.whole("repeatability")
    for tables in (alarms, repeatability):
        tables["since"] = np.where(tables["since"] >= 0, np.searchsorted(rows, tables["since"]), -1)
    judged = Judged(
        at_visits(std, rows),
        Followed(**kept.whole("followed")),
        Alarms(**alarms),
        replace(
            forecasts,
            **kept.whole("forecasts"),
            by_quantity={q: Forecast(**kept.whole(f"weeks {std.quantities[q]}")) for q in ahead},
        ),
        RepeatabilityAlarms(repeating, **repeatability),
        {quantity: RepeatScatter(**kept.whole(f"scatter {quantity}")) for quantity in std.quantities},
    )
    return Told(judged, rows, fleet["without_alarm"], Views(**kept.whole("views")), together(residuals))


def _among(rows: Codes, visits: slice) -> Codes:
    """Those of some rising visits that are in a part, by their place in it."""
    first, end = np.searchsorted(rows, [visits.start, visits.stop])
    return np.asarray(rows[first:end] - visits.start)


def _of_all(rows: Codes, start: int) -> Codes:
    """Visits of a part by their number among all; -1 stays."""
    return np.where(rows >= 0, rows + start, -1)


def _tables(record: Any) -> dict[str, Any]:
    return {each.name: getattr(record, each.name) for each in fields(record)}
