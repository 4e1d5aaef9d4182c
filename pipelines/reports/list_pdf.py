"""The week's list on paper: who is on it and why, then the open orders."""

import math
from datetime import datetime

import polars as pl

from data_contracts.states import URGENCIES
from pipelines.read_side import promises, queries
from pipelines.read_side.published import Published, board_settings
from pipelines.reports.order_pdf import cause_title, foot, run_of
from pipelines.reports.paper import (
    contract,
    day,
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
_OF_CAUSES = {"kept": (), "not_kept": ("list.not_kept",)}
"""What is said of the likelihoods of causes by how they were kept; else that they are not checked yet."""
_EVERY_VAN = 10_000


def list_pdf(published: Published, orders: pl.DataFrame, display: DisplaySettings | None = None) -> bytes:
    """Typeset the list of the published week.

    Parameters
    ----------
    published : Published
    orders : polars.DataFrame
        Open ones, as `order_queries.orders` has them.
    display : DisplaySettings, optional
        Language and units; default those of the settings.

    Returns
    -------
    bytes
        PDF.
    """
    with written_for(display or board_settings(published.home).display):
        return _set(published, orders)


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


def _set(published: Published, orders: pl.DataFrame) -> bytes:
    run = run_of(published)
    week = str(run["week"])
    every = queries.ListFilter()
    listed = queries.watchlist(published, week, every, limit=_EVERY_VAN)
    rows = [
        {
            "rank": row["rank"],
            "van_id": row["van_id"],
            "place": joined([row["family"], row["depot"], message("list.new") if row["new"] else None]),
            "urgency": message(f"urgency.{row['urgency']}"),
            "now": row["urgency"] == "now",
            "cause": _cause(row["leading_cause"], row["leading_cause_probability"]),
            "limit": _weeks(row["weeks_to_limit"], told=row["urgency"] != "now"),
            "reasons": sentences_of(row, "reasons")[:REASONS_SHOWN],
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
            order["plan_week"] or "–",
            day(order["due_by"]),
            message(f"state.{order['state']}"),
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
    at = run["finished_at"]
    assert isinstance(at, datetime)
    return make_pdf("list.typ", document, {}, at)


def _cause(code: str, probability: float | None) -> str:
    title = cause_title(code)
    return title if probability is None or code == "not_separable" else f"{title}: {likelihood(probability)}"


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
