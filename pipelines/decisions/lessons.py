"""What a run learns from the workshops' findings, and the record of every figure they changed."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from data_contracts.facts.fact import ANOMALY, UNSTEADY
from data_contracts.tables import FACTS_TYPE, LEARNING, polars_schema
from data_contracts.weeks import week_end
from models.tracking.assess import Assessment
from models.work.learning import Change, Finding, Key, Learned, changes_since, learn, trust_fact
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.settings import Settings


def findings_until(warehouse: Warehouse, week: str, *, handling_hours: float) -> list[Finding]:
    """The latest finding on every order completed by the end of a week.

    Parameters
    ----------
    warehouse : Warehouse
    week : str
        ISO week.
    handling_hours : float
        Taken off the hours told, for every order has them beside its job. [h]

    Returns
    -------
    list of Finding
    """
    rows = warehouse.query(
        """
        SELECT o.order_id, o.family, e.found, e.hours, e.cost, o.flagged_by
        FROM order_events e JOIN work_orders o USING (order_id)
        WHERE e.state = 'done' AND e.refused IS NULL AND e."at" < $end
        QUALIFY row_number() OVER (PARTITION BY o.order_id ORDER BY e."at" DESC, e.event_id DESC) = 1
        ORDER BY o.order_id
        """,
        {"end": week_end(week)},
    )
    return [
        Finding(
            order_id=row["order_id"],
            family=row["family"],
            found=row["found"],
            hours=None if row["hours"] is None else max(row["hours"] - handling_hours, 0.0),
            parts_cost=row["cost"],
            flagged_by=tuple(row["flagged_by"] or ()),
        )
        for row in rows.iter_rows(named=True)
    ]


def learn_until(warehouse: Warehouse, families: Sequence[str], settings: Settings, week: str) -> Learned:
    """Learn from every finding up to the end of a week.

    Parameters
    ----------
    warehouse : Warehouse
    families : sequence of str
        Families of the register.
    settings : Settings
        Weights, and jobs before any finding.
    week : str
        ISO week.

    Returns
    -------
    Learned
    """
    return learn(
        findings_until(warehouse, week, handling_hours=settings.workshop.handling_hours),
        sorted(families),
        prior_none=settings.causes.for_models().prior_none,
        settings=settings.learning.for_models(),
        jobs=settings.jobs_for_models(),
    )


def flags_of(assessment: Assessment) -> dict[str, tuple[str, ...]]:
    """What lists each van: quantities whose alarm stands at its last visit, and whose repeats scatter; the anomaly where none does; none of
    these where it is a fault code that stands, or the settle.

    Parameters
    ----------
    assessment : Assessment

    Returns
    -------
    dict of str to tuple of str
    """
    standing = {row["van_id"]: row for row in assessment.states.iter_rows(named=True)}
    flags = {}
    for van_id in assessment.residuals.van_ids:
        restless = standing[van_id]["unsteady"]
        charted = (name for name in standing[van_id]["outside"] if name not in restless)
        alone = (ANOMALY,) if standing[van_id]["anomaly"] else ()
        flags[van_id] = (*charted, *(UNSTEADY + name for name in restless)) or alone
    return flags


def changes_of_week(warehouse: Warehouse, learned: Learned, week: str) -> tuple[Change, ...]:
    """Figures that differ from those of the last run of an earlier week.

    Parameters
    ----------
    warehouse : Warehouse
        Holds what earlier runs moved.
    learned : Learned
    week : str
        ISO week of the run.

    Returns
    -------
    tuple of Change
    """
    rows = warehouse.query(
        'SELECT kind, family, subject, arg_max("after", week) FROM learning WHERE week < ? GROUP BY ALL', [week]
    )
    before: dict[Key, float] = {(kind, family, subject): value for kind, family, subject, value in rows.iter_rows()}
    return changes_since(before, learned)


def learning_rows(changes: Sequence[Change], week: str) -> pl.DataFrame:
    """Rows of LEARNING of a week's run, sentences still empty.

    Parameters
    ----------
    changes : sequence of Change
        What moved.
    week : str
        ISO week.
    """
    rows = [
        {
            "week": week,
            "kind": change.key[0],
            "family": change.key[1],
            "subject": change.key[2],
            "what_facts": [change.figure.what.row()],
            "before": change.before,
            "after": change.figure.value,
            "unit": change.figure.unit,
            "default": change.figure.default,
            "findings": change.figure.findings,
            "why_facts": [change.figure.why.row()],
        }
        for change in changes
    ]
    return pl.DataFrame(rows, schema=polars_schema(LEARNING))


def learning_card(learned: Learned, changes: Sequence[Change], week: str) -> Mapping[str, Any]:
    """Model card: findings so far, and how many figures they changed since the run before; the table `learning` says which.

    Parameters
    ----------
    learned : Learned
        What findings taught.
    changes : sequence of Change
        What moved.
    week : str
        ISO week.
    """
    return {"name": "learning", "week": week, "findings": learned.findings, "figures_moved": len(changes)}


def with_trust(listed: pl.DataFrame, learned: Learned, flags: Mapping[str, Sequence[str]]) -> pl.DataFrame:
    """The week's list with one more reason for every van whose alarms were often wrong before.

    Parameters
    ----------
    listed : polars.DataFrame
        WATCHLIST.
    learned : Learned
    flags : mapping of str to sequence of str
        What flagged each van.

    Returns
    -------
    polars.DataFrame
        WATCHLIST.
    """
    wrong = [trust_fact(learned, flags[van_id]) for van_id in listed["van_id"]]
    known = listed["reason_facts"].to_list()
    facts = [[*told, *([] if one is None else [one.row()])] for told, one in zip(known, wrong, strict=True)]
    return listed.with_columns(pl.Series("reason_facts", facts, dtype=FACTS_TYPE))
