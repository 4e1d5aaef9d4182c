"""The week's list on paper: who is on it and why, then the open orders."""

import math
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import polars as pl

from data_contracts.due import due_of
from data_contracts.facts.fact import Fact
from data_contracts.states import URGENCIES, shown_state
from data_contracts.weeks import week_start
from pipelines.read_side import promises, queries
from pipelines.read_side.published import Published, board_settings
from pipelines.read_side.van_card import hurts_most, in_short_of
from pipelines.reports.order_pdf import cause_title, foot, run_of
from pipelines.reports.paper import (
    contract,
    day,
    fact_said,
    joined,
    likelihood,
    make_pdf,
    message,
    numeral,
    sentences_of,
    written_for,
)
from pipelines.workspace.settings import DisplaySettings

REASONS_SHOWN = 2
"""Of a letter: reasons of a van that are told."""
_OF_CAUSES = {"kept": (), "not_kept": ("list.not_kept",)}
"""What is said of the likelihoods of causes by how they were kept; else that they are not checked yet."""
_EVERY_VAN = 10_000


def list_pdf(
    published: Published, orders: pl.DataFrame, display: DisplaySettings | None = None, today: date | None = None
) -> bytes:
    """Typeset the list of the published week.

    Parameters
    ----------
    published : Published
    orders : polars.DataFrame
        Open ones, as `order_queries.orders` has them.
    display : DisplaySettings, optional
        Language and units; default those of the settings.
    today : date, optional
        Day of printing, which tells what is overdue. Default the day of the run.

    Returns
    -------
    bytes
        PDF.
    """
    with written_for(display or board_settings(published.home).display):
        return _set(published, orders, today)


def counts_said(published: Published, week: str) -> str:
    """How many vans are on a week's list by urgency, and how many were seen, in the paper's language.

    Parameters
    ----------
    published : Published
    week : str
        ISO week.
    """
    counts = queries.watchlist_counts(published, week, queries.ListFilter())
    numbers = queries.week_in_numbers(published, week)
    said = {word: counts.get(word, 0) for word in URGENCIES}
    return message("list.counts", vans=numbers["vans"], seen=numbers["seen"], **said)


def _set(published: Published, orders: pl.DataFrame, today: date | None) -> bytes:
    run = run_of(published)
    at = run["finished_at"]
    assert isinstance(at, datetime)
    week = str(run["week"])
    every = queries.ListFilter()
    listed = queries.watchlist(published, week, every, limit=_EVERY_VAN)
    told = in_short_of(published, listed.to_dicts(), week)
    rows = [
        {
            "rank": row["rank"],
            "van_id": row["van_id"],
            "place": joined([row["family"], row["depot"], message("list.new") if row["new"] else None]),
            "urgency": message(f"urgency.{row['urgency']}"),
            "now": row["urgency"] == "now",
            "cause": _cause(row["leading_cause"], row["leading_cause_probability"]),
            "limit": _weeks(row["weeks_to_limit"], told=row["urgency"] != "now"),
            "reading": _said(told.get(str(row["van_id"])), row),
            "left_alone": _said(hurts_most(row), None),
        }
        for row in listed.iter_rows(named=True)
    ]
    table = [
        (
            str(order["list_rank"] or "–"),
            f"{order['van_id']}\n{order['order_id']}",
            order["depot"],
            contract(" ".join(sentences_of(order, "action"))),
            "–" if order["hours"] is None else numeral(f"{order['hours']:.1f}"),
            _monday(order["plan_week"]),
            _due(order, today or at.date()),
            message(f"state.{shown_state(order)}"),
        )
        for order in orders.iter_rows(named=True)
    ]
    document = {
        "week": message("list.week", week=week),
        "counts": counts_said(published, week),
        "notices": [
            *(" ".join(sentences_of(notice, "text")) for notice in queries.notices(published, week)),
            *map(message, _OF_CAUSES.get(promises.of_causes(published)[0], ("list.unchecked",))),
        ],
        "rows": rows,
        "orders": table,
        "foot": foot(run),
    }
    return make_pdf("list.typ", document, {}, at)


def _cause(code: str, probability: float | None) -> str:
    title = cause_title(code)
    return title if probability is None or code == "not_separable" else f"{title}: {likelihood(probability)}"


def _said(fact: Fact | None, row: Mapping[str, Any] | None) -> str:
    """A fact in the paper's language; without one the first of the van's reasons."""
    if fact is not None:
        return fact_said(fact)
    return next(iter(sentences_of(row, "reasons")), "") if row is not None else ""


def _due(order: Mapping[str, Any], today: date) -> str:
    """The day an order is due, and that it is overdue; of one that is postponed or booked, until or for when, and that it is past."""
    word, when, _ = due_of(order, today)
    return f"{day(when)}\n{message(f'list.{word}')}" if word in ("overdue", "booked_past") else day(when)


def _monday(week: str | None) -> str:
    """A week of the plan and the Monday it begins with."""
    return "–" if not week else f"{week}\n{message('list.monday', day=day(week_start(week)))}"


def _weeks(weeks: float | None, *, told: bool) -> str:
    """How far a limit is; weeks to come only where they are to be told."""
    if weeks is None or math.isnan(weeks) or (not told and 0 < weeks < math.inf):
        return "–"
    if math.isinf(weeks):
        return message("weeks.none")
    if weeks <= 0:
        return message("weeks.crossed")
    left = max(1, round(weeks))  # a limit within days is not crossed yet
    return message("weeks.some", weeks=left)
