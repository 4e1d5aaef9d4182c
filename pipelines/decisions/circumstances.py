"""What is known of each van beside its readings: fault codes, repairs, duty and warranty."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.weeks import week_end
from models.tracking.charts.repair_trials import GOOD_CAPTURES
from models.tracking.visits import is_tracked
from models.work.repair_proof import PROVING_WEEKS, proof_in_time
from models.work.warranty import Warranty
from models.work.watchlist import Circumstances
from pipelines.decisions.warranties import last_day_of
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings


def circumstances_of(
    van_ids: Sequence[str],
    captures: pl.DataFrame,
    repairs: pl.DataFrame,
    trends: pl.DataFrame,
    codes: Mapping[str, Mapping[str, int]],
    settling: Mapping[str, Fact],
    in_vain: Mapping[str, frozenset[str]],
    asked: Mapping[str, str],
    register: Register,
    settings: Settings,
    week: str,
    warranties: Mapping[str, Warranty] | None = None,
) -> dict[str, Circumstances]:
    """What is known of some vans beside their readings.

    Parameters
    ----------
    van_ids : sequence of str
    captures : polars.DataFrame
        Of these vans, up to the week.
    repairs : polars.DataFrame
        REPAIRS: those that touched something, none after the week.
    trends : polars.DataFrame
        TRENDS of these vans.
    codes : mapping of str to mapping of str to int
        Fault codes that stand, of each van that has one.
    settling : mapping of str to Fact
        How late each van comes back to idle that takes too long.
    in_vain : mapping of str to frozenset of str
        Causes whose job did not help, of each van that has one.
    asked : mapping of str to str
        ISO week in which the order that stands proposed for a van first asked to wait.
    register : Register
    settings : Settings
    week : str
        ISO week.
    warranties : mapping of str to Warranty, optional
        As of the week, of vans that have one.

    Returns
    -------
    dict of str to Circumstances
        A repair is being proven for some weeks, until three good captures were taken after it; from then on and for as long
        it is said what they showed.
    """
    last = _last_repairs(repairs.filter(pl.col("van_id").is_in(list(van_ids))), week)
    proving = being_proven(captures, repairs, week)
    visits = captures.filter(is_tracked()).select("van_id", "week").unique()
    found = {}
    for van_id in van_ids:
        van, repaired_on, outcome = register.vans[van_id], "", ""
        if van_id in last:
            of_van = pl.col("van_id") == van_id
            done_at: datetime = last[van_id]["done_at"]
            repaired_on = str(done_at.date())
            if van_id not in proving:
                stands = proof_in_time(
                    trends.filter(of_van),
                    captures.filter(of_van),
                    done_at,
                    last[van_id]["brings_back"],
                    last[van_id]["touches"],
                )
                outcome = "cant_tell" if stands.proof is None else stands.proof.verdict
        warranty = (warranties or {}).get(van_id)
        found[van_id] = Circumstances(
            codes.get(van_id, {}),
            proving.get(van_id, ""),
            settings.workshop.duty_of(van_id, van.depot, van.family),
            None if warranty is None else warranty.covered_until(last_day_of(week)),
            (Fact.of("repair_judged", day=repaired_on, verdict=outcome),) if outcome else (),
            visits.filter(pl.col("van_id") == van_id, pl.col("week") > asked[van_id]).height if van_id in asked else 0,
            settling.get(van_id),
            in_vain.get(van_id, frozenset()),
        )
    return found


def being_proven(captures: pl.DataFrame, repairs: pl.DataFrame, week: str) -> dict[str, str]:
    """Vans whose last repair is still being proven, on the week's list or not.

    Parameters
    ----------
    captures : polars.DataFrame
        Those of `models.work.repair_proof.PROOF_COLUMNS`; up to the week.
    repairs : polars.DataFrame
        REPAIRS: those that touched something, none after the week.
    week : str
        ISO week.

    Returns
    -------
    dict of str to str
        ISO day of the repair: no older than `PROVING_WEEKS`, with fewer than `GOOD_CAPTURES` good captures since.
    """
    done = {van_id: row["done_at"] for van_id, row in _last_repairs(repairs, week).items()}
    kinds = {name: repairs.schema[name] for name in ("van_id", "done_at")}
    last = pl.DataFrame(list(done.items()), schema=kinds, orient="row")
    since = captures.filter(is_tracked()).join(last, on="van_id").filter(pl.col("captured_at") > pl.col("done_at"))
    count = dict(since.group_by("van_id").len().iter_rows())
    return {van_id: str(at.date()) for van_id, at in done.items() if count.get(van_id, 0) < GOOD_CAPTURES}


def _last_repairs(repairs: pl.DataFrame, week: str) -> dict[str, dict[str, Any]]:
    """The last repair of each van that is recent enough to be proven."""
    since = week_end(week) - timedelta(weeks=PROVING_WEEKS)
    recent = repairs.filter(pl.col("done_at") > since).sort("done_at")
    return {row["van_id"]: row for row in recent.iter_rows(named=True)}
