"""One order as a card: state, what to do and why, worth and plan, deciding in place, its page on paper."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboards import decide, markup, meant, order_history, parts, standing, text, warranty
from dashboards.display import reader
from dashboards.text import inert, message
from dashboards.verdict import Verdict
from dashboards.who import home
from data_contracts.cautions import of_the_job
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.jobs import asked_tests, steps_of
from data_contracts.states import PLANNED_STATES, shown_state
from data_contracts.tables import WORK_ORDERS
from pipelines.workspace.workspace import open_workspace

WORTH_LINES = ("failure_avoided", "running", "put_off", "warranty", "work", "parts", "van_time", "total")
STATE_COLOURS = {
    "accepted": "green",
    "booked": "green",
    "done": "green",
    "proven": "green",
    "not_proven": "red",
    "made_worse": "red",
    "cant_tell": "orange",
    "postponed": "blue",
}


def card(
    row: Mapping[str, Any],
    why: Verdict,
    currency: str,
    noted: Sequence[Mapping[str, object]] = (),
    *,
    family: Family | None = None,
) -> None:
    """Draw the card of an order.

    Parameters
    ----------
    row : mapping
        A row of `work_orders` with `list_rank`.
    why : Verdict
        What the van reads, its likeliest causes and what comes of leaving it, as the list says them.
    currency : str
        Of the workspace.
    noted : sequence of mapping
        What was noted at it, as `order_queries.noted` gives it.
    family : Family, optional
        Of the van.
    """
    van_id, rank, waits = str(row["van_id"]), row["list_rank"], row["state"] in PLANNED_STATES
    with st.container(border=True, key=f"order-{row['order_id']}"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            place = f"{rank}. " if rank is not None else ""
            parts.link("a_van", place + inert(van_id), van=van_id, order=str(row["order_id"]))
            parts.badge_urgency(str(row["urgency"]))
            if row["safety"]:
                badge_safety()
            badge_state(shown_state(row))
            if waits:
                warranty.badge(row)
            parts.quiet(message("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), width="content")
        action = text.sentence_of(row, "action")
        what, worth = st.columns([2, 1], gap="medium")
        with what:
            st.header(inert(action), anchor=False)
            lines = why.lines(danger_apart=endangers(row))
            st.markdown("  \n".join([standing.when(row), *lines] if waits else lines))
        with worth:
            _worth(row, currency)
            said = [text.sentence(text.sentence_of(row, "warranty"))]
            if not _danger_alone(row):
                said.append(text.sentence(text.sentence_of(row, "plan_note")))
            told = " ".join(f"{inert(one.removesuffix('.'))}." for one in said if one)
            if told:
                parts.quiet(told)
        if row["found"]:
            parts.quiet(message("order.found", cause=meant.cause(str(row["found"]))))
        danger(row, why.left_alone)
        if waits:
            cautions_in_short(str(row["cause"]), family)
        with st.container(horizontal=True, gap="small"):
            warranty.build_file(row)
            decide.buttons(row, action, finding=True)
            decide.note_button(row)
            if endangers(row):
                driver_sheet(van_id)
        order_history.at_order(str(row["order_id"]), noted, currency)


def endangers(row: Mapping[str, Any]) -> bool:
    """Whether an order waits whose van can endanger people."""
    return bool(row.get("safety")) and row.get("state") in PLANNED_STATES


def _danger_alone(row: Mapping[str, Any]) -> bool:
    """Whether the plan says no more of an order than the red box below it."""
    return endangers(row) and [fact["code"] for fact in row.get("plan_facts") or []] == ["plan_safety"]


def danger(row: Mapping[str, Any], left_alone: str) -> None:
    """What may happen to people if the van is left as it is, in a red box; nothing of any other order.

    Parameters
    ----------
    row : mapping
        With safety, state and order_id.
    left_alone : str
        Markdown of what comes of leaving it; empty where the list does not name the van any more.
    """
    if endangers(row):
        with st.container(key=f"danger-{row['order_id']}"):
            st.error(left_alone or message("order.safety_help"), icon=":material/warning:")


def driver_sheet(van_id: str) -> None:
    """A button that gives the sheet for the driver of a van, on paper."""
    display = reader()

    def set_sheet() -> bytes:
        from pipelines.read_side.published import open_published
        from pipelines.reports.driver_sheet import driver_pdf

        return driver_pdf(open_published(home()), van_id, display, standing.today())

    st.download_button(
        message("van.sheet"),
        set_sheet,
        file_name=f"van-{parts.file_part(van_id)}.pdf",
        mime="application/pdf",
        icon=":material/print:",
        on_click="ignore",
        key=f"driver-sheet-{van_id}",
    )


def cautions_in_short(cause: str, family: Family | None) -> None:
    """What to mind before this very job in a few words, which open to the whole of it."""
    own, rest = of_the_job(cause, family)
    short = "; ".join(text.contract(caution.short) for caution in own if caution.short is not None)
    markup.cautions_folded(
        message("card.cautions_of_job"), short, [text.contract(caution.text) for caution in (*own, *rest)]
    )


def _worth(row: Mapping[str, object], currency: str) -> None:
    """What an order is worth, sum by sum; the sentence that was stored, where its facts were not."""
    facts = row.get("worth_facts")
    told = [Fact.from_row(fact) for fact in facts] if isinstance(facts, list) else []
    numbers = next((fact.numbers for fact in told if fact.code == "worth"), None)
    saved = row.get("expected_cost_avoided")
    worth = text.rounded_money(saved, currency) if isinstance(saved, float) and saved > 0 else ""
    if numbers is None:
        saving = worth and message("worth.saving", worth=worth)
        if said := " ".join(one for one in (saving and f"{saving}.", text.sentence_of(row, "worth")) if one):
            parts.quiet(inert(said))
        return
    rest = [fact.row() for fact in told if fact.code != "worth"]
    if rest:
        parts.quiet(inert(text.sentence_of({"worth": None, "worth_facts": rest}, "worth")))
    weeks = text.weeks_count(numbers["horizon_weeks"])
    markup.sums(
        message("worth.saving_over", worth=worth, weeks=weeks) if worth else message("worth.heading", weeks=weeks),
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
    known, tests = steps_of(str(order["cause"])), asked_tests(str(order["cause"]))
    left, right = st.columns([1, 1], gap="large") if tests else (st.container(), None)
    with left:
        if known:
            lines = [inert(text.sentence(text.contract(step))) for step in known]
            st.markdown("\n".join(f"{k}. {line}" for k, line in enumerate(lines, 1)))
        else:
            st.markdown(message("order.steps_open"))
    if right is not None:
        with right:
            lines = [f"{inert(text.contract(test.title))}: {inert(text.contract(test.passes))}" for test in tests]
            passes = "\n".join(f"- {text.sentence(line)}." for line in lines)
            st.markdown(f"**{message('order.passes')}**\n{passes}")
            if any(test.by_practice for test in tests):
                parts.quiet(message("order.practice"))
    if order["state"] not in PLANNED_STATES:
        cautions(str(order["cause"]), family)
    parts.quiet(message("order.one", order=inert(order["order_id"])))


def cautions(cause: str, family: Family | None) -> None:
    """What to mind before any work: what this job asks for in full, the rest folded below it."""
    own, rest = ([text.contract(caution.text) for caution in some] for some in of_the_job(cause, family))
    markup.cautions(message("card.cautions_of_job"), own)
    markup.cautions_folded("", message("card.cautions", count=len(rest)), rest)


def badge_safety() -> None:
    """A failure can endanger people."""
    st.badge(f"! {message('order.safety')}", color="red", help=message("order.safety_help"))


def badge_state(state: str) -> None:
    """State of an order, as `data_contracts.states.shown_state` gives it, as a sign and a word: what is decided looks decided."""
    st.badge(text.order_state(state), color=STATE_COLOURS.get(state, "gray"))  # type: ignore[arg-type]


def paper(row: Mapping[str, object]) -> None:
    """A button that gives the order's page on paper."""

    def set_page() -> bytes:
        from pipelines.read_side.published import open_published
        from pipelines.reports.order_pdf import orders_pdf

        columns = [column.name for column in WORK_ORDERS.columns if column.name in row]
        one = pl.DataFrame([{name: row[name] for name in columns}])
        return orders_pdf(open_workspace(home()), open_published(home()), one, standing.today())

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
