"""What is known of every van before its next test: visits, wear, what its last visit showed, what is suspected."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import polars as pl

from data_contracts.causes import CAUSES, NONE
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.weeks import week_end, week_of
from models.tracking.visits import is_tracked
from models.work.danger import danger, endangers
from models.work.testing_plan import VanToTest
from models.work.visit_plan import Days

WARNING, WARNED = 2.25, 10.0
"""Residual at the last visit from which it is a sign, and how many times as likely that is with a large fault: one healthy visit in ten
has one as large among its quantities (sample fleet, seed 900, 2026-11-29). Control charts usually warn at 2."""
CODE_READ = 5.0
"""The same of a fault code at the last visit that does not stand yet. A judgement, no source (2026-11-29)."""
UNUSUAL = 3.0
"""From so many times as likely an unusual visit is a sign. A judgement, no source (2026-11-29)."""
REPAIRED, REPAIRED_WEEKS = 2.0, 8.0
"""How many times as often faults begin for some weeks after work; until they are over a residual is no sign, for it is held
against a baseline that the repair has left. Common practice, no source (2026-11-29)."""
LITTLE_WEAR = 0.8
"""Between this and its inverse wear is not given as a reason. A judgement, no source (2026-11-29)."""
WEAR_POWER, LEAST_WEAR, MOST_WEAR = 0.5, 0.7, 1.5
"""Faults begin in proportion to this power of mileage or age over the fleet's middle, within limits: wear-out with a shape
of 1.5. Common practice, no source (2026-11-29)."""
TEST_TRENDS = ("van_id", "week", "quantity", "z")
"""Columns of trends that the next tests hang on."""


@dataclass(frozen=True)
class Known:
    """What a run knows of the fleet, beside its captures.

    Attributes
    ----------
    vans : polars.DataFrame
        Of the register: van_id, family, depot, in_service_on, odometer_km; the last two may be missing.
    families : mapping of str to Family
    states : polars.DataFrame
        van_id, anomaly_p.
    trends : polars.DataFrame
        `TEST_TRENDS`, or of these what `bearing_on_tests` returns.
    listed : polars.DataFrame
        Rows of the week's list: van_id, leading_cause, causes, reason_facts.
    severity : mapping of str to float
        Of the likeliest cause, per listed van. [1]
    repairs : polars.DataFrame
        van_id, done_at; none after the week.
    duty : mapping of str to float
        How much worse a failure is than of an ordinary van; 1 where it is left out. [1]
    proving : mapping of str to str
        ISO day of the repair that is being proven.
    booked : mapping of str to date
        Day a van comes into the workshop.
    absences : mapping of str to sequence of (date, date)
    """

    vans: pl.DataFrame
    families: Mapping[str, Family]
    states: pl.DataFrame
    trends: pl.DataFrame
    listed: pl.DataFrame
    repairs: pl.DataFrame
    severity: Mapping[str, float] = field(default_factory=dict)
    duty: Mapping[str, float] = field(default_factory=dict)
    proving: Mapping[str, str] = field(default_factory=dict)
    booked: Mapping[str, date] = field(default_factory=dict)
    absences: Mapping[str, Sequence[Days]] = field(default_factory=dict)


def vans_to_test(known: Known, captures: pl.DataFrame, week: str) -> list[VanToTest]:
    """Every van of the register with what bears on its next test.

    Parameters
    ----------
    known : Known
    captures : polars.DataFrame
        van_id, captured_at, week, visit, grade, grade_reasons, fault_codes, odometer_km; later weeks are left out, and so is
        what is not tracked.
    week : str
        ISO week.

    Returns
    -------
    list of VanToTest
        In the order of the register.
    """
    seen = captures.filter(is_tracked()).filter(pl.col("week") <= week)
    days = _by_van(seen.group_by("van_id").agg(pl.col("captured_at").dt.date().unique().sort()))
    codes = _by_van(
        seen.filter(pl.col("captured_at").dt.date() == pl.col("captured_at").dt.date().max().over("van_id"))
        .group_by("van_id")
        .agg(pl.col("fault_codes").explode().drop_nulls().unique().sort())
    )
    unusual = _by_van(known.states.select("van_id", "anomaly_p"))
    moving, warned = _moving(known.trends), _warned(known.trends)
    repaired = _by_van(known.repairs.group_by("van_id").agg(pl.col("done_at").dt.date().max()))
    since = week_end(week).date() - timedelta(weeks=REPAIRED_WEEKS)
    listed = {row["van_id"]: row for row in known.listed.iter_rows(named=True)}
    wear = _wear(known.vans, seen, week_end(week).date())
    found = []
    for row in known.vans.iter_rows(named=True):
        van_id, family = row["van_id"], known.families.get(row["family"])
        probability = {one["code"]: one["probability"] for one in listed[van_id]["causes"]} if van_id in listed else {}
        signs = _listed_signs(listed[van_id], probability) if van_id in listed else []
        often, done = wear.get(van_id, 1.0), repaired.get(van_id)
        known_from = date.min if done is None else done + timedelta(weeks=REPAIRED_WEEKS)
        visits = days.get(van_id) or ()
        times = 1.0
        if van_id not in listed:
            moved = moving.get(van_id) if visits and visits[-1] > known_from else None
            times, signs = _signs(unusual.get(van_id), moved, codes.get(van_id) or ())
        if not LITTLE_WEAR < often < 1.0 / LITTLE_WEAR:
            signs.append(Fact.of("test_worn", times=often))
        if done is not None and done > since:
            often *= REPAIRED
            if van_id not in known.proving:
                signs.append(Fact.of("test_repaired", day=str(done)))
        found.append(
            VanToTest(
                van_id,
                row["family"],
                row["depot"],
                None if family is None else family.aspiration == "turbo",
                tuple(visits),
                row.get("in_service_on"),
                often,
                times,
                {day: WARNED for day in visits[:-1] if week_of(day) in warned.get(van_id, ()) and day > known_from},
                probability,
                known.severity.get(van_id, math.nan),
                known.duty.get(van_id, 1.0),
                known.proving.get(van_id, ""),
                known.booked.get(van_id),
                tuple(known.absences.get(van_id, ())),
                tuple(signs),
            )
        )
    return found


def _by_van(rows: pl.DataFrame) -> dict[str, Any]:
    """Of a frame of two columns, the first to the second."""
    return dict(rows.iter_rows())


def bearing_on_tests(trends: pl.DataFrame) -> pl.DataFrame:
    """What of trends the next tests hang on.

    Parameters
    ----------
    trends : polars.DataFrame
        `TEST_TRENDS` of some vans, all rows of each.

    Returns
    -------
    polars.DataFrame
        Rows of each van's last visit, and those of earlier ones that show a sign.
    """
    newest = pl.col("week") == pl.col("week").max().over("van_id")
    return trends.select(TEST_TRENDS).filter(newest | (pl.col("z").abs() >= WARNING))


def _moving(trends: pl.DataFrame) -> dict[str, tuple[str, float]]:
    """Of each van, the quantity furthest from its baseline at its last visit, and its residual."""
    rows = (
        trends.filter(pl.col("week") == pl.col("week").max().over("van_id"))
        .with_columns(apart=pl.col("z").abs())
        .filter(pl.col("apart").is_finite())
        .sort("apart", "quantity", descending=[True, False])
        .group_by("van_id", maintain_order=True)
        .agg(pl.col("quantity").first(), pl.col("apart").first())
    )
    return {van_id: (quantity, apart) for van_id, quantity, apart in rows.iter_rows()}


def _warned(trends: pl.DataFrame) -> dict[str, list[str]]:
    """Of each van, the weeks whose visit showed a sign."""
    return _by_van(trends.filter(pl.col("z").abs() >= WARNING).group_by("van_id").agg(pl.col("week").unique()))


def _signs(p: float | None, moving: tuple[str, float] | None, codes: Sequence[str]) -> tuple[float, list[Fact]]:
    """How many times as likely the last visit is with a large fault, and why, of a van that is not on the list; 1 where it
    showed nothing. The strongest sign counts.

    Notes
    -----
    A p-value speaks at most 1 / (-e p ln p) times for a fault (T. Sellke, M. J. Bayarri and J. O. Berger, The American
    Statistician 55, 2001, 62-71, doi:10.1198/000313001300339950; from memory).
    """
    times, facts = 1.0, []
    if p is not None and 0.0 < p < 1.0 / math.e and -1.0 / (math.e * p * math.log(p)) >= UNUSUAL:
        times = -1.0 / (math.e * p * math.log(p))
        facts.append(Fact.of("test_unusual", p=p))
    if moving is not None and moving[1] >= WARNING:
        times = max(times, WARNED)
        facts.append(Fact.of("test_moving", moving[0]))
    known = [code for code in codes if code in FAULT_CODES]
    if known:
        times = max(times, CODE_READ)
        facts.append(Fact.of("test_code", fault_code=known[0], says=known[0]))
    return times, facts


def _listed_signs(listed: Mapping[str, Any], probability: Mapping[str, float]) -> list[Fact]:
    """What is suspected of a van on the list; of danger what the list itself says."""
    leading = str(listed["leading_cause"])
    facts = [
        Fact.of(
            "test_listed", probability=1.0 - probability.get(NONE, 0.0), cause=leading if leading in CAUSES else None
        )
    ]
    told = [fact["code"] for fact in listed["reason_facts"] or ()]
    if endangers(leading) or "dangers_likely" in told:
        facts.append(Fact.of("test_danger", probability=danger(probability)))
    return facts


def _wear(vans: pl.DataFrame, seen: pl.DataFrame, day: date) -> dict[str, float]:
    """How many times as often faults begin in a van, by mileage where it is known, else by age. [1]"""
    read = seen.filter(pl.col("odometer_km") > 0).group_by("van_id").agg(read=pl.col("odometer_km").max())
    known = vans.select(
        "van_id",
        *(
            (pl.col(name) if name in vans.columns else pl.lit(None, kind)).cast(kind).alias(name)
            for name, kind in (("in_service_on", pl.Date), ("odometer_km", pl.Float64))
        ),
    ).join(read, on="van_id", how="left")
    measures = known.select(
        "van_id",
        km=pl.coalesce("read", "odometer_km"),
        days=(pl.lit(day) - pl.col("in_service_on")).dt.total_days().cast(pl.Float64),
    ).with_columns(pl.when(pl.col(name) > 0).then(pl.col(name)).alias(name) for name in ("km", "days"))
    often = measures.select(
        "van_id",
        often=pl.coalesce(pl.col("km") / pl.col("km").median(), pl.col("days") / pl.col("days").median(), 1.0)
        .pow(WEAR_POWER)
        .clip(LEAST_WEAR, MOST_WEAR),
    )
    return dict(often.iter_rows())
