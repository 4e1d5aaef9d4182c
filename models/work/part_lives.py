"""How long parts last, by the fleet's own record of work: months and kilometres until a part has to be worked on."""

from collections.abc import Callable, Collection, Iterable, Mapping
from datetime import date

import numpy as np
import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.limits import LEAST_REMOVALS
from data_contracts.tables import PART_LIVES, polars_schema
from data_contracts.weeks import DAYS_A_MONTH
from data_contracts.work_done import WORKS
from models.statistics.lifetimes import Lives, Span, kaplan_meier, median_of, weibull_life
from models.tracking.work_words import touched_by
from models.work.odometers import mileage_on

SAME_JOB_DAYS = 7
"""Records of work on one part of a van no further apart than this are one job, written down twice. Common practice, no
source (2026-11-29). [day]"""
_NO_PART = frozenset({"service", "fault_memory", "control_unit", "engine"})
"""Works on no part that wears: what is done by the calendar or by software, and an engine as a whole."""


def parts_of(works: Iterable[str], more: Collection[str] = ()) -> tuple[str, ...]:
    """Parts that a repair worked on.

    Parameters
    ----------
    works : iterable of str
        Kinds of work recognised in its words, or the causes found, as `repairs` holds them.
    more : collection of str
        Works of the register, which are parts too.

    Returns
    -------
    tuple of str
        Works of the contract that touch what is read from a snap, and those of the register; the part of its job for a
        cause.
    """
    parts: list[str] = []
    for name in works:
        parts += _PART_OF_CAUSE.get(name, ()) if name in EVERY_CAUSE else [name]
    known = {name for name in parts if name in more or (name in WORKS and WORKS[name].kinds)}
    return tuple(name for name in dict.fromkeys(parts) if name in known and name not in _NO_PART)


def _part_of_cause(code: str) -> tuple[str, ...]:
    """The work that the parts of a cause's job are; of several the first."""
    parts = EVERY_CAUSE[code].job.parts
    named = () if parts is None else touched_by(parts.en).works
    kinds = EVERY_CAUSE[code].mended_by
    return (named or tuple(name for name, work in WORKS.items() if set(kinds) & set(work.kinds)))[:1]


_PART_OF_CAUSE: Mapping[str, tuple[str, ...]] = {code: _part_of_cause(code) for code in EVERY_CAUSE}


def turbo_only(part: str) -> bool:
    """Whether only turbocharged families have a part: all causes it mends are theirs."""
    causes = [c for c in EVERY_CAUSE.values() if part in WORKS and set(c.mended_by) & set(WORKS[part].kinds)]
    return bool(causes) and all(cause.turbo_only for cause in causes)


