"""Per van: its state of the week with reasons, and how far it stands from expectation, for the causes."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.tracking.anomaly.fleet import FleetAnomaly
from models.tracking.charts.alarms import AGREES, Alarms
from models.tracking.charts.family_limits import is_response
from models.tracking.charts.forecast import HORIZON_WEEKS
from models.tracking.charts.recursion import Followed
from models.tracking.charts.repeatability import Unsteady
from models.tracking.scales import base_name, from_scale, steepness
from models.tracking.standardise import LEVELS, Standardised, week_name
from models.tracking.state.residuals import Residuals
from models.tracking.state.sentences import (
    anomaly_sentence,
    limit_sentence,
    lone_recorder_sentence,
    movement_sentence,
    own_sentence,
    peer_sentence,
    translated_sentence,
    unsteady_sentence,
    urgency,
)
from models.tracking.state.trends import FleetForecast, movements_at

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
    "unsteady": pl.List(pl.String()),
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
    unsteady: Unsteady,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    latest: Codes,
) -> pl.DataFrame:
    """State of every van at its latest visit.

    Parameters
    ----------
    std : Standardised
        Visits.
    followed, alarms, unsteady, forecasts, anomaly
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
        alarm = bool(alarms.any[row].any() or unsteady.alarm[row].any())
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
        reasons = _reasons(std, followed, alarms, unsteady, forecasts, anomaly, n, row) if listed else []
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
                "unsteady": [unsteady.quantities[k] for k in np.flatnonzero(unsteady.alarm[row])],
                "anomaly": flagged,
                "anomaly_p": float(anomaly.p[n]) if np.isfinite(anomaly.score[n]) else None,
                "anomaly_score": float(anomaly.score[n]) if np.isfinite(anomaly.score[n]) else None,
                "weeks_to_limit": min(weeks, default=None),
                "cross_before_next": max(soon, default=None),
                "cross_within_13": max(later, default=None),
                "reasons": reasons,
                "contributions": [
                    {"quantity": anomaly.names[q], "part": float(parts[q])}
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
    unsteady: Unsteady,
    forecasts: FleetForecast,
    anomaly: FleetAnomaly,
    n: int,
    row: int,
) -> list[str]:
    """Plain sentences: limits, then what moved furthest from its own baseline, then from the family, what comes and goes, then the whole."""
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
        moved = movements_at(std, np.array([row]), q)
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
                (week_name(moved.onset[0]), week_name(moved.onset_low[0]), week_name(moved.onset_high[0]))
                if np.isfinite(moved.onset[0])
                else None,
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
    flows = [q for q, name in enumerate(std.quantities) if base_name(name) in LEVELS and alarms.any[row, q]]
    if flows and (serial := _lone_recorder(std, row)):
        sentences.append(lone_recorder_sentence(serial))
    restless = np.flatnonzero(unsteady.alarm[row])
    if restless.size:
        k = int(restless[np.argmax(unsteady.times[row, restless])])
        since = std.visits["week"][int(unsteady.since[row, k])]
        sentences.append(unsteady_sentence(unsteady.quantities[k], float(unsteady.times[row, k]), since))
    if anomaly.flagged[n]:
        parts = anomaly.contributions[n]
        sentences.append(anomaly_sentence(float(anomaly.p[n]), tuple(anomaly.names[q] for q in np.argsort(-parts)[:2])))
    return sentences


def _lone_recorder(std: Standardised, row: int) -> str:
    """The recorder of a visit, where it was with no other van in the months before; empty otherwise or where it is not named."""
    serial: str | None = std.visits["recorder_serial"][row]
    recent = (std.weeks > std.weeks[row] - RECORDER_WEEKS) & (std.weeks <= std.weeks[row])
    same = recent & (std.visits["recorder_serial"] == serial).fill_null(False).to_numpy()
    return serial if serial and np.unique(std.van[same]).size == 1 else ""


@dataclass(frozen=True)
class Notice:
    """A sentence about vans of a depot that moved together."""

    depot: str
    text: str


def notices_of(std: Standardised, week: str) -> tuple[Notice, ...]:
    """Sentences about vans that moved together in a week.

    Parameters
    ----------
    std : Standardised
        Visits.
    week : str
        ISO week.

    Returns
    -------
    tuple of Notice
    """
    places: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for m in std.movements:
        if m.week == week:
            places.setdefault((m.depot, m.recorder_serial), []).append((m.quantity, m.vans))
    return tuple(
        Notice(depot, movement_sentence(depot, serial, tuple(q for q, _ in moved), max(n for _, n in moved)))
        for (depot, serial), moved in sorted(places.items())
    )


RECORDER_WEEKS = 13
"""Weeks in which another van recorded with the same recorder tells the two apart. Common practice (2026-11-25)."""
PRESENT_VISITS = 4
"""Visits the present level rests on at most, two at least where there are two. Common practice (2026-11-25)."""


def _present(std: Standardised, followed: Followed, alarms: Alarms, begin: Codes, end: Codes) -> Codes:
    """First of the visits that show each van's present state.

    A chart holds single visits back, so that its alarm comes a visit or more after the fault: of the last few visits those
    count in which what is in alarm stands out most from its own baseline, or from the family where only the family tells.
    """
    place = end[:, None] - 1 - np.arange(PRESENT_VISITS)
    x = np.where((place >= begin[:, None])[:, :, None], std.x[np.maximum(place, begin[:, None])], np.nan)
    last = end - 1
    base = np.where(alarms.own[last], followed.baseline[last], 0.0)
    moved = (x - base[:, None]) / np.sqrt(std.variance[last])[:, None]
    read = np.isfinite(moved) & alarms.any[last][:, None]
    total, count = np.cumsum(np.where(read, moved, 0.0), axis=1), np.maximum(np.cumsum(read, axis=1), 1)
    visits = 2 + np.argmax((total**2 / count).sum(axis=2)[:, 1:], axis=1)
    return np.asarray(np.maximum(begin, end - visits))


