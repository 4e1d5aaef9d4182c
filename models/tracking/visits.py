"""Captures to visits: one value per visit and quantity, the representative repeat, and the spread of repeats."""

import numpy as np
import polars as pl

from data_contracts.reasons import REPEAT_REASONS
from data_contracts.signals import QUANTITIES, TRACKED, tracking_of
from data_contracts.states import IDLE_ONLY
from models.reading.air_trace.throttle import UNKNOWN_OPEN_U
from models.reading.needs import OF_THE_HIGHEST_SPEED
from models.statistics.arrays import Codes, Floats

COUNTS: frozenset[str] = frozenset(name for name in TRACKED if tracking_of(name).scale == "root")
"""Quantities averaged over the repeats: a median would hide a fault that comes and goes."""

MAIN_PEAK = "main_peak_reference_g_s"
MAIN_PEAK_AS_READ = "main_peak_g_s"
IDENTITY = (
    "capture_id",
    "van_id",
    "family",
    "depot",
    "captured_at",
    "week",
    "visit",
    "grade",
    "recorder_serial",
    "ecu_software",
    "fuel",
    "hold_s",
    "length_s",
    "rate_hz",
)
RECORDER = ("recorder_offset_u_v", "recorder_gain_u")
AIR = ("intake_air_c", "barometer_kpa", "humidity_pct", "altitude_m")
CONDITIONS = (*AIR, "coolant_c")


def tracked_captures(frame: pl.DataFrame | pl.LazyFrame) -> pl.DataFrame:
    """The captures that are tracked, in an order that does not depend on the order of delivery.

    Parameters
    ----------
    frame : polars.DataFrame or polars.LazyFrame
        Captures joined with their readings.

    Returns
    -------
    polars.DataFrame
        Without grade `repeat`, sorted by van, time and capture, with the columns tracking uses but those of quantities that no
        capture ever read. Where every snap of
        a visit was sent back for the throttle alone, they are kept: a main peak that is low each time points to the van
        and not to the technician. A visit that brought recordings of idle alone is tracked by what they hold. The throttle
        opening is tracked only where a channel gave it. `low_throughout` says which count though they were sent back for the
        throttle, `held_long` which were held until the engine reached its highest speed; of others the main peak is a lower
        bound that depends on the foot, and null. So is what `of_hold` leaves to the others of the visit.
    """
    known = set(frame.collect_schema().names())
    read = [name + end for name in (*_ever_read(frame.lazy(), known), MAIN_PEAK_AS_READ) for end in ("", "_u")]
    columns = [name for name in (*IDENTITY, *CONDITIONS, *RECORDER, *read) if name in known]
    told = frame.lazy().with_columns(
        low_throughout=(pl.col("grade") == "repeat") & is_good(), held_long=~_is_short(), **_whole_peak(known)
    )
    used = throttle_from_channel(told.filter(is_tracked()).select(*columns, "low_throughout", "held_long"))
    left = [
        pl.when(of_hold(name)).then(pl.col(name + end)).alias(name + end)
        for name in TRACKED
        if QUANTITIES[name].need.hold_s
        for end in ("", "_u")
        if name + end in columns
    ]
    return used.with_columns(left).sort("van_id", "captured_at", "capture_id").collect()


def _ever_read(frame: pl.LazyFrame, known: set[str]) -> list[str]:
    """The tracked quantities that a frame holds, without those that no capture ever read; their flow levels stay beside them."""
    present = [name for name in TRACKED if name in known]
    counts = frame.select(pl.col(name).count() for name in {*present, MAIN_PEAK_AS_READ} & known).collect()
    read = {name for name in counts.columns if counts[name][0]}
    if MAIN_PEAK_AS_READ in read:
        read.add(MAIN_PEAK)
    read |= {level for name in read & {*TRACKED} if (level := tracking_of(name).flow_level)}
    return [name for name in present if name in read]


def is_tracked() -> pl.Expr:
    """Whether a capture is tracked: `tracked_captures` says which are.

    Returns
    -------
    polars.Expr
        Over all captures of a visit, with grade, grade_reasons, van_id and visit.
    """
    return is_good() | (_is_idle() & ~is_good().any().over("van_id", "visit"))


def is_good() -> pl.Expr:
    """Whether a capture counts as a snap, for tracking and for the proof of a repair: kept, or as every snap of its visit that
    was held long enough to tell sent back for the throttle alone; beside shorter ones that takes two.

    Returns
    -------
    polars.Expr
        Over all captures of a visit, with grade, grade_reasons, van_id and visit.
    """
    sent_back = pl.col("grade_reasons").list.set_intersection(pl.lit(list(REPEAT_REASONS)))
    kept = pl.col("grade") != "repeat"
    throttle_alone = (sent_back.list.len() == 1) & sent_back.list.contains("throttle_not_full")
    visit = ("van_id", "visit")
    alike = pl.when(kept).then(_is_short()).otherwise(throttle_alone | _is_idle()).all().over(visit)
    # one low snap among short ones may be a plate half open
    several = (throttle_alone.sum().over(visit) > 1) | ~kept.any().over(visit)
    return kept | (throttle_alone & alike & several)


