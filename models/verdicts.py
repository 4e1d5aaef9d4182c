"""Per van: its state of the week with reasons, and how far it stands from expectation, for the causes."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.alarms import AGREES, Alarms
from models.anomaly_fleet import FleetAnomaly
from models.conditions import from_scale, steepness
from models.family_limits import is_response
from models.follow import Followed
from models.forecast import HORIZON_WEEKS
from models.health import (
    anomaly_sentence,
    limit_sentence,
    movement_sentence,
    own_sentence,
    peer_sentence,
    translated_sentence,
    urgency,
)
from models.residuals import Residuals
from models.standardise import Standardised
from models.states import FleetForecast

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_URGENCIES = ("now", "plan", "watch", "healthy")
_STATES = {
    "van_id": pl.String(),
    "family": pl.String(),
    "depot": pl.String(),
    "last_week": pl.String(),
    "urgency": pl.String(),
    "alarm": pl.Boolean(),
    "anomaly": pl.Boolean(),
    "anomaly_p": pl.Float64(),
    "anomaly_score": pl.Float64(),
    "weeks_to_limit": pl.Float64(),
    "cross_before_next": pl.Float64(),
    "cross_within_13": pl.Float64(),
    "reasons": pl.List(pl.String()),
    "contributions": pl.List(pl.Struct({"quantity": pl.String(), "part": pl.Float64()})),
}


def no_states() -> pl.DataFrame:
    """The states of a fleet without a tracked visit."""
    return pl.DataFrame(schema=_STATES)


def states_of(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    latest: Codes,
) -> pl.DataFrame:
    """State of every van at its latest visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, forecasts, anomaly
        What was made of them.
    latest : ndarray of shape (vans,), int
        Each van's latest visit.

    Returns
    -------
    polars.DataFrame
        Most urgent first: urgency, weeks to the limit, p-value, van.
    """
    rows = []
    for n, row in enumerate(latest.tolist()):
        alarm = bool(alarms.any[row].any())
        flagged = bool(anomaly.flagged[n])
        columns = [
            q
            for q in forecasts.by_quantity
            if np.isfinite(forecasts.beyond[row, q]) and _speaks(alarms, forecasts, row, q)
        ]
        weeks = [float(forecasts.by_quantity[q].median[row]) for q in columns]
        soon = [float(forecasts.by_quantity[q].within_next[row]) for q in columns]
        later = [float(forecasts.by_quantity[q].within_13[row]) for q in columns]
        listed = alarm or flagged
        reasons = _reasons(std, followed, alarms, forecasts, anomaly, n, row) if listed else []
        parts = anomaly.contributions[n]
        rows.append(
            {
                "van_id": std.visits["van_id"][row],
                "family": std.visits["family"][row],
                "depot": std.visits["depot"][row],
                "last_week": std.visits["week"][row],
                "urgency": urgency(
                    on_list=listed,
                    crossed=min(weeks, default=np.inf) <= 0.0,
                    cross_before_next=max(soon, default=np.nan),
                    cross_within_13=max(later, default=np.nan),
                ),
                "alarm": alarm,
                "anomaly": flagged,
                "anomaly_p": float(anomaly.p[n]),
                "anomaly_score": float(anomaly.score[n]) if np.isfinite(anomaly.score[n]) else None,
                "weeks_to_limit": min(weeks, default=None),
                "cross_before_next": max(soon, default=None),
                "cross_within_13": max(later, default=None),
                "reasons": reasons,
                "contributions": [
                    {"quantity": std.quantities[q], "part": float(parts[q])}
                    for q in np.argsort(-parts)
                    if np.isfinite(parts[q]) and parts[q] != 0.0
                ],
            }
        )
    order = {word: number for number, word in enumerate(_URGENCIES)}
    return (
        pl.DataFrame(rows, schema=_STATES)
        .with_columns(pl.col("urgency").replace_strict(order, return_dtype=pl.Int64).alias("order"))
        .sort("order", "weeks_to_limit", "anomaly_p", "van_id", nulls_last=True)
        .drop("order")
    )


def _speaks(alarms: Alarms, forecasts: FleetForecast, row: int, q: int) -> bool:
    """Whether a quantity's limit may make a van urgent: it is in alarm itself, or its level has left the other vans'."""
    apart = bool(np.abs(alarms.level_z[row, q]) >= AGREES)
    return apart if forecasts.by_quantity[q].median[row] <= 0.0 else apart or bool(alarms.any[row, q])


def _natural(std: Standardised, f: int, q: int, value: float) -> float:
    scaled = np.array([std.levels[f, q].level + std.scatter[f, q] * value])
    return float(from_scale(std.quantities[q], scaled)[0])


def _reasons(
    std: Standardised,
    followed: Followed,
    alarms: Alarms,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    n: int,
    row: int,
) -> list[str]:
    """Plain sentences: limits, then what moved furthest from its own baseline, then from the family, then the whole."""
    f = int(std.family[row])
    sentences: list[str] = []
    for q, forecast in forecasts.by_quantity.items():
        inside = np.isfinite(forecasts.beyond[row, q]) and forecast.median[row] <= HORIZON_WEEKS
        if inside and alarms.any[row, q] and _speaks(alarms, forecasts, row, q):
            sentences.append(
                limit_sentence(
                    std.quantities[q],
                    float(forecast.median[row]),
                    float(forecast.low[row]),
                    float(forecast.high[row]),
                    HORIZON_WEEKS,
                )
            )
            if is_response(std.quantities[q]):
                sentences.append(
                    translated_sentence(forecasts.limits[f, q][1], _natural(std, f, q, 0.0), std.families[f])
                )
    with np.errstate(invalid="ignore"):
        strength = np.abs(followed.ewma[row]) / alarms.ewma_limit[row]
    own = [q for q in np.argsort(-np.nan_to_num(strength)) if alarms.own[row, q]]
    for q in own[:3]:
        slope, slope_u = followed.slope[row, q], np.sqrt(followed.var_slope[row, q])
        level = _natural(std, f, q, followed.level[row, q])
        steep = float(steepness(std.quantities[q], np.array([std.levels[f, q].level]))[0])
        sentences.append(
            own_sentence(
                std.quantities[q],
                level,
                _natural(std, f, q, followed.baseline[row, q]),
                std.visits["week"][int(alarms.since[row, q])],
                float(slope * std.scatter[f, q] * steep) if abs(slope) > 2.0 * slope_u else None,
            )
        )
    peer = [
        q for q in np.argsort(-np.abs(np.nan_to_num(alarms.peer_z[row]))) if alarms.peer[row, q] and q not in own[:3]
    ]
    sentences.extend(
        peer_sentence(
            std.quantities[q], _natural(std, f, q, followed.level[row, q]), _natural(std, f, q, 0.0), std.families[f]
        )
        for q in peer[:2]
    )
    more = len(own) - len(own[:3]) + len(peer) - len(peer[:2])
    if more:
        sentences.append("1 more quantity is outside." if more == 1 else f"{more} more quantities are outside.")
    if anomaly.flagged[n]:
        parts = anomaly.contributions[n]
        sentences.append(
            anomaly_sentence(float(anomaly.p[n]), tuple(std.quantities[q] for q in np.argsort(-parts)[:2]))
        )
    return sentences


def notices_of(std: Standardised, week: str) -> tuple[str, ...]:
    """Sentences about vans that moved together in a week.

    Parameters
    ----------
    std : Standardised
        Visits.
    week : str
        ISO week.

    Returns
    -------
    tuple of str
    """
    places: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for m in std.movements:
        if m.week == week:
            places.setdefault((m.depot, m.recorder_serial), []).append((m.quantity, m.vans))
    return tuple(
        movement_sentence(depot, serial, tuple(q for q, _ in moved), max(n for _, n in moved))
        for (depot, serial), moved in sorted(places.items())
    )


PRESENT_VISITS = 4
"""Visits the present level rests on at most; a van without a standing alarm has two. Common practice (2026-11-25)."""


def _present(alarms: Alarms, begin: int, end: int) -> int:
    """First of the visits that show a van's present state."""
    since = alarms.since[begin:end][-1]
    standing = since[since >= 0]
    first = int(standing.min()) if standing.size else end - 2
    return max(begin, min(end - 1, max(first, end - PRESENT_VISITS)))