def _present_variance(x: Array, variance: Array) -> Array:
    """Variance of the median of a few visits: what is stated of them, or their own spread where that is wider.

    Arrays are of shape (vans, visits, quantities), NaN for unread; the result of shape (vans, quantities). The stated variance
    counts as two visits, since two or three alone tell little of a spread.
    """
    read = np.isfinite(x)
    count = np.maximum(read.sum(axis=1), 1)
    stated = np.where(read, variance, 0.0).sum(axis=1) / count
    middle = np.where(read, x, 0.0).sum(axis=1) / count
    own = np.where(read, (x - middle[:, None]) ** 2, 0.0).sum(axis=1)
    one = np.maximum(stated, (2.0 * stated + own) / (count + 1.0))
    return np.asarray(one / count * np.where(count < 3, 1.0, np.pi / 2))


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
        As `models.tracking.visits.repeat_spread` returns.
    van_ids : list of str
        Rows wanted, in order.

    Returns
    -------
    Residuals
        Every quantity is the median of the same few last visits, those in which the van's alarms stand out most, so that the
        pattern over the quantities is of one time. A van that stands apart from its family since its first visits is held
        against the family, not against itself. Where the van's own visits, or the repeats of its visits, disagree more than
        is usual, the uncertainty of the shift says so.
    """
    names = std.visits["van_id"].gather(std.starts[:-1]).to_list()
    number = {name: v for v, name in enumerate(names)}
    vans = np.array([number[van_id] for van_id in van_ids], np.int64)
    begin, end, f = std.starts[vans], std.starts[vans + 1], std.family[std.starts[vans]]
    window = _present(std, followed, alarms, begin, end)
    place = np.minimum(window[:, None] + np.arange(PRESENT_VISITS), end[:, None] - 1)
    repeated = np.diff(place, axis=1, prepend=-1) == 0  # fewer visits than that: the last stands in, unread
    x = np.where(repeated[:, :, None], np.nan, std.x[place])
    read = np.isfinite(x)
    column = np.arange(len(std.quantities))
    first = np.take_along_axis(place, np.argmax(read, axis=1), axis=1)
    last = np.take_along_axis(place, PRESENT_VISITS - 1 - np.argmax(read[:, ::-1], axis=1), axis=1)
    sigma, centre, spread = std.scatter[f], *(table[f] for table in _level_tables(std))
    base, base_p = followed.baseline[first, column], followed.baseline_variance[first, column]
    stood = alarms.peer[last, column] & (np.abs(base) > 2.5 * spread)
    base, base_p = np.where(stood, 0.0, base), np.where(stood, spread**2, base_p)
    present = middle_of(x)
    shift_p = _present_variance(x, std.variance[place]) + base_p
    expected, shift, steep = (np.full(base.shape, np.nan) for _ in range(3))
    for q, quantity in enumerate(std.quantities):
        from_level = centre[:, q] + sigma[:, q] * base[:, q]
        expected[:, q], steep[:, q] = from_scale(quantity, from_level), steepness(quantity, from_level)
        shift[:, q] = from_scale(quantity, centre[:, q] + sigma[:, q] * present[:, q]) - expected[:, q]
    shift_u = np.sqrt(shift_p) * sigma * steep
    usual = std.repeat_share[f] * sigma * steep
    seen = _repeats_of(repeats, van_ids, std.quantities)
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.where(usual > 0, seen / usual, np.nan)
        unrest = np.maximum(scatter**2 - 1.0, 0.0) * usual**2 / np.maximum(read.sum(axis=1), 1)
    shift_u = np.sqrt(shift_u**2 + np.nan_to_num(unrest))
    unread = ~read.any(axis=1)
    for part in (expected, shift, shift_u, scatter):
        part[unread] = np.nan
    return Residuals(tuple(van_ids), std.quantities, expected, shift, shift_u, scatter, end - window)


def middle_of(x: Array) -> Array:
    """Median over the second axis, NaN left out; NaN where nothing is read."""
    ordered = np.sort(x, axis=1)  # NaN last
    count = np.isfinite(x).sum(axis=1)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    high = np.minimum(high, np.maximum(count - 1, 0))
    both = [np.take_along_axis(ordered, place[:, None], axis=1)[:, 0] for place in (low, high)]
    return np.asarray((both[0] + both[1]) / 2.0)


def _level_tables(std: Standardised) -> tuple[Array, Array]:
    """Level and spread of healthy vans of each family and quantity. [working scale], [scatters]"""
    level, spread = np.full(std.scatter.shape, np.nan), np.full(std.scatter.shape, np.nan)
    for at, healthy in std.levels.items():
        level[at], spread[at] = healthy.level, healthy.spread / std.scatter[at]
    return level, spread


def _repeats_of(repeats: pl.DataFrame, van_ids: list[str], quantities: tuple[str, ...]) -> Array:
    """Root mean square of the repeats' standard deviation over each van's last four visits; NaN for none. [unit of the quantity]"""
    recent = repeats.filter(pl.col("van_id").is_in(van_ids)).sort("van_id", "captured_at").group_by("van_id").tail(4)
    scatter = recent.group_by("van_id").agg((pl.col(q).fill_nan(None) ** 2).mean().sqrt() for q in quantities)
    wanted = pl.DataFrame({"van_id": van_ids}, schema={"van_id": pl.String}).join(
        scatter, on="van_id", how="left", maintain_order="left"
    )
    return wanted.select(pl.col(quantities).cast(pl.Float64)).to_numpy().reshape(len(van_ids), len(quantities))