def _is_short() -> pl.Expr:
    """Whether the pedal was lifted before the engine reached its highest speed."""
    return pl.col("grade_reasons").list.contains("hold_short").fill_null(value=False)


def of_hold(name: str) -> pl.Expr:
    """Whether a snap is asked for a quantity, by how long it was held.

    Parameters
    ----------
    name : str
        A name of data_contracts/signals.py, and a column.

    Returns
    -------
    polars.Expr
        Over all snaps of a visit that count, with van_id, visit, held_long and hold_s: for what belongs to the highest
        speed those held until the engine reached it; for another quantity that needs a hold likewise where there are any,
        since most of these depend on the hold and a visit has one hold, and else those whose hold meets its need.
    """
    need = QUANTITIES[name].need.hold_s
    if not need:
        return pl.lit(value=True)
    if name in OF_THE_HIGHEST_SPEED:
        return pl.col("held_long")
    met = pl.col(name).is_not_null() | pl.col("hold_s").is_null() | (pl.col("hold_s") >= need)
    return pl.when(pl.col("held_long").any().over("van_id", "visit")).then(pl.col("held_long")).otherwise(met)


def _whole_peak(known: set[str]) -> dict[str, pl.Expr]:
    """The main peak, null where it is a lower bound: the pedal was lifted, or the record ended, while the flow still climbed.

    Of a record that ended, a reference value that is null says so, unless the record is too slow for one anyhow.
    """
    if MAIN_PEAK not in known:
        return {}
    slow = pl.col("rate_hz") < QUANTITIES[MAIN_PEAK].need.rate_hz
    whole = ~_is_short() & (pl.col(MAIN_PEAK).is_not_null() | slow)
    names = (MAIN_PEAK_AS_READ, MAIN_PEAK_AS_READ + "_u")
    return {name: pl.when(whole).then(pl.col(name)) for name in names if name in known}


def _is_idle() -> pl.Expr:
    return pl.col("grade_reasons").list.contains(IDLE_ONLY).fill_null(value=False)


def throttle_from_channel(captures: pl.LazyFrame) -> pl.LazyFrame:
    """Captures, with the throttle opening null where no channel gave it.

    Parameters
    ----------
    captures : polars.LazyFrame
        With or without `throttle_opened` and its uncertainty.

    Returns
    -------
    polars.LazyFrame
        The same columns. An opening estimated from the shape rests on the main peak and the first peak, which are
        tracked themselves: it would count twice.
    """
    names = ("throttle_opened", "throttle_opened_u")
    if not set(names) <= set(captures.collect_schema().names()):
        return captures
    recorded = pl.col("throttle_opened_u") <= UNKNOWN_OPEN_U
    return captures.with_columns(pl.when(recorded).then(pl.col(name)).alias(name) for name in names)


def visits_of(captures: pl.DataFrame) -> pl.DataFrame:
    """One row per van and week: the week's last visit, each quantity the median of its repeats (counts: the mean).

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.

    Returns
    -------
    polars.DataFrame
        van_id, family, depot, week, visit, captured_at, repeats, conditions (median), recorder_serial, ecu_software,
        fuel, the recorder's accuracy (where known), hold_s, length_s, rate_hz, and for each tracked quantity its value,
        `<name>_u` (median of the repeats' uncertainty) and `<name>_n` (repeats read). A quantity that fewer than half
        of the repeats give is null; `of_hold` says which are asked. main_peak_g_s has the main peak's tracked name. Sorted
        by van and time.
    """
    present = [name for name in TRACKED if name in captures.columns]
    level = [
        pl.col(source).mean().alias(name) if name in COUNTS else pl.col(source).median().alias(name)
        for name, source in ((n, MAIN_PEAK_AS_READ if n == MAIN_PEAK else n) for n in present)
    ]
    spread = [
        pl.col(MAIN_PEAK_AS_READ + "_u" if name == MAIN_PEAK else name + "_u").median().alias(name + "_u")
        for name in present
    ]
    counts = [
        pl.col(MAIN_PEAK_AS_READ if name == MAIN_PEAK else name).count().cast(pl.Int32).alias(name + "_n")
        for name in present
    ]
    asked = captures.with_columns(of_hold(name).alias(name + "_asked") for name in present)
    per_visit = asked.group_by("van_id", "visit", maintain_order=True).agg(
        pl.col("captured_at").max(),
        *(pl.col(name).first() for name in ("family", "depot")),
        pl.col("week").max(),
        pl.len().cast(pl.Int32).alias("repeats"),
        *(pl.col(name + "_asked").sum() for name in present),
        *(pl.col(name).median() for name in (*CONDITIONS, "hold_s", "length_s", "rate_hz")),
        *(pl.col(name).median() for name in RECORDER if name in captures.columns),
        *(pl.col(name).drop_nulls().last() for name in ("recorder_serial", "ecu_software", "fuel")),
        *level,
        *spread,
        *counts,
    )
    half_read = [
        pl.when(2 * pl.col(name + "_n") >= pl.col(name + "_asked")).then(pl.col(name)).alias(name) for name in present
    ]
    return (
        per_visit.with_columns(half_read)
        .drop(name + "_asked" for name in present)
        .sort("van_id", "captured_at", "visit")
        .unique(["van_id", "week"], keep="last", maintain_order=True)
        .sort("van_id", "captured_at")
    )