def lives_of(
    works: pl.DataFrame, vans: pl.DataFrame, readings: pl.DataFrame, *, since: date, until: date
) -> pl.DataFrame:
    """The lives of parts, one row each.

    A life begins with the van's first day in service or with work on the part, and ends with work on the part; it goes on
    where none came. What happened before work was on record is not known: a part in a van that is older counts from the
    day the record begins, and is taken for the van's first.

    Parameters
    ----------
    works : polars.DataFrame
        van_id, day, part: one row for each part worked on.
    vans : polars.DataFrame
        van_id, in_service_on (may be null), turbo (may be null): every van of the register.
    readings : polars.DataFrame
        Odometer readings, as `models.work.odometers.readings_of` returns them.
    since : date
        First day on record.
    until : date
        Last day that counts.

    Returns
    -------
    polars.DataFrame
        van_id, part, ended, early (older than the record), entry_months, exit_months, entry_km, exit_km. Kilometres are
        null where no odometer tells them; of a part that goes on they are those of the last reading.
    """
    jobs = (
        works.join(vans.select("van_id", "in_service_on"), on="van_id")
        .filter(pl.col("day") <= until, pl.col("in_service_on").is_null() | (pl.col("day") > pl.col("in_service_on")))
        .unique(["van_id", "part", "day"])
        .sort("van_id", "part", "day")
        .filter((pl.col("day").diff().over("van_id", "part").dt.total_days() > SAME_JOB_DAYS).fill_null(value=True))
        .select("van_id", "part", "day")
    )
    of_turbo = [part for part in jobs["part"].unique() if turbo_only(part)]
    has_it = ~(pl.col("part").is_in(of_turbo) & pl.col("turbo").eq(other=False).fill_null(value=False))
    first = (
        vans.filter(pl.col("in_service_on") <= until)
        .join(jobs.select("part").unique(), how="cross")
        .filter(has_it)
        .select("van_id", "part", start="in_service_on")
        .join(jobs.group_by("van_id", "part").agg(end=pl.col("day").min()), on=["van_id", "part"], how="left")
    )
    again = jobs.select("van_id", "part", start="day", end=pl.col("day").shift(-1).over("van_id", "part"))
    lives = pl.concat([first, again]).with_columns(
        ended=pl.col("end").is_not_null(),
        entry=pl.max_horizontal("start", pl.lit(since)),
        end=pl.col("end").fill_null(until),
    )
    lives = lives.filter(pl.col("end") > pl.col("entry"))

    def months(column: str) -> pl.Expr:
        return (pl.col(column) - pl.col("start")).dt.total_days() / DAYS_A_MONTH

    seen = readings.group_by("van_id").agg(seen=pl.col("day").max())
    lives = lives.join(seen, on="van_id", how="left").with_columns(
        last=pl.when("ended").then("end").otherwise(pl.min_horizontal("end", "seen"))
    )
    for name in ("start", "entry", "last"):
        km = mileage_on(readings, vans, lives.select("van_id", day=name))["km"]
        lives = lives.with_columns(km.alias(f"{name}_km"))
    known = pl.col("seen").is_not_null() & (pl.col("last_km") > pl.col("entry_km"))
    return lives.select(
        "van_id",
        "part",
        "ended",
        early=pl.col("entry") > pl.col("start"),
        entry_months=months("entry"),
        exit_months=months("end"),
        entry_km=pl.when(known).then(pl.col("entry_km") - pl.col("start_km")),
        exit_km=pl.when(known).then(pl.col("last_km") - pl.col("start_km")),
    ).sort("part", "van_id", "entry_months")


def part_lives(lives: pl.DataFrame, *, week: str, since: date) -> pl.DataFrame:
    """How long each part lasts.

    Parameters
    ----------
    lives : polars.DataFrame
        As `lives_of` returns them.
    week : str
        ISO week.
    since : date
        First day on record.

    Returns
    -------
    polars.DataFrame
        Rows of `part_lives`: two for each part, in months and in km; lives null below `LEAST_REMOVALS` removals.
    """
    rows: list[dict[str, object]] = []
    for (part,), of_part in lives.group_by("part", maintain_order=True):
        for unit in ("months", "km"):
            known = of_part.drop_nulls(f"exit_{unit}")
            removals = int(known["ended"].sum())
            row = {"week": week, "part": part, "unit": unit, "since": since, "removals": removals}
            row |= {"running": known.height - removals, "early": int(known["early"].sum())}
            rows.append(row | (_spans(known, unit) if removals >= LEAST_REMOVALS else {}))
    return pl.DataFrame(rows, schema=polars_schema(PART_LIVES)).sort("part", "unit")


def _spans(lives: pl.DataFrame, unit: str) -> dict[str, float | None]:
    """Median by Kaplan and Meier, with the age from which it counts, and by Weibull, and the Weibull's shape."""
    observed = Lives(
        lives[f"entry_{unit}"].to_numpy(), lives[f"exit_{unit}"].to_numpy(), lives["ended"].to_numpy().astype(np.bool_)
    )
    survival, weibull = kaplan_meier(observed), weibull_life(observed)
    spans: dict[str, Span] = {
        "half": median_of(survival),
        "weibull_half": weibull.median,
        "shape": weibull.shape,
    }
    ends: dict[str, Callable[[Span], float]] = {
        "": lambda span: span.value,
        "_low": lambda span: span.low,
        "_high": lambda span: span.high,
    }
    return {"half_from": survival.start or None} | {
        f"{name}{end}": value if np.isfinite(value := of(span)) else None
        for name, span in spans.items()
        for end, of in ends.items()
    }
