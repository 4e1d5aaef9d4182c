"""The state of every van at its latest visit, and the facts it rests on."""

from collections.abc import Callable, Collection, Iterable, Mapping
from itertools import chain
from typing import Any, cast

import numpy as np
import polars as pl

from data_contracts.causes.record import CONSEQUENCE_KINDS
from data_contracts.facts.fact import Fact
from data_contracts.facts.of_record import HORIZON_WEEKS, limit_ahead, limit_crossed, own_movement
from data_contracts.signals import QUANTITIES
from data_contracts.tables import FACTS_TYPE
from models.statistics.arrays import Codes, Flags
from models.tracking.anomaly.fleet import FleetAnomaly
from models.tracking.charts.alarms import AGREES, Alarms
from models.tracking.charts.family_limits import is_response
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.standardise import LEVELS
from models.tracking.state.notices import Recorders
from models.tracking.state.record import Judged, Standing, level_at

_TRIMS = tuple(name for name, quantity in QUANTITIES.items() if quantity.group == "trims")
_LISTED = {
    "reason_facts": FACTS_TYPE,
    "contributions": pl.List(pl.Struct({"quantity": pl.String(), "part": pl.Float64()})),
}
_STATES: dict[str, pl.DataType] = {
    "van_id": pl.String(),
    "family": pl.String(),
    "depot": pl.String(),
    "last_week": pl.String(),
    "listed": pl.Boolean(),
    "alarm": pl.Boolean(),
    "outside": pl.List(pl.String()),
    "unsteady": pl.List(pl.String()),
    "anomaly": pl.Boolean(),
    "anomaly_p": pl.Float64(),
    "anomaly_score": pl.Float64(),
    "limit_crossed": pl.Boolean(),
    "weeks_to_limit": pl.Float64(),
    "weeks_to_pressing_limit": pl.Float64(),
    "cross_before_next": pl.Float64(),
    "cross_within_13": pl.Float64(),
    **_LISTED,
}
_PLAIN = {name: kind for name, kind in _STATES.items() if name not in _LISTED}


def no_states() -> pl.DataFrame:
    """The table of states without a row."""
    return pl.DataFrame(schema=_STATES)


def states_of_parts(
    parts: Iterable[Callable[[], Judged]],
    rows: Iterable[Codes],
    anomaly: FleetAnomaly,
    latest: Codes,
    recorders: Recorders,
) -> pl.DataFrame:
    """State of every van at its latest visit, some vans after others.

    Parameters
    ----------
    parts : iterable of callable
        Each gives what was judged of some vans.
    rows : iterable of ndarray of int
        Numbers, among all, of the visits of each part; rising, from part to part too.
    anomaly : FleetAnomaly
        Of the latest visits.
    latest : ndarray of shape (vans,), int
        Number of each van's latest visit among all, rising.
    recorders : Recorders

    Returns
    -------
    polars.DataFrame
        As `states_of` returns.
    """
    found = [no_states()]
    for judged, mine in zip(parts, rows, strict=True):
        vans = slice(*np.searchsorted(latest, [mine[0], mine[-1] + 1]).tolist()) if mine.size else slice(0, 0)
        if vans.start != vans.stop:
            found.append(states_of(judged(), anomaly.of(vans), np.searchsorted(mine, latest[vans]), recorders.at(mine)))
    return _in_order(pl.concat(found))


