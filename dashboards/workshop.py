"""Workshop: open jobs by worth, the hours they take, and the plan of the weeks ahead."""

from collections.abc import Mapping
from typing import Any

import polars as pl
import streamlit as st

from dashboards import decide, order_card, parts, programme, standing, text, verdict
from dashboards.text import inert, message
from data_contracts.jobs import JOBS
from data_contracts.states import ORDER_STATES, PLANNED_STATES
from data_contracts.weeks import week_start
from pipelines.read_side import order_queries, queries
from pipelines.read_side.published import Published, board_settings, families

PAGE_SIZE = 25
DOWNLOAD_ROWS = 5000


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    week = queries.weeks(published)[0]
    st.title(message("workshop.heading", week=week))
    parts.show_message()
    parts.age(published, week)
    short = st.container()
    only_depots, chosen, by_day = _choices(published)
    states = chosen or list(PLANNED_STATES)
    counts = order_queries.order_counts(published, only_depots, states)
    if counts["jobs"]:
        with short:
            _in_short(published, counts, only_depots, states)
        _orders(published, only_depots, states, counts["jobs"], by_day=by_day)
    else:
        st.info(message("workshop.none"))
    _plan(published, only_depots)
    _parts(published, only_depots)
    programme.part_lives(published)
    _worth(published, only_depots)
    programme.compared(published)
    parts.footer(published)


