"""Captures to visits: one value per visit and quantity, and the spread of repeats."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from data_contracts.reasons import REPEAT_REASONS
from data_contracts.signals import QUANTITIES, TRACKED, tracking_of
from data_contracts.states import IDLE_ONLY
from models.reading.air_trace.throttle import UNKNOWN_OPEN_U
from models.reading.needs import OF_THE_HIGHEST_SPEED
from models.statistics.arrays import Codes, Floats
from models.statistics.groups import medians_of_lists

COUNTS: frozenset[str] = frozenset(name for name in TRACKED if tracking_of(name).scale == "root")
"""Quantities averaged over the repeats: a median would hide a fault that comes and goes."""

VISIT = ("van_id", "visit")
"""Columns that name a visit."""
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
OF_CAPTURES = (*IDENTITY, "grade_reasons", *CONDITIONS, *RECORDER)
"""All that tracking looks at of captures, beside their readings."""


def tracked_captures(frame: pl.DataFrame | pl.LazyFrame, read: Sequence[str] | None = None) -> pl.DataFrame:
    """The captures that are tracked, in an order that does not depend on the order of delivery.

    Parameters
    ----------
    frame : polars.DataFrame or polars.LazyFrame
        Captures joined with their readings.
    read : sequence of str, optional
        Quantities wanted, as `ever_read` returns them; those of the frame itself where left out.

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
    values = [*(ever_read(frame) if read is None else read), MAIN_PEAK_AS_READ]
    columns = [
        name
        for name in (*IDENTITY, *CONDITIONS, *RECORDER, *(value + end for value in values for end in ("", "_u")))
        if name in known
    ]
    told = frame.lazy().with_columns(
        low_throughout=(pl.col("grade") == "repeat") & is_good(), held_long=~_is_short(), **_whole_peak(known)
    )
    used = throttle_from_channel(told.filter(is_tracked()).select(*columns, "low_throughout", "held_long"))
    left = [
        pl.when(of_hold(name, pl.col("long_beside"))).then(pl.col(name + end)).alias(name + end)
        for name in TRACKED
        if QUANTITIES[name].need.hold_s
        for end in ("", "_u")
        if name + end in columns
    ]
    used = used.with_columns(long_beside=long_beside()).with_columns(left).drop("long_beside")
    return used.sort("van_id", "captured_at", "capture_id").collect()


def ever_read(frame: pl.DataFrame | pl.LazyFrame) -> list[str]:
    """The tracked quantities that a frame holds, without those that no capture ever read; their flow levels stay beside them.

    Parameters
    ----------
    frame : polars.DataFrame or polars.LazyFrame
        Captures joined with their readings.

    Returns
    -------
    list of str
    """
    known = set(frame.collect_schema().names())
    present = [name for name in TRACKED if name in known]
    # one column after the other: together they would all be in memory at once
    read = {
        name
        for name in {*present, MAIN_PEAK_AS_READ} & known
        if frame.lazy().select(pl.col(name).count()).collect().item()
    }
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
    kept, low = _is_kept(), _is_low()
    any_good = kept.any().over(VISIT) | (low.any().over(VISIT) & _is_alike())  # a window within a window takes long
    return is_good() | (_is_idle() & ~any_good)


def is_good() -> pl.Expr:
    """Whether a capture counts as a snap, for tracking and for the proof of a repair: kept, or as every snap of its visit that
    was held long enough to tell sent back for the throttle alone; beside shorter ones that takes two.

    Returns
    -------
    polars.Expr
        Over all captures of a visit, with grade, grade_reasons, van_id and visit.
    """
    kept, low = _is_kept(), _is_low()
    # one low snap among short ones may be a plate half open
    several = (low.sum().over(VISIT) > 1) | ~kept.any().over(VISIT)
    return kept | (low & _is_alike() & several)


def _is_kept() -> pl.Expr:
    return pl.col("grade") != "repeat"


def _is_low() -> pl.Expr:
    """Whether a snap was sent back for the throttle alone."""
    sent_back = pl.col("grade_reasons").list.set_intersection(pl.lit(list(REPEAT_REASONS)))
    return (sent_back.list.len() == 1) & sent_back.list.contains("throttle_not_full")