def states_of(judged: Judged, anomaly: FleetAnomaly, latest: Codes, recorders: Recorders | None = None) -> pl.DataFrame:
    """State of every van at its latest visit.

    Parameters
    ----------
    judged : Judged
        Visits, charts, alarms and forecasts.
    anomaly : FleetAnomaly
        Of the vans' latest visits.
    latest : ndarray of shape (vans,), int
        Each van's latest visit.
    recorders : Recorders, optional
        Of the whole fleet, at these visits; where left out, these visits are all.

    Returns
    -------
    polars.DataFrame
        Vans that are listed first, by weeks to the limit, p-value and name. How urgent they are is for `models.work` to say;
        a limit presses where crossing it calls a van in at once.
    """
    std, _, alarms, forecasts, repeatability, _ = judged
    states: list[dict[str, Any]] = []
    outside = np.column_stack([alarms.any[latest], repeatability.alarm[latest]])
    alarmed = np.asarray(outside.any(axis=1))
    recorders = Recorders(std) if recorders is None else recorders
    standing = Standing(judged, latest[alarmed | anomaly.flagged])
    told = std.visits.select("van_id", "family", "depot", "week")[latest].rows()
    limited, spoken = list(forecasts.by_quantity), _spoken_of(alarms, forecasts, latest)
    for n, row in enumerate(latest.tolist()):
        alarm, flagged = bool(alarmed[n]), bool(anomaly.flagged[n])
        f = int(std.family[row])
        columns = [limited[k] for k in np.flatnonzero(spoken[n])]
        pressing = [q for q in columns if forecasts.beyond_means[f, q][0] == "now"]
        weeks = [float(forecasts.by_quantity[q].median[row]) for q in columns]
        weeks_pressing = [float(forecasts.by_quantity[q].median[row]) for q in pressing]
        soon = [float(forecasts.by_quantity[q].within_next[row]) for q in pressing]
        later = [float(forecasts.by_quantity[q].within_13[row]) for q in columns]
        together = _trims_together(judged, row)
        crossed = together is not None or min(weeks_pressing, default=np.inf) <= 0.0
        listed = alarm or flagged
        reasons = _reasons(judged, anomaly, n, row, standing, recorders, columns) if listed else []
        reasons = [together, *reasons] if listed and together is not None else reasons
        parts = anomaly.contributions[n]
        states.append(
            {
                **dict(zip(("van_id", "family", "depot", "last_week"), told[n], strict=True)),
                "listed": listed,
                "alarm": alarm,
                "outside": sorted(std.quantities[k] for k in np.flatnonzero(alarms.any[row])),
                "unsteady": [repeatability.quantities[k] for k in np.flatnonzero(repeatability.alarm[row])],
                "anomaly": flagged,
                "anomaly_p": float(anomaly.p[n]) if np.isfinite(anomaly.score[n]) else None,
                "anomaly_score": float(anomaly.score[n]) if np.isfinite(anomaly.score[n]) else None,
                "limit_crossed": crossed,
                "weeks_to_limit": min(weeks, default=None),
                "weeks_to_pressing_limit": min(weeks_pressing, default=None),
                "cross_before_next": max(soon, default=None),
                "cross_within_13": max(later, default=None),
                "reason_facts": [reason.row() for reason in reasons],
                "contributions": [
                    {"quantity": anomaly.names[q], "part": float(parts[q])}
                    for q in (np.argsort(-parts) if flagged else ())
                    if np.isfinite(parts[q]) and parts[q] != 0.0
                ],
            }
        )
    plain = pl.DataFrame(
        [{name: row[name] for name in _STATES if name not in _LISTED} for row in states], schema=_PLAIN
    )
    lists = [_lists([row[name] for row in states], kind).alias(name) for name, kind in _LISTED.items()]
    return _in_order(plain.with_columns(lists).select(*_STATES))


def _in_order(states: pl.DataFrame) -> pl.DataFrame:
    """Vans that are listed first, by weeks to the limit, p-value and name."""
    return states.sort(~pl.col("listed"), "weeks_to_limit", "anomaly_p", "van_id", nulls_last=True)


def _lists(rows: list[list[dict[str, Any]]], kind: pl.List) -> pl.Series:
    """A column of lists of records, each field in one piece: most of the lists are empty."""
    flat, fields = list(chain.from_iterable(rows)), []
    for field in cast(pl.Struct, kind.inner).fields:
        values = [each[field.name] for each in flat]
        if isinstance(field.dtype, pl.Map):  # made of its entries: from dicts it takes a hundred times as long
            entries = [[{"key": key, "value": value} for key, value in each.items()] for each in values]
            records = pl.List(pl.Struct({"key": field.dtype.key, "value": field.dtype.value}))
            fields.append(_lists(entries, records).cast(field.dtype).alias(field.name))
        else:
            fields.append(pl.Series(field.name, values, dtype=field.dtype))
    place = np.repeat(np.arange(len(rows)), np.array([len(row) for row in rows], np.int64))
    listed = (
        pl.DataFrame({"row": place, "of": pl.DataFrame(fields).to_struct()})
        .group_by("row", maintain_order=True)
        .agg("of")
    )
    every = pl.DataFrame({"row": np.arange(len(rows))}).join(listed, on="row", how="left", maintain_order="left")
    return every["of"].fill_null(pl.Series([[]], dtype=kind))


def _spoken_of(alarms: Alarms, forecasts: FleetForecast, rows: Codes) -> Flags:
    """Whether the limit of each quantity of `by_quantity` counts at some visits: the quantity is in alarm, or its level has left the
    other vans'; of shape (rows, limits)."""
    limited = [*forecasts.by_quantity]
    if not limited:
        return np.zeros((rows.size, 0), bool)
    beyond, level_z, alarm = (table[rows][:, limited] for table in (forecasts.beyond, alarms.level_z, alarms.any))
    crossed = np.column_stack([forecast.median[rows] <= 0.0 for forecast in forecasts.by_quantity.values()])
    with np.errstate(invalid="ignore"):
        apart = np.abs(level_z) >= AGREES
    return np.asarray(np.isfinite(beyond) & (apart | (~crossed & (alarm != 0))))


