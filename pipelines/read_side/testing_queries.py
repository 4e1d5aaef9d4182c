"""The board's questions about the plan of the tests."""

from collections.abc import Sequence

import polars as pl

from data_contracts.weeks import week_end, week_of
from pipelines.read_side.published import Published

COUNTS = """
    count(*) AS vans, count(*) FILTER (chosen) AS chosen, count(*) FILTER (overdue) AS overdue,
    count(*) FILTER (last_seen IS NULL) AS never_seen,
    count(*) FILTER (NOT chosen AND next_test < $plan_end AND (test_week IS NULL OR test_week > $first_week)) AS no_room,
    coalesce(sum(month_cost ORDER BY van_id), 0.0) AS month_cost,
    coalesce(sum(month_saving ORDER BY van_id), 0.0) AS month_saving,
    coalesce(sum(CASE WHEN list_has_any(list_transform(reason_facts, lambda fact: fact.code), $needed) THEN month_cost
                      ELSE month_cost * interval_weeks / cost_weeks END ORDER BY van_id), 0.0) AS month_by_cost
"""
"""What a plan comes to; `week_of_plan` gives the parameters. By cost alone a van is tested when another week unseen costs more
than testing, however high the odds, but for tests that are needed all the same."""
_NEEDED = ("test_never_seen", "test_first_visits", "test_proving")
"""Reasons of tests that neither odds nor costs put off."""
_WHERE = "week = $week AND (len($depots) = 0 OR list_contains($depots, depot))"


def week_of_plan(week: str) -> dict[str, object]:
    """Parameters of `COUNTS`: the list's week, the first week of its plan, and the day after that.

    Parameters
    ----------
    week : str
        ISO week of the list.
    """
    first = week_of(week_end(week))
    return {"week": week, "first_week": first, "plan_end": week_end(first).date(), "needed": list(_NEEDED)}


def has_plan(published: Published, week: str) -> bool:
    """Whether a week has a plan: weeks judged by an earlier version have none."""
    return bool(published.ask_once("SELECT count(*) AS n FROM test_plan WHERE week = $week", {"week": week})["n"][0])


def totals(published: Published, week: str, depots: Sequence[str]) -> dict[str, float]:
    """What the plan comes to: vans, chosen, overdue, never_seen, no_room, month_cost, month_saving, month_by_cost."""
    frame = published.ask_once(
        f"SELECT {COUNTS} FROM test_plan WHERE {_WHERE}", week_of_plan(week) | {"depots": list(depots)}
    )
    return frame.row(0, named=True)


def by_depot(published: Published, week: str, depots: Sequence[str]) -> pl.DataFrame:
    """The same for each depot, by name."""
    return published.ask_once(
        f"SELECT depot, {COUNTS} FROM test_plan WHERE {_WHERE} GROUP BY depot ORDER BY depot",
        week_of_plan(week) | {"depots": list(depots)},
    )


_PARTS = {"chosen": "chosen", "overdue": "overdue", "never_seen": "last_seen IS NULL", "all": "true"}


def vans(published: Published, week: str, depots: Sequence[str], part: str, *, limit: int) -> pl.DataFrame:
    """Rows of the plan, by depot and rank.

    Parameters
    ----------
    published : Published
    week : str
        ISO week of the list.
    depots : sequence of str
        Empty: all.
    part : {"chosen", "overdue", "never_seen", "all"}
    limit : int

    Returns
    -------
    polars.DataFrame
    """
    return published.ask(
        f"SELECT * FROM test_plan WHERE {_WHERE} AND {_PARTS[part]} ORDER BY depot, rank LIMIT $limit",
        {"week": week, "depots": list(depots), "limit": limit},
    )