def _is_alike() -> pl.Expr:
    """Whether all of a visit that was held long enough to tell was sent back for the throttle alone."""
    return pl.when(_is_kept()).then(_is_short()).otherwise(_is_low() | _is_idle()).all().over(VISIT)


def _is_short() -> pl.Expr:
    """Whether the pedal was lifted before the engine reached its highest speed."""
    return pl.col("grade_reasons").list.contains("hold_short").fill_null(value=False)


def long_beside() -> pl.Expr:
    """Whether any snap of a visit was held until the engine reached its highest speed; over all of a visit, with `held_long`."""
    return pl.col("held_long").any().over(VISIT)


def of_hold(name: str, beside: pl.Expr | None = None) -> pl.Expr:
    """Whether a snap is asked for a quantity, by how long it was held.

    Parameters
    ----------
    name : str
        A name of data_contracts/signals.py, and a column.
    beside : polars.Expr, optional
        `long_beside`, where that was found for many quantities at once.

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
    return pl.when(long_beside() if beside is None else beside).then(pl.col("held_long")).otherwise(met)


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
    held = [name for name in present if QUANTITIES[name].need.hold_s]
    asked = captures.with_columns(long_beside=long_beside()).with_columns(
        of_hold(name, pl.col("long_beside")).alias(name + "_asked") for name in held
    )
    per_visit = (
        asked.with_row_index("rows")
        .group_by(VISIT, maintain_order=True)
        .agg(
            pl.col("rows"),
            pl.col("captured_at").max(),
            *(pl.col(name).first() for name in ("family", "depot")),
            pl.col("week").max(),
            pl.len().cast(pl.Int32).alias("repeats"),
            *(pl.col(name + "_asked").sum() for name in held),
            *(pl.col(name).last(ignore_nulls=True) for name in ("recorder_serial", "ecu_software", "fuel")),
            *(
                pl.col(MAIN_PEAK_AS_READ if name == MAIN_PEAK else name).mean().alias(name)
                for name in present
                if name in COUNTS
            ),
        )
    )
    middles = _middles(captures, per_visit["rows"], present)
    half_read = [
        pl.when(2 * pl.col(name + "_n") >= pl.col(name + "_asked" if name in held else "repeats"))
        .then(pl.col(name))
        .alias(name)
        for name in present
    ]
    return (
        per_visit.with_columns(middles)
        .with_columns(half_read)
        .drop("rows", *(name + "_asked" for name in held))
        .sort("van_id", "captured_at", "visit")
        .unique(["van_id", "week"], keep="last", maintain_order=True)
        .sort("van_id", "captured_at")
    )


def _middles(captures: pl.DataFrame, rows: pl.Series, present: list[str]) -> list[pl.Series]:
    """Medians of some captures each: of conditions, hold and recorder, of the quantities' values but for counts, and of their
    uncertainties; with the number of repeats that read each quantity. `rows` are lists of rows."""
    order = rows.explode().to_numpy().astype(np.int64)
    bounds = np.concatenate([[0], np.cumsum(rows.list.len().to_numpy(), dtype=np.int64)])

    def middle(column: str) -> tuple[Floats, Codes]:
        medians, counts = medians_of_lists(captures[column].cast(pl.Float64).to_numpy()[:, None], order, bounds)
        return medians[:, 0], counts[:, 0]

    out = []
    for column in (*CONDITIONS, "hold_s", "length_s", "rate_hz", *RECORDER):
        if column in captures.columns:
            out.append(pl.Series(column, middle(column)[0], nan_to_null=True))
    for name in present:
        column = MAIN_PEAK_AS_READ if name == MAIN_PEAK else name
        value, count = middle(column)
        if name not in COUNTS:
            out.append(pl.Series(name, value, nan_to_null=True))
        out.append(pl.Series(name + "_u", middle(column + "_u")[0], nan_to_null=True))
        out.append(pl.Series(name + "_n", count.astype(np.int32)))
    return out


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
    return captures.group_by(VISIT, maintain_order=True).agg(
        pl.col("family").first(),
        pl.col("captured_at").max(),
        *(pl.col(MAIN_PEAK_AS_READ if name == MAIN_PEAK else name).std().alias(name) for name in present),
    )
