"""Captures: what came, how it was graded, what waits in quarantine and why."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboards import meant, mend, parts, text
from dashboards.text import inert, message
from data_contracts.errors import MissingFileError
from data_contracts.reasons import GRADE_REASONS, QUARANTINE_RULES
from data_contracts.states import ITEM_STATES
from pipelines.intake import check_results
from pipelines.read_side import capture_queries, queries
from pipelines.read_side.capture_queries import CaptureFilter
from pipelines.read_side.published import Published
from pipelines.workspace.workspace import Workspace

VISITS_A_PAGE = 8
ALL = "all"
REASONS_FIRST = 5
STANDS_OUT = 3.0  # times the median recorder's spread


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    st.title(message("captures.heading"))
    parts.show_message()
    _last_week(published)
    only = _filters(published)
    _grades(published, only)
    _list(published, only)
    _quarantine(published)
    _repeatability(published)
    _deliveries(published)
    parts.footer(published)


def _last_week(published: Published) -> None:
    """The page's answer in words: how the newest week's captures are graded, and the most frequent reason; what to do is below."""
    weeks = queries.weeks(published)
    if not weeks:
        st.markdown(message("captures.short_no_week"))
        return
    only = CaptureFilter(weeks[0])
    counts = capture_queries.grade_counts(published, only)
    said = [_graded(weeks[0], counts)]
    reasons = capture_queries.grade_reason_counts(published, only)
    if reasons.height:
        code, captures, vans = reasons.row(0)
        told = {"captures": captures, "total": sum(counts.values()), "vans": vans}
        said.append(message("captures.most_frequent", **told, reason=inert(text.grade_reason(code))))
    st.markdown(" ".join(said))


def _graded(week: str, counts: Mapping[str, int]) -> str:
    """How many captures of a week are good, and what the others are."""
    total = sum(counts.values())
    if total < 2:
        grade = next(iter(counts), "")
        return (
            message("captures.short_one", week=week, grade=_word(grade))
            if total
            else message("captures.short_none", week=week)
        )
    good, *others = text.GRADE_SYMBOLS
    said = [message("captures.good_of", week=week, good=counts.get(good, 0), total=total)]
    said += [f"{counts[grade]} {_word(grade)}" for grade in others if grade in counts]
    return f"{', '.join(said)}."


def _word(grade: str) -> str:
    return message(f"grade.{grade}.short")


def _account(published: Published) -> None:
    totals = capture_queries.delivery_totals(published)
    accounted = sum(totals[name] for name in ("held", "superseded", "duplicates", "quarantined"))
    if accounted == totals["rows"]:
        st.markdown(message("captures.account", **totals))
    else:
        st.error(message("captures.account_open", rows=totals["rows"], sum=accounted), icon=":material/error:")


def _quarantine(published: Published) -> None:
    st.header(message("captures.quarantine"))
    state = st.segmented_control(
        message("captures.state"),
        ITEM_STATES,
        format_func=lambda word: message(f"quarantine.{word}"),
        default="waiting",
        key="quarantine",
        label_visibility="collapsed",
    )
    counts = capture_queries.quarantine_counts(published, state=state or "waiting")
    if not counts.height:
        st.success(message("captures.quarantine_none"), icon=":material/check_circle:")
        return
    parts.quiet(message("captures.quarantine_note"))
    rules = counts["rule"].to_list()
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.rule"): [_told(QUARANTINE_RULES, rule) for rule in rules],
                message("captures.items"): [str(n) for n in counts["items"]],
                message("captures.rows"): [str(n) for n in counts["rows"]],
            }
        ),
        "captures-1",
    )
    items = capture_queries.quarantine(published, state=state or "waiting")
    if (state or "waiting") == "waiting":
        mend.chooser(published, items)
    with st.expander(message("captures.each")):
        _table(
            "captures-2",
            {
                message("captures.delivery"): items["delivery"].to_list(),
                message("captures.file"): [f or "" for f in items["file"]],
                message("captures.row"): ["" if r is None else str(r) for r in items["row"]],
                message("captures.reason"): [
                    text.quarantined(*row) for row in items.select("rule", "reason").iter_rows()
                ],
                message("captures.first_seen"): [text.day(d) for d in items["first_seen"]],
            },
        )
        parts.download(lambda: items, "quarantine.csv", "download-quarantine")


def _filters(published: Published) -> CaptureFilter:
    weeks = queries.weeks(published)
    depots, _ = queries.depots_and_families(published)
    st.header(message("captures.list"))
    columns = st.columns(4)
    parts.keep_in_address("week", [*weeks, ALL], weeks[0] if weeks else ALL)
    with columns[0]:
        week = st.selectbox(
            message("common.week"),
            [*weeks, ALL],
            format_func=lambda w: message("common.all") if w == ALL else w,
            key="week",
        )
    with columns[1]:
        only_depots = st.multiselect(
            message("common.depot"), depots, key="captures-depot", placeholder=message("common.all")
        )
    with columns[2]:
        van = st.text_input(
            message("common.van"), key="captures-van", placeholder=message("captures.van_example"), max_chars=64
        )
    with columns[3]:
        grades = st.multiselect(
            message("captures.grade"),
            list(text.GRADE_SYMBOLS),
            format_func=text.grade,
            key="captures-grade",
            placeholder=message("common.all"),
        )
    return CaptureFilter(None if week == ALL else week, only_depots, grades, van=van.strip())


def _grades(published: Published, only: CaptureFilter) -> None:
    counts = capture_queries.grade_counts(published, only)
    with st.container(horizontal=True):
        for word in text.GRADE_SYMBOLS:
            st.metric(
                text.grade(word), counts.get(word, 0), border=True, help=message(f"grade.{word}.help"), width="content"
            )
    st.subheader(message("captures.why"))
    reasons = capture_queries.grade_reason_counts(published, only)
    if not reasons.height:
        st.markdown(message("captures.why_none"))
        return
    _reasons(reasons.head(REASONS_FIRST), "captures-3")
    if reasons.height > REASONS_FIRST:
        with st.expander(message("captures.why_more", count=reasons.height - REASONS_FIRST)):
            _reasons(reasons.slice(REASONS_FIRST), "captures-5")


def _reasons(reasons: pl.DataFrame, name: str) -> None:
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.reason"): [_told(GRADE_REASONS, code) for code in reasons["reason"]],
                message("captures.count"): [str(n) for n in reasons["captures"]],
                message("captures.vans"): [str(n) for n in reasons["vans"]],
            }
        ),
        name,
    )


def _repeatability(published: Published) -> None:
    st.header(message("captures.repeatability"))
    frame = capture_queries.repeatability(published)
    if not frame.height:
        st.markdown(message("captures.repeatability_none"))
        return
    several = frame["recorder"].n_unique() > 1
    most = STANDS_OUT * float(np.median(frame["relative_sd"]))
    _table(
        "captures-4",
        {
            **({message("captures.recorder"): frame["recorder"].to_list()} if several else {}),
            message("captures.serial"): [s or "" for s in frame["recorder_serial"]],
            message("captures.visits"): [str(n) for n in frame["visits"]],
            message("captures.repeats"): [str(n) for n in frame["repeats"]],
            message("captures.spread"): [_spread(s, most) for s in frame["relative_sd"]],
        },
    )
    note = message("captures.repeatability_note", most=_per_cent(most), times=text.number(STANDS_OUT, 1))
    parts.quiet(meant.mentioned(note, ["main_peak_reference_g_s"]))


def _spread(relative_sd: float, most: float) -> str:
    shown = _per_cent(relative_sd)
    return f"▲ {shown}, {message('captures.stands_out')}" if relative_sd > most else shown


def _per_cent(share: float) -> str:
    return f"{text.number(100 * share, 2)}\N{NARROW NO-BREAK SPACE}%"


def _list(published: Published, only: CaptureFilter) -> None:
    """Captures visit by visit: van, depot, time and recorder once, then each capture with its grade, why, and its file."""
    visits = capture_queries.visit_count(published, only)
    if not visits:
        st.info(message("captures.none"))
        return
    pages = -(-visits // VISITS_A_PAGE)
    page = 1
    if pages > 1:
        page = int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="captures-page", width=160))
    frame = capture_queries.captures(published, only, limit=VISITS_A_PAGE, offset=(page - 1) * VISITS_A_PAGE)
    rows = frame.to_dicts()
    first = [k == 0 or _visit_of(rows[k - 1]) != _visit_of(row) for k, row in enumerate(rows)]
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.visit"): [
                    _visit(row) if begins else "" for row, begins in zip(rows, first, strict=True)
                ],
                message("captures.of_visit"): [_capture(row) for row in rows],
                message("captures.file"): [f":gray[{inert(row['delivery'])}, {inert(row['file'])}]" for row in rows],
            }
        ),
        "captures-6",
    )
    parts.download(lambda: frame, "captures.csv", "download-captures")


def _visit_of(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["van_id"], row["visit"]


def _visit(row: Mapping[str, Any]) -> str:
    """Van, depot, when its first capture was recorded, and by which recorder."""
    at = text.moment(row["captured_at"]).replace(" ", "\N{NO-BREAK SPACE}")
    where = [row["depot"], *([row["recorder_serial"]] if row["recorder_serial"] else [])]
    return f"**{inert(row['van_id'])}** {inert(', '.join(where))} :gray[{at}]"


def _capture(row: Mapping[str, Any]) -> str:
    """Grade and why."""
    why = inert("; ".join(text.grade_reason(code) for code in row["grade_reasons"]))
    return inert(text.grade(row["shown_grade"])) + (f": :gray[{why}]" if why else "")


def _deliveries(published: Published) -> None:
    st.header(message("captures.deliveries"))
    _account(published)
    with st.expander(message("captures.each_delivery")):
        frame = capture_queries.deliveries(published)
        parts.table(
            pl.DataFrame(
                {
                    message("captures.delivery"): frame["delivery"],
                    message("captures.taken_in"): [text.moment(m) for m in frame["taken_in_at"]],
                    **{
                        message(f"captures.{name}"): frame[name]
                        for name in ("rows", "held", "superseded", "duplicates")
                    },
                    message("captures.quarantined"): frame["quarantined"],
                }
            )
        )
        parts.download(lambda: frame, "deliveries.csv", "download-deliveries")
    _checks(published)


def _checks(published: Published) -> None:
    """What the contract check of one delivery found; the first page asked for takes seconds to make."""
    deliveries = capture_queries.delivery_names(published)
    if not deliveries:
        return
    chosen = st.selectbox(
        message("captures.check"),
        deliveries,
        index=None,
        key="captures-check",
        placeholder=message("captures.check_choose"),
        help=message("captures.check_help"),
    )
    if chosen is None:
        return
    try:
        with st.spinner(message("captures.check_making")):
            page = check_results.page(Workspace(published.home).checks, chosen)
    except MissingFileError:
        st.info(message("captures.check_none"))
        return
    st.iframe(page, height=640)
    st.download_button(
        message("captures.check_download"),
        page,
        file_name=f"{chosen}.html",
        mime="text/html",
        key="download-check",
        icon=":material/download:",
        on_click="ignore",
    )


def _table(name: str, columns: dict[str, list[str]]) -> None:
    """A table of texts."""
    parts.sheet(pl.DataFrame({head: [inert(cell) for cell in cells] for head, cells in columns.items()}), name)


def _told(page: dict, code: str) -> str:  # type: ignore[type-arg]
    """What is wrong and, in grey, what to do: one cell, so that it finds room on a phone."""
    said, remedy = inert(_sentence(page, code)), inert(text.sentence(_remedy(page, code)))
    return f"{said}. :gray[{remedy}.]" if remedy else f"{said}."


def _sentence(page: dict, code: str) -> str:  # type: ignore[type-arg]
    return text.sentence(text.contract(page[code].sentence) if code in page else code)


def _remedy(page: dict, code: str) -> str:  # type: ignore[type-arg]
    return text.contract(page[code].remedy) if code in page else ""
