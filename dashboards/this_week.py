"""This week: the vans to look at, most urgent first, each in one line with its trend, what to do first, and deciding."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from dashboards import card_picture, decide, fleet_sections, markup, meant, order_card, parts, tests_due, text
from dashboards.text import inert, message
from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.weeks import is_silent
from pipelines.read_side import fleet_queries, queries
from pipelines.read_side import van_card as reads
from pipelines.read_side.published import Published
from pipelines.read_side.queries import ListFilter

PAGE_SIZE = 20
DOWNLOAD_ROWS = 5000


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    week = parts.choose_week(published)
    counts = queries.watchlist_counts(published, week, ListFilter())
    seen = queries.week_in_numbers(published, week)
    st.title(message("week.heading", week=week))
    parts.show_message()
    _numbers(published, week, counts, seen)
    for notice in queries.notices(published, week):
        st.info(text.sentence(meant.sentence(notice, "text")), icon=":material/campaign:")
    only = _filters(published, week)
    total = sum(queries.watchlist_counts(published, week, only).values())
    listed: list[str] = []
    if not total:
        _empty(published, week, seen["seen"], filtered=bool(counts))
    else:
        _no_visit(published, week, seen["seen"])
        listed = _list(published, week, only, total)
    fleet_sections.left(published, week)
    fleet_sections.unseen(published, week, only.depots)
    fleet_sections.beside(published, week, listed)
    fleet_sections.over_time(published, week)
    tests_due.show(published, week, only.depots)
    parts.footer(published)


def _list(published: Published, week: str, only: ListFilter, total: int) -> list[str]:
    """The vans of a page of the list, and which they are."""
    pages = -(-total // PAGE_SIZE)
    page = _page(pages)
    rows = queries.watchlist(published, week, only, limit=PAGE_SIZE, offset=(page - 1) * PAGE_SIZE).to_dicts()
    first = queries.week_before(published, week) is None
    parts.quiet(message("week.ranked"))
    told = reads.in_short_of(published, rows, week)
    trends = fleet_queries.trends_of(published, {van: fact.quantity or "" for van, fact in told.items()}, week)
    for row in rows:
        _van_card(row, week, told.get(row["van_id"]), trends.get(row["van_id"], []), first=first)
    decide.several(rows)
    parts.download(
        lambda: queries.watchlist(published, week, only, limit=DOWNLOAD_ROWS), f"watchlist-{week}.csv", "download-list"
    )
    return [str(row["van_id"]) for row in rows]


def _empty(published: Published, week: str, seen: int, *, filtered: bool) -> None:
    """Why no van is shown: the filters, no van recorded lately, or none that stands out."""
    last = queries.last_week_seen(published, week)
    if filtered:
        st.info(message("week.empty_filter", week=week), icon=":material/filter_list:")
    elif last is None:
        st.warning(message("week.never_seen", week=week), icon=":material/visibility_off:")
    elif is_silent(last, week):
        st.warning(message("week.silent", last=last, week=week), icon=":material/visibility_off:")
    elif not seen:
        st.warning(message("week.no_visit", last=last, week=week), icon=":material/visibility_off:")
    else:
        st.success(message("week.empty", week=week), icon=":material/check_circle:")


def _no_visit(published: Published, week: str, seen: int) -> None:
    """A list of a week in which nobody was recorded is that of the weeks before."""
    last = queries.last_week_seen(published, week)
    if not seen and last is not None:
        st.warning(message("week.no_visit_listed", last=last, week=week), icon=":material/visibility_off:")


def _numbers(published: Published, week: str, counts: Mapping[str, int], seen: Mapping[str, int]) -> None:
    with st.container(horizontal=True, gap="large", key="numbers"):
        for word in text.URGENCY_SYMBOLS:
            st.metric(text.urgency(word), counts.get(word, 0), help=message(f"urgency.{word}.help"), width="content")
        st.metric(message("week.seen"), message("common.of", part=seen["seen"], whole=seen["vans"]), width="content")
        st.metric(
            message("week.repeat"), message("common.of", part=seen["repeat"], whole=seen["captures"]), width="content"
        )
        if seen["idle_only"]:
            told = message("common.of", part=seen["idle_only"], whole=seen["captures"])
            st.metric(message("week.idle_only"), told, help=message("grade.idle_only.help"), width="content")
        tests_due.metric(published, week)


def _filters(published: Published, week: str) -> ListFilter:
    """What to show, kept in the address."""
    depots, families = queries.depots_and_families(published)
    causes = queries.leading_causes(published, week)
    offered = {"urgency": list(text.URGENCY_SYMBOLS), "depot": depots, "family": families, "cause": causes}
    for key, options in offered.items():
        parts.keep_several_in_address(key, options)
    parts.keep_text_in_address("find")
    parts.keep_in_address("decided", ["all", "open", "decided"], "all")
    left, right = st.columns([3, 2], vertical_alignment="bottom")
    with left:
        find = st.text_input(message("week.find"), key="find", max_chars=80, placeholder=message("week.find_help"))
    with right:
        decided = st.segmented_control(
            message("week.decided"),
            ["all", "open", "decided"],
            format_func=lambda word: message(f"week.decided_{word}"),
            required=True,
            key="decided",
        )
    narrowed = any(st.session_state[key] for key in offered)
    with st.expander(message("week.filters"), icon=":material/filter_list:", expanded=narrowed):
        columns = st.columns(4)
        shown: dict[str, Callable[[str], str]] = {
            "urgency": text.urgency,
            "depot": str,
            "family": str,
            "cause": lambda code: text.sentence(text.cause(code)),
        }
        chosen = {}
        for column, (key, options) in zip(columns, offered.items(), strict=True):
            with column:
                chosen[key] = st.multiselect(
                    message(f"common.{key}"),
                    options,
                    format_func=shown[key],
                    key=key,
                    placeholder=message("common.all"),
                )
    named = [
        code for code in (*EVERY_CAUSE, *causes) if find.strip() and find.strip().lower() in text.cause(code).lower()
    ]
    only = "" if decided == "all" else str(decided)
    return ListFilter(chosen["depot"], chosen["family"], chosen["cause"], chosen["urgency"], only, find, named)


def _page(pages: int) -> int:
    if pages == 1:
        return 1
    return int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="page", width=160))


def _van_card(
    row: Mapping[str, Any], week: str, fact: Fact | None, trend: Sequence[Mapping[str, Any]], *, first: bool
) -> None:
    van_id, state = str(row["van_id"]), row.get("state")
    with st.container(border=True, key=f"row-{'open' if state in (None, 'proposed') else 'decided'}-{row['rank']}"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            parts.link("a_van", f"{row['rank']}. {inert(van_id)}", van=van_id, week=week)
            parts.badge_urgency(str(row["urgency"]))
            if row.get("safety"):
                order_card.badge_safety()
            if state not in (None, "proposed"):
                order_card.badge_state(str(state))
            if not first:
                parts.quiet(text.change_since_before(row), width="content")
            parts.quiet(message("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), width="content")
        why, drawn, job = st.columns([5, 2, 4], gap="medium")
        with why:
            reasons = meant.sentences(row, "reasons")
            if fact is not None:
                reasons = [meant.fact(fact), *reasons]
            if reasons:
                st.markdown(f"**{reasons[0]}**")
            st.markdown(_cause_line(row))
            if reasons[1:]:
                parts.quiet(text.sentence(reasons[1]))
        with drawn:
            _trend(fact, trend)
        with job:
            if row.get("action"):
                action = text.sentence_of(row, "action")
                st.markdown(f"{message('week.action')} {inert(action)}")
                parts.quiet(_order_line(row))
                with st.container(horizontal=True, gap="small"):
                    decide.buttons(row, action)


def _trend(fact: Fact | None, trend: Sequence[Mapping[str, Any]]) -> None:
    """How the quantity that says most has moved."""
    if fact is None or not trend:
        return
    says = message("card.trend", title=text.quantity(str(fact.quantity)), week=trend[-1]["week"])
    limits = text.finite(trend[-1].get("limit_low")), text.finite(trend[-1].get("limit_high"))
    drawn = card_picture.trend_picture(trend, limits, parts.palette(), says, small=True)
    if drawn is not None:
        markup.picture(drawn)


def _cause_line(row: Mapping[str, object]) -> str:
    causes = row["causes"]
    ranked = text.likeliest(causes if isinstance(causes, Sequence) else [])
    lead = str(row["leading_cause"])
    named = lead in dict(ranked)
    others = [c for c in ranked if c[0] != lead]
    line = [f"**{meant.cause(lead, first=True)}**" + (f", {text.percent(dict(ranked)[lead])}" if named else "")]
    if others:
        told = ", ".join(f"{meant.cause(c)} {text.percent(p)}" for c, p in others)
        line.append(message("week.also", others=told) if named else told)
    weeks = row["weeks_to_limit"]
    if limit := text.weeks_to_limit(weeks if isinstance(weeks, float) else None):
        line.append(limit)
    return " · ".join(line)


def _order_line(row: Mapping[str, Any]) -> str:
    work, state = row["hours"], str(row["state"])
    key = "week.order" if state in ("proposed", "accepted") or row["until"] is None else f"week.order_{state}"
    if key == "week.order" and not work:
        key = "week.order_no_work"
    told = message(
        key if key in ("week.order_postponed", "week.order_booked", "week.order_no_work") else "week.order",
        hours=text.hours(work if isinstance(work, float) else None),
        due=text.day(row["due_by"]),
        until=text.day(row["until"]),
        state=text.order_state(state),
    )
    return told + (f", {message('card.planned', week=row['plan_week'])}" if row["plan_week"] else "")
