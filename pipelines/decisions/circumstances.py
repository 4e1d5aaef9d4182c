"""What is known of each van beside its readings: fault codes, repairs, duty and warranty."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.weeks import week_end
from models.tracking.charts.repair_trials import GOOD_CAPTURES
from models.tracking.visits import is_good
from models.work.repair_proof import proof_in_time
from models.work.watchlist import Circumstances
from pipelines.decisions.proofs import PROVING_WEEKS
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings


def circumstances_of(
    van_ids: Sequence[str],
    captures: pl.DataFrame,
    repairs: pl.DataFrame,
    trends: pl.DataFrame,
    codes: Mapping[str, Mapping[str, int]],
    asked: Mapping[str, str],
    register: Register,
    settings: Settings,
    week: str,
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
    asked : mapping of str to str
        ISO week in which the order that stands proposed for a van first asked to wait.
    register : Register
    settings : Settings
    week : str
        ISO week.

    Returns
    -------
    dict of str to Circumstances
        A repair is being proven for some weeks, until three good captures were taken after it; from then on and for as long
        it is said what they showed.
    """
    since = week_end(week) - timedelta(weeks=PROVING_WEEKS)
    recent = repairs.filter(pl.col("done_at") > since, pl.col("van_id").is_in(list(van_ids))).sort("done_at")
    last = {row["van_id"]: row for row in recent.iter_rows(named=True)}
    visits = captures.filter(is_good()).select("van_id", "week").unique()
    found = {}
    for van_id in van_ids:
        van, repaired_on, outcome = register.vans[van_id], "", ""
        if van_id in last:
            of_van = pl.col("van_id") == van_id
            done_at: datetime = last[van_id]["done_at"]
            stands = proof_in_time(trends.filter(of_van), captures.filter(of_van), done_at, last[van_id]["brings_back"])
            repaired_on = str(done_at.date())
            if stands.captures >= GOOD_CAPTURES:
                outcome = "cant_tell" if stands.proof is None else stands.proof.verdict
        found[van_id] = Circumstances(
            codes.get(van_id, {}),
            "" if outcome else repaired_on,
            settings.workshop.duty_of(van_id, van.depot, van.family),
            van.warranty_until,
            (Fact.of("repair_judged", day=repaired_on, verdict=outcome),) if outcome else (),
            visits.filter(pl.col("van_id") == van_id, pl.col("week") > asked[van_id]).height if van_id in asked else 0,
        )
    return found
