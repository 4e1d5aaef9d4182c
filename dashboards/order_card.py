"""One order as a card: state, what to do and why, worth and plan, deciding in place, its page on paper."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboards import decide, markup, meant, order_history, parts, text
from dashboards.text import inert, message
from dashboards.who import home
from data_contracts.cautions import cautions_for
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.jobs import steps_of
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import WORK_ORDERS
from pipelines.workspace.workspace import open_workspace

WORTH_LINES = ("failure_avoided", "running", "put_off", "warranty", "work", "parts", "van_time", "total")
STATE_COLOURS = {
    "accepted": "green",
    "booked": "green",
    "done": "green",
    "proven": "green",
    "not_proven": "red",
    "postponed": "blue",
}


def card(
    row: Mapping[str, Any], currency: str, noted: Sequence[Mapping[str, object]] = (), *, link: bool = True
) -> None:
    """Draw the card of an order.

    Parameters
    ----------
    row : mapping
        A row of `work_orders`.
    currency : str
        Of the workspace.
    noted : sequence of mapping
        What was noted at it, as `order_queries.noted` gives it.
    link : bool
        The van's name leads to its page.
    """
    van_id = str(row["van_id"])
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            if link:
                parts.link("a_van", inert(van_id), van=van_id, order=str(row["order_id"]))
            else:
                st.markdown(f"**{message('order.one', order=inert(row['order_id']))}**", width="content")
            parts.badge_urgency(str(row["urgency"]))
            if row["safety"]:
                badge_safety()
            badge_state(str(row["state"]))
            parts.quiet(message("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), width="content")
        action = text.sentence_of(row, "action")
        what, when = st.columns([3, 2], gap="medium")
        with what:
            st.markdown(f"**{inert(action)}**")
            st.markdown(meant.sentence(row, "reason"))
            said = [
                text.sentence(text.sentence_of(row, column)).removesuffix(".") for column in ("plan_note", "warranty")
            ]
            if any(said):
                parts.quiet(". ".join(inert(one) for one in said if one) + ".")
        with when:
            markup.facts(_facts(row, currency))
            _worth(row, currency)
        if row["found"]:
            parts.quiet(message("order.found", cause=meant.cause(str(row["found"]))))
        with st.container(horizontal=True, gap="small"):
            decide.buttons(row, action, finding=True)
            decide.note_button(row)
            if not link:
                paper(row)
        order_history.at_order(str(row["order_id"]), noted, currency)


def _facts(row: Mapping[str, Any], currency: str) -> list[tuple[str, str]]:
    """When, how long and what it is worth; what is not known is left out."""
    worth = row["expected_cost_avoided"]
    told = [(message("order.due"), text.day(row["due_by"]))]
    if row["state"] in ("postponed", "booked") and row["until"]:
        told.append((message(f"workshop.{row['state']}"), text.day(row["until"])))
    if row["plan_week"]:
        told.append((message("workshop.planned_for"), row["plan_week"]))
    told.append((message("order.work"), text.work(row["hours"])))
    if worth is not None and worth > 0:
        told.append((message("workshop.worth"), text.plain_money(worth, currency)))
    told.append((message("order.likely"), text.sentence(text.cause(row["cause"]))))
    return told


def _worth(row: Mapping[str, object], currency: str) -> None:
    """What an order is worth, sum by sum; the sentence that was stored, where its facts were not."""
    facts = row.get("worth_facts")
    told = [Fact.from_row(fact) for fact in facts] if isinstance(facts, list) else []
    numbers = next((fact.numbers for fact in told if fact.code == "worth"), None)
    if numbers is None:
        if sentence := text.sentence_of(row, "worth"):
            parts.quiet(inert(sentence))
        return
    rest = [fact.row() for fact in told if fact.code != "worth"]
    if rest:
        parts.quiet(inert(text.sentence_of({"worth": None, "worth_facts": rest}, "worth")))
    markup.sums(
        message("worth.heading", weeks=text.weeks_count(numbers["horizon_weeks"])),
        [
            (message(f"worth.{name}"), text.signed_money(numbers[name], currency))
            for name in WORTH_LINES
            if abs(numbers.get(name, 0.0)) >= 0.5
        ],
    )


def steps(order: Mapping[str, object], family: Family | None) -> None:
    """Draw the steps of an order's job, and the cautions for it where the card of an order that waits doesn't show them.

    Parameters
    ----------
    order : mapping
        Row of `work_orders`.
    family : Family or None
        Of the van.
    """
    known = steps_of(str(order["cause"]))
    if known:
        st.markdown("\n".join(f"{k}. {inert(text.sentence(text.contract(step)))}" for k, step in enumerate(known, 1)))
    else:
        st.markdown(message("order.steps_open"))
    if order["state"] not in PLANNED_STATES:
        told = [text.contract(caution.text) for caution in cautions_for(str(order["cause"]), family)]
        markup.cautions(message("card.cautions"), told)


def badge_safety() -> None:
    """A failure can endanger people."""
    st.badge(f"! {message('order.safety')}", color="red", help=message("order.safety_help"))


def badge_state(state: str) -> None:
    """State of an order as a sign and a word: what is decided looks decided."""
    st.badge(text.order_state(state), color=STATE_COLOURS.get(state, "gray"))  # type: ignore[arg-type]


def paper(row: Mapping[str, object]) -> None:
    """A button that gives the order's page on paper."""

    def set_page() -> bytes:
        from pipelines.read_side.published import open_published
        from pipelines.reports.order_pdf import orders_pdf

        columns = [column.name for column in WORK_ORDERS.columns if column.name in row]
        one = pl.DataFrame([{name: row[name] for name in columns}])
        return orders_pdf(open_workspace(home()), open_published(home()), one)

    st.download_button(
        message("order.paper"),
        set_page,
        file_name=f"order-{row['order_id']}.pdf",
        mime="application/pdf",
        icon=":material/print:",
        help=message("order.paper_help"),
        on_click="ignore",
        key=f"paper-{row['order_id']}",
    )
