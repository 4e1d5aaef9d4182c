"""The week's list: states, causes and what waiting costs brought together, in the order of the orders."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.jobs import JOBS, Job
from data_contracts.tables import WATCHLIST, rows_of
from data_contracts.weeks import week_start
from models.causes.infer import CausePosterior
from models.work.finding import finding_of
from models.work.first_step import first_step, worth_of_step
from models.work.in_short import with_evidence_first
from models.work.urgency import Finding, most_hurting_first, urgency_of
from models.work.worth import RankingSettings, Worth, rank_orders


@dataclass(frozen=True)
class Circumstances:
    """What is known of a van beside its readings.

    Attributes
    ----------
    standing_codes : mapping of str to int
        Fault codes that stand visit after visit, and at how many of the last visits.
    repaired_on : str
        ISO day of a repair that is being proven; empty for none.
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    warranty_until : date or None
        Last day its warranty covers, by date and by kilometres; None where it covers no more.
    told : tuple of Fact
        What a repair of late came to.
    stood : int
        Visits since the order that stands proposed for it asked to wait.
    settling : Fact or None
        How late it comes back to idle, where that is beyond its family's limit.
    in_vain : frozenset of str
        Causes whose job was done of late and did not help.
    """

    standing_codes: Mapping[str, int] = field(default_factory=dict)
    repaired_on: str = ""
    duty: float = 1.0
    warranty_until: date | None = None
    told: tuple[Fact, ...] = ()
    stood: int = 0
    settling: Fact | None = None
    in_vain: frozenset[str] = frozenset()


def watchlist(
    states: pl.DataFrame,
    posterior: CausePosterior,
    *,
    week: str,
    before: Collection[str],
    circumstances: Mapping[str, Circumstances] | None = None,
    settings: RankingSettings | None = None,
    jobs: Mapping[str, Job] = JOBS,
) -> pl.DataFrame:
    """Rows of the watchlist table.

    Parameters
    ----------
    states : polars.DataFrame
        States of one week, as `models.tracking.assess.assess` returns them.
    posterior : CausePosterior
        Causes of every van on the list.
    week : str
        ISO week.
    before : collection of str
        Vans on the list of the week before.
    circumstances : mapping of str to Circumstances, optional
        Per van; nothing known where it is left out.
    settings : RankingSettings, optional
    jobs : mapping of str to Job
        Jobs with the workshop's own hours and costs.

    Returns
    -------
    polars.DataFrame
        Schema of WATCHLIST, its sentences still empty; ranked as the orders are: see `rank_orders`.
    """
    settings, known = settings or RankingSettings(), circumstances or {}
    row_of = {van_id: row for row, van_id in enumerate(posterior.van_ids)}
    rows, worths, safety = [], [], []
    for state in states.filter(pl.col("van_id").is_in(list(row_of))).iter_rows(named=True):
        row = row_of[state["van_id"]]
        about = known.get(state["van_id"], Circumstances())
        finding = finding_of(row, posterior, about, state)
        worth = _worth(finding, row, posterior, about, week, settings, jobs)
        urgency = urgency_of(finding, worth, settings)
        reasons = with_evidence_first(
            [Fact.from_row(each) for each in state["reason_facts"]], posterior.evidence_for[row]
        )
        probability = np.array([finding.probability[code] for code in posterior.codes])
        likeliest = np.argsort(-probability, kind="stable")
        causes = [{"code": posterior.codes[column], "probability": float(probability[column])} for column in likeliest]
        rows.append(
            {
                "week": week,
                "van_id": state["van_id"],
                "family": state["family"],
                "depot": state["depot"],
                "urgency": urgency.word,
                "anomaly_p": state["anomaly_p"],
                "anomaly_score": state["anomaly_score"],
                "leading_cause": finding.leading,
                "leading_cause_probability": float(posterior.leading_probability[row]),
                "causes": causes,
                "weeks_to_limit": state["weeks_to_limit"],
                "reason_facts": [fact.row() for fact in (*most_hurting_first(reasons, urgency.why), *about.told)],
                "new": state["van_id"] not in before,
            }
        )
        worths.append(worth)
        safety.append(finding.safety)
    ranks = rank_orders(
        [str(row["urgency"]) for row in rows],
        safety,
        np.array([worth.expected_cost_avoided for worth in worths]),
        np.array([worth.hours for worth in worths]),
        [str(row["van_id"]) for row in rows],
    )
    ranked = [row | {"rank": int(rank)} for row, rank in zip(rows, ranks, strict=True)]
    return rows_of(WATCHLIST, ranked).sort("rank")


def _worth(
    finding: Finding,
    row: int,
    posterior: CausePosterior,
    about: Circumstances,
    week: str,
    settings: RankingSettings,
    jobs: Mapping[str, Job],
) -> Worth:
    day = week_start(week) + timedelta(days=6)
    step = first_step(finding, row, posterior, settings)
    return worth_of_step(step, finding, day=day, warranty_until=about.warranty_until, settings=settings, jobs=jobs)
