"""A van: on top the card that decides; folded below it reasons, trends, snaps, values, repairs and orders."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import polars as pl
import streamlit as st

from dashboards import charts, markup, meant, order_card, parts, snaps, text, van_card, verdict
from dashboards.conditions import conditions
from dashboards.text import inert, message
from dashboards.trend_chart import trend_chart, trend_key
from dashboards.trend_sentence import trend_sentence
from dashboards.unbroken import kept_together
from data_contracts.family import Family
from data_contracts.likelihood import ranked
from data_contracts.signals import TRACKED, shown_at
from data_contracts.states import PLANNED_STATES, shown_grade, shown_state
from pipelines.read_side import queries
from pipelines.read_side.published import Published, families

MAIN = shown_at("board")
MOVED_EWMA_SHARE = 0.8
VISITS_OFFERED = 30


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    week = parts.choose_week(published)
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute", key="van-head"):
        name = st.empty()
        van_id = parts.choose_van(published, labelled=False, width=180)
    name.title(inert(van_id), anchor=False, width="content")
    van = queries.van(published, van_id)
    if van is None:
        st.warning(message("van.unknown", van=inert(van_id)), icon=":material/search_off:")
        return
    parts.show_message()
    parts.age(published, week)
    listed = queries.van_on_list(published, van_id, week)
    visits = queries.van_visits(published, van_id, week, limit=VISITS_OFFERED)
    family = families(published.home).get(str(van["family"]))
    order = van_card.order_shown(published, van_id, week)
    _facts(van)
    if not visits.height:
        st.info(message("van.no_visit", van=inert(van_id), week=week))
    van_card.show(van_card.Shown(published, van, week, listed, visits, family, order))
    if order is not None:
        _steps(order, family)
    if listed is not None:
        _why(listed)
    if visits.height:
        _trends(published, van_id, week)
        snaps.section(published, van_id, visits, family)
        _reading(published, visits)
    _repairs_and_orders(published, van_id, week)
    if order is None:  # else it stands beside the order's buttons
        order_card.driver_sheet(van_id)
    parts.footer(published)


def _facts(van: Mapping[str, object]) -> None:
    shown = [message("van.facts", family=inert(van["family"]), depot=inert(van["depot"]))]
    if van["in_service_on"]:
        shown.append(message("van.in_service", day=van["in_service_on"]))
    lines = [" · ".join(shown)]
    if warranty := text.sentence_of(van, "warranty"):
        lines.append(f":small[:gray[{inert(warranty)}]]")
    st.markdown("  \n".join(lines))
    if van["note"]:
        parts.quiet(f"{message('van.note')}: {inert(van['note'])}")


@st.fragment
def _why(row: Mapping[str, Any]) -> None:
    """Every reason, and the causes with their probabilities; why no weeks to a limit are told where such weeks are not kept."""
    with parts.fold("card.why", "fold-why") as opened:
        if not opened:
            return
        reasons, may_be = st.columns([1, 1], gap="large")
        with reasons:
            st.markdown("\n".join(f"- {reason}" for reason in meant.sentences(row, "reasons")))
            weeks, p = row["weeks_to_limit"], row["anomaly_p"]
            limit = text.weeks_to_limit(weeks if isinstance(weeks, float) else None, str(row["urgency"]))
            if limit:
                st.markdown(text.sentence(limit) + ".")
            if any(fact["code"] == "limit_nearing" for fact in row.get("reason_facts") or []):
                parts.quiet(message("van.weeks_not_kept", address=verdict.HOW_SURE))
            if isinstance(p, float):
                parts.quiet(message("week.anomaly", p=text.p_value(p)))
        with may_be:
            _causes(row)


def _causes(row: Mapping[str, object]) -> None:
    causes = row["causes"]
    told = ranked(causes if isinstance(causes, Sequence) else [], count=5)
    titled = [(text.cause(code), meant.page_of(code), probability) for code, probability in told]
    if (rest := 1.0 - sum(p for *_, p in titled)) > 0.005:
        titled.append((message("van.causes_rest"), None, rest))
    st.markdown(f"**{message('van.causes')}**")
    markup.bars(
        [
            (text.sentence(title), text.percent(share), share, page and meant.address(page))
            for title, page, share in titled
        ]
    )
    parts.quiet(message("van.causes_note", address=verdict.HOW_SURE))


@st.fragment
def _steps(order: Mapping[str, object], family: Family | None) -> None:
    """The steps of the order that the card shows; open where a code on paper led here."""
    with parts.fold("order.steps", "fold-steps", expanded=order["state"] in PLANNED_STATES) as opened:
        if opened:
            order_card.steps(order, family)


@st.fragment
def _trends(published: Published, van_id: str, week: str) -> None:
    with parts.fold("van.trends", "fold-trends") as opened:
        if opened:
            _every_trend(published, van_id, week)


def _every_trend(published: Published, van_id: str, week: str) -> None:
    frame = queries.van_trends(published, van_id, week)
    if not frame.height:
        st.info(message("van.no_visit", van=inert(van_id), week=week))
        return
    present = [q for q in TRACKED if q in set(frame["quantity"])]
    latest = {
        row["quantity"]: row for row in frame.group_by("quantity", maintain_order=True).last().iter_rows(named=True)
    }
    moved = [q for q in present if _has_moved(latest[q])]
    every = st.segmented_control(
        message("van.trends_which"),
        ["moved", "all"],
        format_func=lambda word: message(f"van.trends_{word}"),
        default="moved",
        key="which",
        label_visibility="collapsed",
    )
    chosen = present if every == "all" else [*moved, *(q for q in present if q in MAIN and q not in moved)]
    repairs = queries.van_repairs(published, van_id)
    span = (str(frame["week"].min()), str(frame["week"].max()))
    drawn = {quantity: frame.filter(pl.col("quantity") == quantity).to_dicts() for quantity in chosen}
    if drawn:
        parts.quiet(trend_key(list(drawn.values())))
    for pair in range(0, len(chosen), 2):
        for quantity, column in zip(chosen[pair : pair + 2], st.columns(2, gap="large"), strict=False):
            with column:
                touched = repairs.filter(pl.col("touches").list.contains(quantity))
                marks = [
                    (str(week), text.cause(str(work))) for week, work in touched.select("week", "work").iter_rows()
                ]
                _trend(quantity, drawn[quantity], marks, span)
    table = frame.filter(pl.col("quantity").is_in(chosen))
    if st.toggle(message("common.table"), key="trends-table"):
        parts.table(table)
    parts.download(lambda: table, f"trends-{van_id}-{week}.csv", "download-trends")


def _has_moved(row: Mapping[str, object]) -> bool:
    ewma, limit = row["ewma"], row["ewma_limit"]
    near = isinstance(ewma, float) and isinstance(limit, float) and abs(ewma) > MOVED_EWMA_SHARE * limit
    return bool(row["alarm"]) or near


def _trend(
    quantity: str,
    rows: Sequence[Mapping[str, object]],
    repairs: Sequence[tuple[str, str]],
    span: tuple[str, str],
) -> None:
    last = rows[-1]
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.markdown(f"**{meant.link(quantity, text.quantity_with_unit(quantity))}**", width="content")
        if last["alarm"]:
            st.badge(f"✕ {message('trend.alarm')}", color="red")
    words = trend_sentence(last)
    st.plotly_chart(
        trend_chart(rows, repairs=repairs, span=span, palette=parts.palette()),
        theme=None,
        config=charts.CONFIG,
        key=f"trend-{quantity}",
        alt=words,
    )
    parts.quiet(inert(words))


@st.fragment
def _reading(published: Published, visits: pl.DataFrame) -> None:
    with parts.fold("van.reading", "fold-reading") as opened:
        if opened:
            _every_value(published, visits)


def _every_value(published: Published, visits: pl.DataFrame) -> None:
    rows = {str(row["capture_id"]): row for row in visits.iter_rows(named=True)}
    chosen = st.selectbox(
        message("van.reading_which"), list(rows), format_func=lambda c: text.moment(rows[c]["captured_at"]), key="visit"
    )
    capture = rows[str(chosen)]
    when = capture["captured_at"]
    st.markdown(
        message(
            "van.reading_of",
            when=text.moment(when if isinstance(when, datetime) else None),
            grade=text.grade(shown_grade(capture["grade"], capture["grade_reasons"], capture["held"])),
        )
        + " "
        + conditions(capture)
    )
    reading = queries.reading(published, str(capture["van_id"]), str(chosen))
    read = reading.filter(pl.col("value").is_not_null())
    unread = reading.filter(pl.col("value").is_null() & pl.col("unread").is_not_null())
    parts.sheet(reading_table(read), "values", width="content")
    if st.toggle(f"{message('van.unread_hidden')} ({unread.height})", key="unread"):
        why = dict(zip(unread["quantity"].to_list(), unread["unread"].to_list(), strict=True))
        parts.sheet(parts.unread_table(why), "unread")


def reading_table(reading: pl.DataFrame) -> pl.DataFrame:
    """Values of one capture as people read them.

    Parameters
    ----------
    reading : polars.DataFrame
        As `queries.reading` gives it.

    Returns
    -------
    polars.DataFrame
    """
    rows = reading.to_dicts()
    marks = {"lower_bound": message("reading.lower_bound")}
    return pl.DataFrame(
        {
            message("reading.quantity"): [meant.quantity(r["quantity"]) for r in rows],
            message("reading.value"): [
                inert(text.uncertain(r["value"], r["u"], text.unit(r["quantity"]))) for r in rows
            ],
            message("reading.apart"): [
                inert(text.apart(r["repeat_u"], r["repeat_from"], text.unit(r["quantity"]))) for r in rows
            ],
            message("reading.note"): [inert(marks.get(r["mark"], r["mark"] or "")) for r in rows],
        }
    )


@st.fragment
def _repairs_and_orders(published: Published, van_id: str, week: str) -> None:
    with parts.fold("van.past", "fold-past") as opened:
        if opened:
            _past(published, van_id, week)


def _past(published: Published, van_id: str, week: str) -> None:
    left, right = st.columns(2, gap="large")
    with left:
        st.header(message("van.repairs"), anchor=False)
        repairs = queries.van_repairs(published, van_id)
        if repairs.height:
            parts.sheet(
                pl.DataFrame(
                    {
                        message("order.done_at"): [text.day(d) for d in repairs["done_at"]],
                        message("order.work"): [meant.cause(w) for w in repairs["work"]],
                        message("order.parts"): [inert(p or "") for p in repairs["parts"]],
                    }
                ),
                "repairs",
            )
        else:
            st.markdown(message("van.no_repairs"))
    with right:
        st.header(message("van.orders"), anchor=False)
        orders = queries.van_orders(published, van_id, week)
        if orders.height:
            parts.sheet(
                pl.DataFrame(
                    {
                        message("common.week"): [kept_together(str(week)) for week in orders["week"]],
                        message("order.action"): [
                            inert(text.sentence_of(order, "action")) for order in orders.iter_rows(named=True)
                        ],
                        message("order.hours"): [text.work(h) for h in orders["hours"]],
                        message("order.state"): [
                            text.order_state(shown_state(order)) for order in orders.iter_rows(named=True)
                        ],
                        message("order.due"): [text.day(d) for d in orders["due_by"]],
                    }
                ),
                "orders",
            )
        else:
            st.markdown(message("van.no_orders"))