def _present_variance(x: Array, variance: Array) -> float:
    """Variance of the median of a few visits: what is stated of them, or their own spread where that is wider.

    The stated variance counts as two visits, since two or three alone tell little of a spread.
    """
    stated, own = float(np.mean(variance)), float(np.sum((x - np.mean(x)) ** 2))
    one = max(stated, (2.0 * stated + own) / (x.size + 1.0))
    return one / x.size * (1.0 if x.size < 3 else np.pi / 2)


def residuals_of(
    std: Standardised, followed: Followed, alarms: Alarms, repeats: pl.DataFrame, van_ids: list[str]
) -> Residuals:
    """Present level of listed vans against what they are expected to read.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms
        What was made of them.
    repeats : polars.DataFrame
        As `models.visit.repeat_spread` returns.
    van_ids : list of str
        Rows wanted, in order.

    Returns
    -------
    Residuals
        Every quantity is the median of the same few last visits, those since the van's first standing alarm, so that the
        pattern over the quantities is of one time. A van that stands apart from its family since its first visits is held
        against the family, not against itself. Where the van's own visits, or the repeats of its visits, disagree more than
        is usual, the uncertainty of the shift says so.
    """
    names = std.visits["van_id"]
    number = {names[int(s)]: v for v, s in enumerate(std.starts[:-1])}
    shape = (len(van_ids), len(std.quantities))
    expected, shift, shift_u, scatter = (np.full(shape, np.nan) for _ in range(4))
    visits = np.zeros(len(van_ids), np.int64)
    recent = repeats.filter(pl.col("van_id").is_in(van_ids)).sort("van_id", "captured_at").group_by("van_id").tail(4)
    of_van = recent.partition_by("van_id", as_dict=True) if recent.height else {}
    for n, van_id in enumerate(van_ids):
        begin, end = int(std.starts[number[van_id]]), int(std.starts[number[van_id] + 1])
        f = int(std.family[begin])
        own = of_van.get((van_id,), recent.head(0))
        window = _present(alarms, begin, end)
        visits[n] = end - window
        for q, quantity in enumerate(std.quantities):
            read = np.flatnonzero(np.isfinite(std.x[window:end, q])) + window
            if not read.size:
                continue
            level, sigma = std.levels[f, q], std.scatter[f, q]
            spread = level.spread / sigma
            base, base_p = followed.baseline[read[0], q], followed.baseline_variance[read[0], q]
            if alarms.peer[read[-1], q] and abs(base) > 2.5 * spread:
                base, base_p = 0.0, spread**2
            present = float(np.median(std.x[read, q]))
            present_p = _present_variance(std.x[read, q], std.variance[read, q])
            scaled = level.level + sigma * np.array([base, present])
            natural = from_scale(quantity, scaled)
            steep = float(steepness(quantity, scaled)[0])
            expected[n, q], shift[n, q] = natural[0], natural[1] - natural[0]
            shift_u[n, q] = np.sqrt(present_p + base_p) * sigma * steep
            usual = std.repeat_share[f, q] * sigma * steep
            seen = own[quantity].drop_nulls().to_numpy()
            if seen.size and usual > 0:
                scatter[n, q] = float(np.sqrt(np.mean(seen**2))) / usual
                unrest = max(scatter[n, q] ** 2 - 1.0, 0.0) * usual**2 / read.size
                shift_u[n, q] = np.sqrt(shift_u[n, q] ** 2 + unrest)
    return Residuals(tuple(van_ids), std.quantities, expected, shift, shift_u, scatter, visits)
