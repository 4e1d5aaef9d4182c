"""The state of every van at its latest visit, and the facts it rests on."""

import numpy as np
import polars as pl

from data_contracts.causes.record import CONSEQUENCE_KINDS
from data_contracts.facts.fact import Fact
from data_contracts.signals import QUANTITIES
from data_contracts.tables import FACTS_TYPE
from models.statistics.arrays import Codes
from models.tracking.anomaly.fleet import FleetAnomaly
from models.tracking.charts.alarms import AGREES, Alarms
from models.tracking.charts.family_limits import is_response
from models.tracking.charts.forecast import HORIZON_WEEKS
from models.tracking.charts.limit_forecasts import FleetForecast
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import RepeatabilityAlarms
from models.tracking.scales import derivative, from_scale
from models.tracking.standardise import LEVELS, Standardised
from models.tracking.state.notices import lone_recorder

_TRIMS = tuple(name for name, quantity in QUANTITIES.items() if quantity.group == "trims")
_STATES = {
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
    "reason_facts": FACTS_TYPE,
    "contributions": pl.List(pl.Struct({"quantity": pl.String(), "part": pl.Float64()})),
}


def no_states() -> pl.DataFrame:
    """The table of states without a row."""
    return pl.DataFrame(schema=_STATES)


def states_of(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    repeatability: RepeatabilityAlarms,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    latest: Codes,
) -> pl.DataFrame:
    """State of every van at its latest visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, repeatability, forecasts, anomaly
        Charts, alarms, forecasts and anomaly of the same visits.
    latest : ndarray of shape (vans,), int
        Each van's latest visit.

    Returns
    -------
    polars.DataFrame
        Vans that are listed first, by weeks to the limit, p-value and name. How urgent they are is for `models.work` to say;
        a limit presses where crossing it calls a van in at once.
    """
    rows = []
    for n, row in enumerate(latest.tolist()):
        alarm = bool(alarms.any[row].any() or repeatability.alarm[row].any())
        flagged = bool(anomaly.flagged[n])
        f = int(std.family[row])
        columns = [
            q
            for q in forecasts.by_quantity
            if np.isfinite(forecasts.beyond[row, q]) and _speaks(alarms, forecasts, row, q)
        ]
        pressing = [q for q in columns if forecasts.beyond_means[f, q][0] == "now"]
        weeks = [float(forecasts.by_quantity[q].median[row]) for q in columns]
        weeks_pressing = [float(forecasts.by_quantity[q].median[row]) for q in pressing]
        soon = [float(forecasts.by_quantity[q].within_next[row]) for q in pressing]
        later = [float(forecasts.by_quantity[q].within_13[row]) for q in columns]
        together = _trims_together(std, followed, alarms, forecasts, row)
        crossed = together is not None or min(weeks_pressing, default=np.inf) <= 0.0
        listed = alarm or flagged
        reasons = _reasons(std, followed, alarms, repeatability, forecasts, anomaly, n, row) if listed else []
        reasons = [together, *reasons] if listed and together is not None else reasons
        parts = anomaly.contributions[n]
        rows.append(
            {
                "van_id": std.visits["van_id"][row],
                "family": std.visits["family"][row],
                "depot": std.visits["depot"][row],
                "last_week": std.visits["week"][row],
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
                    for q in np.argsort(-parts)
                    if np.isfinite(parts[q]) and parts[q] != 0.0
                ],
            }
        )
    return pl.DataFrame(rows, schema=_STATES).sort(
        ~pl.col("listed"), "weeks_to_limit", "anomaly_p", "van_id", nulls_last=True
    )


def _speaks(alarms: Alarms, forecasts: FleetForecast, row: int, q: int) -> bool:
    """Whether the limit of a quantity counts: the quantity is in alarm, or its level has left the other
    vans'.
    """
    apart = bool(np.abs(alarms.level_z[row, q]) >= AGREES)
    return apart if forecasts.by_quantity[q].median[row] <= 0.0 else apart or bool(alarms.any[row, q])


def _natural(std: Standardised, f: int, q: int, value: float) -> float:
    scaled = np.array([std.levels[f, q].level + std.scatter[f, q] * value])
    return float(from_scale(std.quantities[q], scaled)[0])