def _reasons(
    judged: Judged,
    anomaly: FleetAnomaly,
    n: int,
    row: int,
    standing: Standing,
    recorders: Recorders,
    spoken: Collection[int],
) -> list[Fact]:
    """Why the van is listed; `spoken` are the quantities whose limits count.

    Limits first, then what moved furthest from its own baseline, then from the family, then repeats that disagree, then
    the anomaly.
    """
    std, followed, alarms, forecasts, repeatability, _ = judged
    f = int(std.family[row])
    facts: list[Fact] = []

    def hurts(q: int) -> tuple[bool, int]:
        ahead = bool(forecasts.by_quantity[q].median[row] > 0)
        return ahead, [*CONSEQUENCE_KINDS].index(forecasts.beyond_means[f, q][1])  # type: ignore[arg-type]

    near = [
        q
        for q, forecast in forecasts.by_quantity.items()
        if q in spoken and forecast.median[row] <= HORIZON_WEEKS and (alarms.any[row, q] or forecast.median[row] <= 0)
    ]
    for q in sorted(near, key=hurts):
        facts.extend(_limit_facts(judged, q, row, standing.at(row, q)))
    with np.errstate(invalid="ignore"):
        strength = np.abs(followed.ewma[row]) / alarms.ewma_limit[row]
    own = [q for q in np.argsort(-np.nan_to_num(strength)) if alarms.own[row, q]]
    facts.extend(own_movement(std.quantities[q], standing.at(row, int(q))) for q in own[:3])
    peer = [
        q for q in np.argsort(-np.abs(np.nan_to_num(alarms.peer_z[row]))) if alarms.peer[row, q] and q not in own[:3]
    ]
    facts.extend(
        Fact.of(
            "peer_difference",
            std.quantities[q],
            level=record["level"],
            peer_baseline=record["peer_baseline"],
            family=std.families[f],
        )
        for q in peer[:2]
        for record in [standing.at(row, int(q))]
    )
    more = len(own) - len(own[:3]) + len(peer) - len(peer[:2])
    if more:
        facts.append(Fact.of("one_more_outside") if more == 1 else Fact.of("more_outside", count=more))
    flows = [q for q, name in enumerate(std.quantities) if name in LEVELS and alarms.any[row, q]]
    if flows and (serial := recorders.lone(row)):
        facts.append(Fact.of("lone_recorder", recorder=serial))
    outside = np.flatnonzero(repeatability.alarm[row])
    if outside.size:
        k = int(outside[np.argmax(repeatability.times[row, outside])])
        since = std.visits["week"][int(repeatability.since[row, k])]
        times = max(float(repeatability.times[row, k]), 1.0)
        facts.append(Fact.of("repeats_disagree", repeatability.quantities[k], times=times, since=since))
    if anomaly.flagged[n]:
        leading = [anomaly.names[q] for q in np.argsort(-anomaly.contributions[n])[:2]]
        second = leading[1] if len(leading) > 1 else None
        facts.append(Fact.of("unlike_healthy", leading[0], p=float(anomaly.p[n]), second=second))
    return facts


def _trims_together(judged: Judged, row: int) -> Fact | None:
    """Both trims together beyond the family's limit, where both have left the other vans'."""
    std, alarms, forecasts = judged.std, judged.alarms, judged.forecasts
    f = int(std.family[row])
    q = [std.quantities.index(name) for name in _TRIMS if name in std.quantities]
    if len(q) < len(_TRIMS) or not all(
        (f, each) in std.levels and abs(alarms.level_z[row, each]) >= AGREES for each in q
    ):
        return None
    together = sum(level_at(judged, row, each) for each in q)
    if abs(together) < forecasts.trim_sum_pct[f]:
        return None
    return Fact.of("trims_together", _TRIMS[0], level=together, limit=forecasts.trim_sum_pct[f])


def _limit_facts(judged: Judged, q: int, row: int, record: Mapping[str, Any]) -> list[Fact]:
    """When a limit is or will be crossed, what comes of it, and for a response time what limit that is."""
    std, quantity, f = judged.std, judged.std.quantities[q], int(judged.std.family[row])
    if record["limit_state"] == "ahead":
        facts = [limit_ahead(quantity, record)]
    else:
        facts = [limit_crossed(quantity, record, judged.forecasts.beyond_means[f, q][1])]
    if is_response(quantity):
        limit, level = record["limit_high"], record["peer_baseline"]
        facts.append(Fact.of("limit_translated", quantity, limit=limit, level=level, family=std.families[f]))
    return facts
