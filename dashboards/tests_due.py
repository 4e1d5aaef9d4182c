"""Tests of the coming week: whom each depot tests, who is overdue or was never seen, and what the plan costs and saves."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboards import parts, standing, text
from dashboards.text import inert, message
from pipelines.read_side import order_queries
from pipelines.read_side import testing_queries as queries
from pipelines.read_side.published import Published, board_settings
from pipelines.read_side.queries import weeks

SHOWN = 100
DEPOTS_LISTED = 25
"""Depots of a table that is still read through; the choice of depots on top of the page leads to any other."""
DOWNLOAD_ROWS = 20_000


def metric(published: Published, week: str) -> None:
    """The number of vans to test, for the head of the page; nothing for a week without a plan."""
    if queries.has_plan(published, week):
        counts = queries.totals(published, week, ())
        st.metric(
            message("tests.metric"), text.count(counts["chosen"]), help=message("tests.metric_help"), width="content"
        )


def show(published: Published, week: str, depots: Sequence[str]) -> None:
    """The section of the page.

    Parameters
    ----------
    published : Published
    week : str
        ISO week of the list.
    depots : sequence of str
        Depots to show; empty: all.
    """
    first = str(queries.week_of_plan(week)["first_week"])
    st.header(message("tests.heading", week=first))
    if not queries.has_plan(published, week):
        parts.quiet(message("tests.none", week=week))
        return
    if standing.is_past(queries.week_of_plan(week)["plan_end"]):
        parts.quiet(message("tests.past", week=week))
    counts = queries.by_depot(published, week, depots)
    listed = counts.sort(-pl.col("chosen"), "depot").head(DEPOTS_LISTED).sort("depot")
    whom, money = st.columns([1, 1], gap="large")
    with whom:
        _by_depot(listed)
        if listed.height < counts.height:
            parts.quiet(message("tests.depots_listed", count=listed.height, all=text.count(counts.height)))
    with money:
        _month(published, week, depots)
    testing = listed.filter(pl.col("chosen") > 0)
    if testing.height:
        _fold(published, week, testing["depot"].to_list(), "chosen", int(testing["chosen"].sum()))
    for part in ("overdue", "never_seen", "all"):
        if count := int(counts["vans" if part == "all" else part].sum()):
            _fold(published, week, depots, part, count)
    parts.download(
        lambda: queries.vans(published, week, depots, "all", limit=DOWNLOAD_ROWS),
        f"tests-{first}.csv",
        "download-tests",
    )


@st.fragment
def _fold(published: Published, week: str, depots: Sequence[str], part: str, count: int) -> None:
    """Vans of a part of the plan; those to test by depot, the others of all depots that are shown."""
    with parts.fold(f"tests.{part}", f"fold-tests-{part}", count=text.count(count)) as opened:
        if not opened:
            return
        if part == "chosen":
            for number, depot in enumerate(depots):
                st.markdown(f"**{inert(depot)}**")
                rows = queries.vans(published, week, [depot], part, limit=SHOWN)
                _lines(rows, f"{part}-{number}")
                if rows.height == SHOWN:
                    parts.quiet(message("tests.more", count=SHOWN))
            return
        if part == "all":
            parts.quiet(message("tests.unseen_note"))
        _lines(queries.vans(published, week, depots, part, limit=SHOWN), part)
        if count > SHOWN:
            parts.quiet(message("tests.more", count=SHOWN))


def _by_depot(counts: pl.DataFrame) -> None:
    """What each depot has to do."""
    names = {
        "tests.this_week": "chosen",
        "tests.overdue_column": "overdue",
        "tests.never_seen_column": "never_seen",
        "tests.no_room_column": "no_room",
    }
    parts.sheet(
        pl.DataFrame(
            {message("common.depot"): [inert(depot) for depot in counts["depot"]]}
            | {message(key): [text.count(count) for count in counts[column]] for key, column in names.items()}
        ),
        "tests",
        width="content",
    )


def _month(published: Published, week: str, depots: Sequence[str]) -> None:
    """What a month of the plan costs and saves, and the jobs it led to; what it buys where it costs more, and how that was found."""
    settings, counts = board_settings(published.home), queries.totals(published, week, depots)
    currency = settings.workshop.currency
    cost, saving, by_cost = (
        text.money(counts[name], currency) for name in ("month_cost", "month_saving", "month_by_cost")
    )
    jobs, worth = order_queries.jobs_worth(published, depots)
    if jobs and worth > 0 and week == weeks(published)[0]:  # orders stand as they are now, whatever week is looked at
        horizon = text.weeks_count(settings.workshop.horizon_weeks)
        told = text.rounded_money(worth, inert(currency))
        st.markdown(message("tests.month_jobs", cost=cost, saving=saving, jobs=jobs, worth=told, weeks=horizon))
    else:
        st.markdown(message("tests.month", cost=cost, saving=saving))
    dear = counts["month_saving"] < counts["month_cost"]
    if dear:
        odds = text.number(100 * settings.testing.most_odds_unseen, 2)  # in 100 vans
        st.markdown(message("tests.month_dear", odds=odds, by_cost=by_cost))
    with st.expander(message("tests.month_counted")):
        parts.quiet(
            message(
                "tests.month_how",
                visit=text.money(settings.workshop.visit_cost, currency),
                faults=text.number(settings.testing.faults_per_van_year, 2),
                horizon=text.weeks_count(settings.workshop.horizon_weeks),
            )
        )
        if dear:
            parts.quiet(message("tests.month_odds"))


def _lines(rows: pl.DataFrame, name: str) -> None:
    """Vans with their next test and below it why then: lines, which a phone can show too."""
    lines = (f"- {_line(row)}  \n  :small[:gray[{_why(row)}]]" for row in rows.iter_rows(named=True))
    with st.container(key=f"test-lines-{name}"):
        st.markdown("\n".join(lines))


def _line(row: Mapping[str, Any]) -> str:
    told = [
        message("tests.line", van=inert(row["van_id"]), depot=inert(row["depot"]), next=text.day(row["next_test"])),
        message("tests.seen", seen=message("tests.never") if row["last_seen"] is None else text.day(row["last_seen"])),
    ]
    if row["unseen_until"] is not None:
        same = row["unseen_until"] == row["next_test"]
        odds = text.percent(row["odds_then"])
        told.append(message("tests.odds" if same else "tests.until", day=text.day(row["unseen_until"]), odds=odds))
    return " · ".join(told)


def _why(row: Mapping[str, Any]) -> str:
    return inert(text.sentence_of(row, "reason"))