def _reasons(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    repeatability: RepeatabilityAlarms,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    n: int,
    row: int,
) -> list[Fact]:
    """Why the van is listed.

    Limits first, then what moved furthest from its own baseline, then from the family, then repeats that disagree, then
    the anomaly.
    """
    f = int(std.family[row])
    facts: list[Fact] = []

    def hurts(q: int) -> tuple[bool, int]:
        ahead = bool(forecasts.by_quantity[q].median[row] > 0)
        return ahead, [*CONSEQUENCE_KINDS].index(forecasts.beyond_means[f, q][1])  # type: ignore[arg-type]

    near = [
        q
        for q, forecast in forecasts.by_quantity.items()
        if np.isfinite(forecasts.beyond[row, q])
        and forecast.median[row] <= HORIZON_WEEKS
        and (alarms.any[row, q] or forecast.median[row] <= 0)
        and _speaks(alarms, forecasts, row, q)
    ]
    for q in sorted(near, key=hurts):
        facts.extend(_limit_facts(std, followed, forecasts, f, q, row))
    with np.errstate(invalid="ignore"):
        strength = np.abs(followed.ewma[row]) / alarms.ewma_limit[row]
    own = [q for q in np.argsort(-np.nan_to_num(strength)) if alarms.own[row, q]]
    facts.extend(_own_movement(std, followed, alarms, forecasts, f, q, row) for q in own[:3])
    peer = [
        q for q in np.argsort(-np.abs(np.nan_to_num(alarms.peer_z[row]))) if alarms.peer[row, q] and q not in own[:3]
    ]
    facts.extend(
        Fact.of(
            "peer_difference",
            std.quantities[q],
            level=_natural(std, f, q, followed.level[row, q]),
            peer_baseline=_natural(std, f, q, 0.0),
            family=std.families[f],
        )
        for q in peer[:2]
    )
    if alarms.seen_once[row]:
        facts.append(Fact.of("seen_once"))
    more = len(own) - len(own[:3]) + len(peer) - len(peer[:2])
    if more:
        facts.append(Fact.of("one_more_outside") if more == 1 else Fact.of("more_outside", count=more))
    flows = [q for q, name in enumerate(std.quantities) if name in LEVELS and alarms.any[row, q]]
    if flows and (serial := lone_recorder(std, row)):
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


def _trims_together(
    std: Standardised, followed: Followed, alarms: Alarms, forecasts: FleetForecast, row: int
) -> Fact | None:
    """Both trims together beyond the family's limit, where both have left the other vans'."""
    f = int(std.family[row])
    q = [std.quantities.index(name) for name in _TRIMS if name in std.quantities]
    if len(q) < len(_TRIMS) or not all(
        (f, each) in std.levels and abs(alarms.level_z[row, each]) >= AGREES for each in q
    ):
        return None
    together = sum(_natural(std, f, each, followed.level[row, each]) for each in q)
    if abs(together) < forecasts.trim_sum_pct[f]:
        return None
    return Fact.of("trims_together", _TRIMS[0], level=together, limit=forecasts.trim_sum_pct[f])


def _limit_facts(
    std: Standardised, followed: Followed, forecasts: FleetForecast, f: int, q: int, row: int
) -> list[Fact]:
    """When a limit is or will be crossed, what comes of it, and for a response time what limit that is."""
    quantity, forecast = std.quantities[q], forecasts.by_quantity[q]
    weeks, level = float(forecast.median[row]), _natural(std, f, q, followed.level[row, q])
    low, high = forecasts.limits[f, q]
    nearest = min((each for each in (low, high) if np.isfinite(each)), key=lambda each: abs(each - level))
    means = forecasts.beyond_means[f, q][1]
    facts = [Fact.of("limit_crossed", quantity, level=level, limit=nearest, means=means)]
    if weeks > 0:
        soonest, latest = float(forecast.low[row]), float(forecast.high[row])
        facts = [
            Fact.of("limit_ahead", quantity, weeks=weeks, weeks_low=soonest, weeks_high=latest, horizon=HORIZON_WEEKS)
        ]
    if is_response(quantity):
        limit, level = forecasts.limits[f, q][1], _natural(std, f, q, 0.0)
        facts.append(Fact.of("limit_translated", quantity, limit=limit, level=level, family=std.families[f]))
    return facts


def _own_movement(
    std: Standardised, followed: Followed, alarms: Alarms, forecasts: FleetForecast, f: int, q: int, row: int
) -> Fact:
    """How a quantity moved away from the van's own baseline, since when, and its slope where that is certain."""
    onset, low, high = forecasts.began(row, q) or (None, None, None)
    (slope,), (slope_u,) = forecasts.drift(followed, np.array([row]), q)
    steep = float(derivative(std.quantities[q], np.array([std.levels[f, q].level]))[0])
    return Fact.of(
        "own_movement",
        std.quantities[q],
        level=_natural(std, f, q, followed.level[row, q]),
        baseline=_natural(std, f, q, followed.baseline[row, q]),
        since=std.visits["week"][int(alarms.since[row, q])],
        onset=onset,
        onset_low=low,
        onset_high=high,
        slope_per_week=float(slope * std.scatter[f, q] * steep) if abs(slope) > 2.0 * slope_u else None,
    )