def repeat_spread(captures: pl.DataFrame) -> pl.DataFrame:
    """Standard deviation of the repeats within each visit, for the families' repeatability.

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.

    Returns
    -------
    polars.DataFrame
        van_id, visit, family, captured_at, and for each tracked quantity the standard deviation of its repeats. [unit
        of the quantity]
    """
    present = [name for name in TRACKED if name in captures.columns]
    return captures.group_by("van_id", "visit", maintain_order=True).agg(
        pl.col("family").first(),
        pl.col("captured_at").max(),
        *(pl.col(MAIN_PEAK_AS_READ if name == MAIN_PEAK else name).std().alias(name) for name in present),
    )


def medoids(points: Floats) -> Codes:
    """The member of each set nearest to all the others; of equals the first.

    Parameters
    ----------
    points : ndarray of shape (sets, members, features)
        Aligned waveforms or standardised readings; a NaN feature is left out of a pair's distance. [any unit]

    Returns
    -------
    ndarray of shape (sets,), int
        Member of each set.
    """
    sets, members = points.shape[:2]
    total = np.zeros((sets, members))
    for a in range(members):
        for b in range(a + 1, members):
            gap = np.abs(points[:, a] - points[:, b])
            known = np.isfinite(gap)
            apart = np.where(known, gap, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
            total[:, a] += apart
            total[:, b] += apart
    return np.asarray(np.argmin(total, axis=1), dtype=np.int64)


def representatives(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> set[str]:
    """The representative repeat of each visit: the medoid of its aligned waveforms, or of its readings without them; of those
    held long, where there are any.

    Parameters
    ----------
    captures : polars.DataFrame
        As `tracked_captures` returns.
    shapes : polars.DataFrame or None
        Rows of the shapes table; where a capture has none, its visit is judged by the readings.

    Returns
    -------
    set of str
        One capture_id per visit.
    """
    several = captures.filter(pl.col("held_long") | ~pl.col("held_long").any().over("van_id", "visit"))
    return _nearest(several, shapes)


def _nearest(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> set[str]:
    """The medoid of each visit."""
    present = [name for name in TRACKED if name in captures.columns and captures[name].count() > 0]
    readings = captures.select(pl.col(present).cast(pl.Float64))
    centre = readings.select(pl.all().median())
    spread = readings.select((pl.col(q) - pl.col(q).median()).abs().median() for q in present).to_numpy()
    points = (readings.to_numpy() - centre.to_numpy()) / np.where(spread > 0, spread, np.inf)
    trace_of = np.full(captures.height, -1)
    traces = np.empty((0, 0))
    if shapes is not None and shapes.height:
        held = captures.select("capture_id").with_row_index("row")
        known = held.join(shapes.select("capture_id", "airflow"), on="capture_id", maintain_order="left").drop_nulls()
        if known.height:
            traces = np.array(known["airflow"].to_list(), dtype=np.float64)
            trace_of[known["row"].to_numpy()] = np.arange(known.height)
    visit = captures.select(pl.struct("van_id", "visit").rank("dense")).to_series().to_numpy().astype(np.int64) - 1
    order = np.argsort(visit, kind="stable")
    counts = np.bincount(visit)
    first = np.cumsum(counts) - counts
    chosen = order[first]  # of one or two repeats, all are equally far from the others: take the first
    for members in np.unique(counts[counts > 2]):
        rows = order[first[counts == members][:, None] + np.arange(members)]
        drawn = (trace_of[rows] >= 0).all(axis=1)
        best = np.zeros(len(rows), np.int64)
        best[~drawn] = medoids(points[rows[~drawn]])
        if drawn.any():
            best[drawn] = medoids(traces[trace_of[rows[drawn]]])
        chosen[counts == members] = rows[np.arange(len(rows)), best]
    return set(captures["capture_id"].gather(chosen).to_list())