def _choices(published: Published) -> tuple[list[str], list[str], bool]:
    """Depots and states to show, and whether in order of the day due."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="choose-row"):
        by_day = st.segmented_control(
            message("workshop.order"),
            ["worth", "day"],
            format_func=lambda word: message(f"workshop.by_{word}"),
            default="worth",
            key="workshop-order",
            label_visibility="collapsed",
            width="content",
        )
        kept = [st.session_state.get(key) for key in ("workshop-depot", "workshop-state")]
        named = message("week.filters") + (f" ({sum(map(bool, kept))})" if any(kept) else "")
        with st.popover(named, icon=":material/filter_list:", width="content", key="workshop-filters"):
            depots, _ = queries.depots_and_families(published)
            only_depots = st.multiselect(
                message("common.depot"), depots, key="workshop-depot", placeholder=message("common.all")
            )
            chosen = st.multiselect(
                message("order.state"),
                ORDER_STATES,
                format_func=text.order_state,
                key="workshop-state",
                placeholder=message("workshop.open_orders"),
            )
        _print(published, only_depots, chosen or list(PLANNED_STATES))
    return only_depots, chosen, by_day == "day"


def _in_short(published: Published, counts: Mapping[str, Any], depots: list[str], states: list[str]) -> None:
    """The page's answer in words: how many orders and their hours; of work that waits, what it saves, which comes first and what is
    undecided; how sure the causes are."""
    waiting = set(states) <= set(PLANNED_STATES)
    said = [message("workshop.short", jobs=counts["jobs"], hours=text.hours(counts["hours"]))]
    if waiting:
        told = "short_overdue" if standing.is_past(counts["first_due"]) else "short_due"
        said.append(message(f"workshop.{told}", day=text.day(counts["first_due"])))
    if waiting and counts["safety"]:
        said.append(message("workshop.short_safety", count=counts["safety"]))
    if counts["proposed"]:
        said.append(message("workshop.short_proposed", count=counts["proposed"]))
    jobs, saving = order_queries.jobs_worth(published, depots, states)
    if waiting and saving > 0:
        workshop = board_settings(published.home).workshop
        weeks, worth = text.weeks_count(workshop.horizon_weeks), text.rounded_money(saving, inert(workshop.currency))
        said.append(message("worth.of_jobs", jobs=jobs, worth=worth, weeks=weeks))
    st.markdown(f"**{said[0]}** {' '.join(said[1:])}")
    if note := verdict.checked_note(published):
        parts.quiet(note)


def _orders(published: Published, depots: list[str], states: list[str], counts: int, *, by_day: bool) -> None:
    pages = -(-counts // PAGE_SIZE)
    page = 1
    if pages > 1:
        page = int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="workshop-page", width=160))
    ask = order_queries.orders_by_day if by_day else order_queries.orders
    frame = ask(published, depots, states, limit=PAGE_SIZE, offset=(page - 1) * PAGE_SIZE)
    currency = board_settings(published.home).workshop.currency
    noted = order_queries.noted(published, frame["order_id"].to_list())
    why = verdict.of_orders(published, queries.weeks(published)[0], frame.to_dicts())
    known = families(published.home)
    headed = ""
    for row in frame.iter_rows(named=True):
        if by_day and (told := standing.due(row)) != headed:
            headed = told
            st.header(told)
        family = known.get(str(row["family"]))
        order_card.card(row, why[row["order_id"]], currency, noted.get(row["order_id"], ()), family=family)
    decide.several(frame.to_dicts())
    parts.download(
        lambda: order_queries.orders(published, depots, states, limit=DOWNLOAD_ROWS),
        "work-orders.csv",
        "download-orders",
    )


def _print(published: Published, depots: list[str], states: list[str]) -> None:
    """The list on paper, with the orders that are shown."""

    def set_list() -> bytes:
        from pipelines.reports.list_pdf import list_pdf

        shown = order_queries.orders(published, depots, states, limit=DOWNLOAD_ROWS)
        return list_pdf(published, shown, today=standing.today())

    st.download_button(
        message("workshop.print"),
        set_list,
        file_name="workshop-list.pdf",
        mime="application/pdf",
        icon=":material/print:",
        on_click="ignore",
        key="print-list",
    )


def _plan(published: Published, depots: list[str]) -> None:
    """Hours by week and depot against those of a week, and what the plan leaves out."""
    frame = order_queries.plan(published, depots, PLANNED_STATES)
    if frame["plan_week"].null_count() == frame.height:
        _hours(published, depots)
        return
    offered = board_settings(published.home).workshop.hours_per_depot_week
    st.header(message("workshop.plan"))
    weeks = frame["plan_week"].drop_nulls().unique().sort().to_list()
    rows = {(row["plan_week"], row["depot"]): row for row in frame.iter_rows(named=True)}
    names = sorted(frame["depot"].unique())
    columns = {message("common.depot"): [inert(name) for name in names]}
    for week in weeks:
        head = message("planned.week", week=week, day=text.weekday(week_start(week)))
        columns[head] = [_planned(rows.get((week, name)), offered) for name in names]
    columns[message("workshop.left_out")] = [_planned(rows.get((None, name)), 0.0) for name in names]
    parts.sheet(pl.DataFrame(columns), "plan", width="content")
    parts.quiet(message("workshop.plan_note", hours=text.hours(offered)))
    if weeks and standing.is_over(weeks[-1]):
        parts.quiet(message("workshop.plan_past", week=queries.weeks(published)[0], count=len(weeks)))
    rest = order_queries.left_out(published, depots, PLANNED_STATES)
    if rest.height:
        with st.expander(message("workshop.why_left_out", count=rest.height)):
            for row in rest.iter_rows(named=True):
                st.markdown(
                    f"- **{inert(row['van_id'])}**: {inert(text.sentence_of(row, 'action'))} – {inert(text.sentence_of(row, 'plan_note'))}"
                )


def _planned(row: Mapping[str, object] | None, offered: float) -> str:
    """Jobs and hours of a week, and how full it is in words, so that no colour is needed."""
    if row is None:
        return message("number.none")
    hours = row["hours"]
    if not isinstance(hours, float) or not hours:
        return str(row["jobs"])
    shown = message("workshop.planned", jobs=row["jobs"], hours=text.hours(hours))
    return shown + (f" ({text.percent(min(hours / offered, 1.0))})" if offered else "")


def _hours(published: Published, depots: list[str]) -> None:
    frame = order_queries.hours_by_depot(published, depots, PLANNED_STATES)
    if not frame.height:
        return
    offered = board_settings(published.home).workshop.hours_per_depot_week
    parts.sheet(
        pl.DataFrame(
            {
                message("common.depot"): [inert(d) for d in frame["depot"]],
                message("workshop.jobs"): [str(n) for n in frame["jobs"]],
                message("workshop.hours"): [text.hours(h) for h in frame["hours"]],
                message("workshop.of_week"): [_load(h, offered) for h in frame["hours"]],
            }
        ),
        "hours",
        width="content",
    )


def _load(hours: float | None, offered: float) -> str:
    """Hours against those of a week, in words, so that no colour is needed."""
    if not hours or not offered:
        return message("number.none")
    return message("workshop.weeks", weeks=text.number(hours / offered, 2), hours=text.hours(offered))


def _parts(published: Published, depots: list[str]) -> None:
    """Parts to have ready for the planned jobs, by week and depot."""
    rows = [
        {
            message("workshop.week"): str(row["plan_week"]),
            message("common.depot"): inert(row["depot"]),
            message("order.parts"): f"{row['jobs']} × {inert(text.contract(job.parts))}",
        }
        for row in order_queries.causes_by_week(published, depots).iter_rows(named=True)
        if (job := JOBS.get(row["cause"])) is not None and job.parts is not None
    ]
    if rows:
        with st.expander(message("workshop.parts")):
            parts.sheet(pl.DataFrame(rows), "parts", width="content")
            parts.quiet(message("workshop.parts_note"))


def _worth(published: Published, depots: list[str]) -> None:
    """What waiting would cost, and what proven repairs saved."""
    workshop = board_settings(published.home).workshop
    frame = order_queries.worth_by_depot(published, depots, workshop.horizon_weeks)
    if frame.is_empty():
        return

    def shown(row: Mapping[str, Any]) -> dict[str, str]:
        saved = message("number.none")
        if row["proven"]:
            low, high = (text.money(float(row[name]), workshop.currency) for name in ("saved_low", "saved_high"))
            amount = text.money(float(row["saved"]), workshop.currency)
            saved = message("workshop.saved_of", amount=amount, low=low, high=high, count=row["proven"])
        return {
            message("common.depot"): message("common.all") if row["depot"] is None else inert(row["depot"]),
            message("workshop.open_orders"): str(row["open"]),
            message("workshop.waiting"): text.money(float(row["waiting"]), workshop.currency),
            message("workshop.saved"): saved,
        } | {message(f"workshop.{name}"): str(row[name]) for name in ("back", "cant_tell") if (frame[name] > 0).any()}

    with st.expander(message("workshop.programme")):
        parts.sheet(pl.DataFrame([shown(row) for row in frame.iter_rows(named=True)]), "worth", width="content")
        parts.quiet(message("workshop.worth_note", weeks=text.number(workshop.horizon_weeks, 0)))
