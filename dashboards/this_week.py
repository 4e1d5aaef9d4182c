"""This week: the vans to look at, most urgent first, each with why and what changed."""

from collections.abc import Mapping, Sequence

import streamlit as st

from dashboards import decide, parts, tests_due, text
from dashboards.text import inert, message
from data_contracts.weeks import is_silent
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.read_side.queries import ListFilter

PAGE_SIZE = 20
REASONS_SHOWN = 3
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
        st.info(inert(text.sentence(text.sentence_of(notice, "text"))), icon=":material/campaign:")
    only = _filters(published, week)
    total = sum(queries.watchlist_counts(published, week, only).values())
    if not total:
        _empty(published, week, filtered=bool(counts))
    else:
        pages = -(-total // PAGE_SIZE)
        page = _page(pages)
        frame = queries.watchlist(published, week, only, limit=PAGE_SIZE, offset=(page - 1) * PAGE_SIZE)
        first = queries.week_before(published, week) is None
        parts.quiet(message("week.ranked"))
        for row in frame.iter_rows(named=True):
            _van_card(row, week, first)
        parts.download(
            lambda: queries.watchlist(published, week, only, limit=DOWNLOAD_ROWS),
            f"watchlist-{week}.csv",
            "download-list",
        )
    _left(published, week)
    tests_due.show(published, week, only.depots)
    parts.footer(published)


def _empty(published: Published, week: str, *, filtered: bool) -> None:
    """Why no van is shown: the filters, no van recorded lately, or none that stands out."""
    last = queries.last_week_seen(published, week)
    if filtered:
        st.success(message("week.empty_filter", week=week), icon=":material/check_circle:")
    elif last is None:
        st.warning(message("week.never_seen", week=week), icon=":material/visibility_off:")
    elif is_silent(last, week):
        st.warning(message("week.silent", last=last, week=week), icon=":material/visibility_off:")
    else:
        st.success(message("week.empty", week=week), icon=":material/check_circle:")


def _numbers(published: Published, week: str, counts: Mapping[str, int], seen: Mapping[str, int]) -> None:
    with st.container(horizontal=True, gap="large"):
        for word in text.URGENCY_SYMBOLS:
            st.metric(text.urgency(word), counts.get(word, 0), help=message(f"urgency.{word}.help"), width="content")
        st.metric(message("week.seen"), message("common.of", part=seen["seen"], whole=seen["vans"]), width="content")
        st.metric(
            message("week.repeat"), message("common.of", part=seen["repeat"], whole=seen["captures"]), width="content"
        )
        tests_due.metric(published, week)


def _filters(published: Published, week: str) -> ListFilter:
    depots, families = queries.depots_and_families(published)
    causes = queries.leading_causes(published, week)
    with st.expander(message("week.filters"), icon=":material/filter_list:"):
        columns = st.columns(4)
        with columns[0]:
            urgencies = st.multiselect(
                message("common.urgency"),
                list(text.URGENCY_SYMBOLS),
                format_func=text.urgency,
                key="urgency",
                placeholder=message("common.all"),
            )
        with columns[1]:
            only_depots = st.multiselect(
                message("common.depot"), depots, key="depot", placeholder=message("common.all")
            )
        with columns[2]:
            only_families = st.multiselect(
                message("common.family"), families, key="family", placeholder=message("common.all")
            )
        with columns[3]:
            only_causes = st.multiselect(
                message("common.cause"),
                causes,
                format_func=lambda c: text.sentence(text.cause(c)),
                key="cause",
                placeholder=message("common.all"),
            )
    return ListFilter(only_depots, only_families, only_causes, urgencies)


def _page(pages: int) -> int:
    if pages == 1:
        return 1
    return int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="page", width=160))


def _van_card(row: Mapping[str, object], week: str, first: bool) -> None:
    van_id = str(row["van_id"])
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            parts.link("a_van", f"{row['rank']}. {inert(van_id)}", van=van_id, week=week)
            parts.badge_urgency(str(row["urgency"]))
            if not first:
                parts.quiet(text.change_since_before(row), width="content")
            parts.quiet(message("van.facts", family=inert(row["family"]), depot=inert(row["depot"])), width="content")
        why, job = st.columns([3, 2], gap="large")
        with why:
            st.markdown(_cause_line(row))
            reasons = text.sentences_of(row, "reasons")
            st.markdown("\n".join(f"- {inert(text.sentence(reason))}" for reason in reasons[:REASONS_SHOWN]))
            if len(reasons) > REASONS_SHOWN:
                parts.quiet(message("week.more_reasons", count=len(reasons) - REASONS_SHOWN))
        with job:
            if row.get("action"):
                action = text.sentence_of(row, "action")
                st.markdown(f"**{message('week.action')}** {inert(action)}")
                parts.quiet(_order_line(row))
                decide.buttons(row, action)


def _cause_line(row: Mapping[str, object]) -> str:
    causes = row["causes"]
    ranked = text.likeliest(causes if isinstance(causes, Sequence) else [])
    lead = str(row["leading_cause"])
    named = lead in dict(ranked)
    others = [c for c in ranked if c[0] != lead]
    line = [
        f"**{inert(text.sentence(text.cause(lead)))}**" + (f", {text.percent(dict(ranked)[lead])}" if named else "")
    ]
    if others:
        line.append(
            message("week.also", others=", ".join(f"{inert(text.cause(c))} {text.percent(p)}" for c, p in others))
        )
    weeks = row["weeks_to_limit"]
    if limit := text.weeks_to_limit(weeks if isinstance(weeks, float) else None):
        line.append(limit)
    return " · ".join(line)


def _order_line(row: Mapping[str, object]) -> str:
    work, due = row["hours"], row["due_by"]
    return message(
        "week.order",
        hours=text.hours(work if isinstance(work, float) else None),
        due=text.day(due),  # type: ignore[arg-type]
        state=text.order_state(str(row["state"])),
    )


def _left(published: Published, week: str) -> None:
    frame = queries.left_the_list(published, week)
    if not frame.height:
        return
    with st.expander(message("week.left", count=frame.height)):
        for row in frame.iter_rows(named=True):
            st.markdown(
                "- "
                + message(
                    "week.left_line",
                    van=inert(row["van_id"]),
                    rank=row["rank"],
                    urgency=text.urgency(row["urgency"]),
                    cause=inert(text.cause(row["leading_cause"])),
                )
            )
