"""What a warranty file says of a van's changes: when one began and how well that is known, and what each repair did."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import numpy as np
import polars as pl

from data_contracts.errors import NotEnoughDataError
from data_contracts.jobs import JOBS
from data_contracts.signals import QUANTITIES
from models.change_point import date_onset, difference_scatter
from models.work.repair_proof import Level, RepairProof, TouchedQuantity, prove_repair
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.paper import as_shown, contract, day, joined, say

Section = dict[str, Any]


def monday(week: str) -> date:
    """First day of an ISO week."""
    return date.fromisocalendar(int(week[:4]), int(week[-2:]), 1)


def change_date(rows: pl.DataFrame, repairs: pl.DataFrame) -> str:
    """When a quantity began to move, with its interval, in words.

    Parameters
    ----------
    rows : polars.DataFrame
        One quantity's trend, oldest first.
    repairs : polars.DataFrame
        The van's repairs: what happened before the last of them is another story.

    Returns
    -------
    str
        Empty where too few visits tell.
    """
    done = [at.date() for at in repairs["done_at"] if at.date() < monday(rows["week"][-1])]
    if done:
        rows = rows.filter(pl.col("week").map_elements(lambda w: monday(w) > max(done), return_dtype=pl.Boolean))
    rows = rows.filter(pl.col("value").is_not_null())
    values = rows["value"].cast(pl.Float64).to_numpy()
    days = np.array([monday(week).toordinal() for week in rows["week"]], dtype=np.float64)
    try:
        sigma = max(difference_scatter(values), 1e-12 * float(np.max(np.abs(values), initial=1.0)))
        onset = date_onset(days, values, sigma=sigma)
    except NotEnoughDataError:
        return say("evidence.onset_unknown")
    first, low, high = (_week(date.fromordinal(round(at))) for at in (onset.time, onset.low, onset.high))
    return say(f"evidence.onset_{onset.kind}", week=first, low=low, high=high)


def _week(at: date) -> str:
    year, week, _ = at.isocalendar()
    return f"{year}-W{week:02d}"


def repairs_section(tables: Mapping[str, pl.DataFrame]) -> Section:
    """Every repair: verdict, and per quantity before, after, expected, movement with its interval.

    The last visit before is compared with the first after it. Where the repair is a job of the contract, the
    quantities it should bring back are compared, else all that were read.
    """
    section: Section = {"title": say("evidence.repairs"), "text": [], "tables": [], "drawings": []}
    seen = dict(tables["captures"].group_by("week").agg(pl.col("captured_at").max()).iter_rows())
    trends = tables["trends"].filter(pl.col("value").is_not_null()).sort("week")
    for repair in tables["repairs"].sort("done_at").iter_rows(named=True):
        done: datetime = repair["done_at"]
        section["text"].append(f"{day(done)}: " + joined([contract(repair["work"]), repair["parts"], repair["note"]]))
        later = sorted(week for week in trends["week"].unique() if week in seen and seen[week] > done)
        before = trends.filter(~pl.col("week").is_in(later)).group_by("quantity", maintain_order=True).last()
        after = trends.filter(pl.col("week") == later[0]) if later else trends.clear()
        touched = JOBS[repair["work"]].touches if repair["work"] in JOBS else tuple(trends["quantity"].unique().sort())
        try:
            proof = prove_repair(
                _levels(before, "value"), _levels(after, "value"), _levels(before, "baseline"), touched
            )
        except NotEnoughDataError:
            section["text"].append(say("evidence.no_comparison"))
            continue
        section["text"].append(
            say(
                "evidence.verdict",
                verdict=say(f"evidence.verdict.{proof.verdict}"),
                before=before["week"].max(),
                after=later[0],
            )
        )
        section["tables"].append(_table(proof))
        if proof.left_out:
            section["text"].append(
                say(
                    "evidence.not_compared",
                    quantities=", ".join(f"{name} ({say(_why(why))})" for name, why in proof.left_out.items()),
                )
            )
    if not section["text"]:
        section["text"].append(say("evidence.no_repair"))
    return section


def _why(words: str) -> str:
    when = next((when for when in ("before", "after") if when in words), "expected")
    return f"evidence.left_out.{when}"


def _table(proof: RepairProof) -> Section:
    heads = ("quantity", "before", "after", "expected", "towards", "interval", "outcome")
    rows = [_row(one) for one in proof.quantities]
    return {"heads": [say(f"evidence.{head}") for head in heads], "rows": rows, "empty": say("evidence.no_comparison")}


def _row(one: TouchedQuantity) -> list[str]:
    unit = as_shown(QUANTITIES[one.quantity].unit)
    tail = "" if unit.unit == "1" else f" {unit.unit}"
    levels = [
        with_uncertainty(unit.value(level.value), unit.difference(level.u)) + tail
        for level in (one.before, one.after, one.expected)
    ]
    change, low, high = (f"{unit.difference(x):+.2g}".replace("-", "−") for x in (one.change, one.low, one.high))
    return [
        one.quantity,
        *levels,
        change,
        say("evidence.from_to", low=low, high=high),
        say(f"evidence.outcome.{one.verdict}"),
    ]


def _levels(rows: pl.DataFrame, name: str) -> dict[str, Level]:
    known = rows.drop_nulls([name, f"{name}_u"])
    return {q: Level(v, u) for q, v, u in known.select("quantity", name, f"{name}_u").iter_rows()}
