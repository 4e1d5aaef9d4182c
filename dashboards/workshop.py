"""Workshop: the open jobs in the order they are worth doing, the hours they take, and what became of the others."""

import polars as pl
import streamlit as st

from dashboards import decide, parts, text
from dashboards.text import inert, say
from models.order_life import STATES
from pipelines import queries
from pipelines.published import Published, board_settings

OPEN = ("proposed", "accepted", "postponed", "booked")
PAGE_SIZE = 25
DOWNLOAD_ROWS = 5000


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    st.title(say("workshop.heading"))
    decide.told()
    left, right = st.columns(2)
    depots, _ = queries.depots_and_families(published)
    with left:
        only_depots = st.multiselect(say("common.depot"), depots, key="workshop-depot")
    with right:
        chosen = st.multiselect(
            say("order.state"),
            STATES,
            format_func=text.order_state,
            key="workshop-state",
            placeholder=say("workshop.open_orders"),
        )
    states = chosen or list(OPEN)
    _hours(published, only_depots)
    counts = queries.order_counts(published, only_depots, states)
    if not counts:
        st.info(say("workshop.none"))
    else:
        pages = -(-counts // PAGE_SIZE)
        page = 1
        if pages > 1:
            label = say("common.page_of", pages=pages)
            page = int(st.number_input(label, 1, pages, 1, key="workshop-page", width=160))
        frame = queries.orders(published, only_depots, states, limit=PAGE_SIZE, offset=(page - 1) * PAGE_SIZE)
        currency = board_settings(published.home).workshop.currency
        for row in frame.iter_rows(named=True):
            _order_card(row, currency)
        parts.download(
            lambda: queries.orders(published, only_depots, states, limit=DOWNLOAD_ROWS),
            "work-orders.csv",
            "download-orders",
        )
    parts.quiet(say("workshop.caution"))
    parts.footer(published)


def _hours(published: Published, depots: list[str]) -> None:
    frame = queries.hours_by_depot(published, depots, OPEN)
    if not frame.height:
        return
    offered = board_settings(published.home).workshop.hours_per_depot_week
    st.table(
        pl.DataFrame(
            {
                say("common.depot"): [inert(d) for d in frame["depot"]],
                say("workshop.jobs"): [str(n) for n in frame["jobs"]],
                say("workshop.hours"): [text.hours(h) for h in frame["hours"]],
                say("workshop.of_week"): [_load(h, offered) for h in frame["hours"]],
            }
        ),
        hide_index=True,
        border="horizontal",
        width="content",
    )


def _load(hours: float | None, offered: float) -> str:
    """Hours against what a week offers, in words, so that no colour is needed."""
    if not hours or not offered:
        return say("number.none")
    return say("workshop.weeks", weeks=text.number(hours / offered, 2), hours=text.hours(offered))


def _order_card(row: dict[str, object], currency: str) -> None:
    van_id, hours, worth = str(row["van_id"]), row["hours"], row["expected_cost_avoided"]
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            parts.link("a_van", inert(van_id), van=van_id)
            parts.badge_urgency(str(row["urgency"]))
            st.markdown(f"**{text.order_state(str(row['state']))}**", width="content")
            parts.quiet(say("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), width="content")
        st.markdown(f"**{inert(row['action'])}**")
        st.markdown(inert(row["reason"]))
        line = [text.sentence(text.cause(str(row["cause"]))), text.hours(hours if isinstance(hours, float) else None)]
        if isinstance(worth, float):
            line.append(say("workshop.worth", money=text.money(worth, currency)))
        line.append(say("workshop.due", due=text.day(row["due_by"])))  # type: ignore[arg-type]
        parts.quiet(" · ".join(line))
        decide.button(str(row["order_id"]), van_id, str(row["action"]), str(row["state"]))
