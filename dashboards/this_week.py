"""This week: the vans to look at, most urgent first, each in one line with its trend, what to do first, and deciding."""

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import streamlit as st

from dashboards import (
    decide,
    fleet_sections,
    markup,
    meant,
    order_card,
    parts,
    standing,
    tests_due,
    text,
    verdict,
    warranty,
)
from dashboards.text import inert, message
from dashboards.trend_picture import trend_picture
from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.states import shown_state
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
    parts.age(published, week)
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
    st.header(message("week.beside_list"))
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
    said = [message("week.ranked"), verdict.checked_note(published)]
    parts.quiet("  \n".join(one for one in said if one))
    with st.expander(message("week.trend_key_heading")):
        parts.quiet(message("week.trend_key"))
    told = reads.in_short_of(published, rows, week)
    since = reads.alarm_weeks(published, rows, week)
    trends = fleet_queries.trends_of(published, {van: fact.quantity or "" for van, fact in told.items()}, week)
    last_seen = fleet_queries.last_seen(published, [row["van_id"] for row in rows], week)
    for row in rows:
        van = row["van_id"]
        stands = standing.how_long(
            since.get(van),
            row.get("proposed") if row.get("state") == "proposed" else None,
            week,
            trends.get(van, ()),
        )
        changed = "" if first else standing.change_since_before(row)
        about = [_missed(last_seen.get(van), week), changed, stands, _limit(row, told.get(van))]
        _van_card(row, week, told.get(van), trends.get(van, []), about)
    decide.several(rows)
    parts.download(
        lambda: queries.watchlist(published, week, only, limit=DOWNLOAD_ROWS), f"watchlist-{week}.csv", "download-list"
    )
    return [str(row["van_id"]) for row in rows]


def _missed(last: tuple[str, date] | None, week: str) -> str:
    """That a van was not recorded this week, and when it was; empty where it was."""
    if last is None or last[0] == week:
        return ""
    return message("week.not_seen", day=text.day(last[1]))


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
    """How many vans are how urgent, and on what that rests."""
    with st.container(horizontal=True, gap="large", key="numbers"):
        for word in text.URGENCY_SYMBOLS:
            st.metric(text.urgency(word), counts.get(word, 0), help=message(f"urgency.{word}.help"), width="content")
        st.metric(message("week.seen"), message("common.of", part=seen["seen"], whole=seen["vans"]), width="content")
        tests_due.metric(published, week)
    told = [standing.days_of(week), message("week.repeat", part=seen["repeat"], count=seen["captures"])]
    if seen["idle_only"]:
        told.append(message("week.idle_only", part=seen["idle_only"]))
    parts.quiet(" · ".join(told))


def _filters(published: Published, week: str) -> ListFilter:
    """What to show, kept in the address."""
    depots, families = queries.depots_and_families(published)
    causes = queries.leading_causes(published, week)
    offered = {"urgency": list(text.URGENCY_SYMBOLS), "depot": depots, "family": families, "cause": causes}
    for key, options in offered.items():
        parts.keep_several_in_address(key, options)
    parts.keep_text_in_address("find")
    parts.keep_in_address("decided", ["all", "open", "decided"], "all")
    row = st.container(horizontal=True, vertical_alignment="center", gap="small", key="find-row")
    with row:
        find = st.text_input(
            message("week.find"),
            key="find",
            max_chars=80,
            placeholder=message("week.find_help"),
            label_visibility="collapsed",
        )
        decided = st.segmented_control(
            message("week.decided"),
            ["all", "open", "decided"],
            format_func=lambda word: message(f"week.decided_{word}"),
            required=True,
            key="decided",
            label_visibility="collapsed",
            width="content",
        )
    narrowed = sum(bool(st.session_state[key]) for key in offered)
    named = message("week.filters") + (f" ({narrowed})" if narrowed else "")
    with row, st.popover(named, icon=":material/filter_list:", width="content", key="filters"):
        shown: dict[str, Callable[[str], str]] = {
            "urgency": text.urgency,
            "depot": str,
            "family": str,
            "cause": lambda code: text.sentence(text.cause(code)),
        }
        chosen = {}
        for key, options in offered.items():
            chosen[key] = st.multiselect(
                message(f"common.{key}"), options, format_func=shown[key], key=key, placeholder=message("common.all")
            )
    causes_named = [
        code for code in (*EVERY_CAUSE, *causes) if find.strip() and find.strip().lower() in text.cause(code).lower()
    ]
    only = "" if decided == "all" else str(decided)
    return ListFilter(chosen["depot"], chosen["family"], chosen["cause"], chosen["urgency"], only, find, causes_named)


def _page(pages: int) -> int:
    if pages == 1:
        return 1
    return int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="page", width=160))


def _van_card(
    row: Mapping[str, Any],
    week: str,
    fact: Fact | None,
    trend: Sequence[Mapping[str, Any]],
    stands: Sequence[str],
) -> None:
    van_id, state = str(row["van_id"]), row.get("state")
    waits = state in (None, "proposed")
    with st.container(border=True, key=f"row-{'open' if waits else 'decided'}-{row['rank']}"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            parts.link("a_van", f"{row['rank']}. {inert(van_id)}", van=van_id, week=week)
            parts.badge_urgency(str(row["urgency"]))
            if row.get("safety"):
                order_card.badge_safety()
            if not waits:
                order_card.badge_state(shown_state(row))
            warranty.badge(row)
            about = [message("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), *stands]
            parts.quiet(" · ".join(one for one in about if one), width="content")
        why, drawn, job = st.columns([9, 6, 10], gap="medium")
        with why:
            told = verdict.of_listed(row, fact)
            apart = bool(row.get("action")) and order_card.endangers(row)
            st.markdown("  \n".join(told.lines(danger_apart=apart)))
        with drawn:
            _trend(fact, trend)
        with job:
            if row.get("action"):
                action = text.sentence_of(row, "action")
                st.markdown(f"{message('week.action')} **{inert(action)}**  \n{standing.when(row)}")
                order_card.danger(row, told.left_alone)
                with st.container(horizontal=True, gap="small"):
                    warranty.build_file(row)
                    decide.buttons(row, action)
                    if apart:
                        order_card.driver_sheet(van_id)


def _trend(fact: Fact | None, trend: Sequence[Mapping[str, Any]]) -> None:
    """How the quantity that says most has moved."""
    if fact is None or not trend:
        return
    drawn, narrow = (trend_picture(trend, parts.palette(), fact=fact, size=size) for size in ("small", "slim"))
    if drawn is not None:
        markup.picture(drawn, narrow)


def _limit(row: Mapping[str, object], fact: Fact | None) -> str:
    """How far a limit is, where the verdict doesn't name it."""
    if fact is not None and "limit" in fact.numbers:
        return ""
    return text.weeks_to_limit(text.finite(row["weeks_to_limit"]), str(row["urgency"]))
