"""Captures: what came, how it was graded, what waits in quarantine and why."""

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboards import meant, parts, quarantined, text
from dashboards.text import inert, message
from data_contracts.errors import MissingFileError
from data_contracts.reasons import GRADE_REASONS, REPEAT_REASONS
from data_contracts.signals import QUANTITIES, shown_at
from pipelines.intake import check_results
from pipelines.read_side import capture_queries, queries
from pipelines.read_side.capture_queries import CaptureFilter
from pipelines.read_side.published import Published
from pipelines.workspace.workspace import Workspace

VISITS_A_PAGE = 8
ALL = "all"
REASONS_FIRST = 5
REASONS_OF_VISIT = 2
DEPOTS_NAMED = 3
STANDS_OUT = 3.0  # times the median recorder's spread


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    st.title(message("captures.heading"))
    parts.quiet(message("captures.subtitle"))
    parts.show_message()
    if weeks := queries.weeks(published):
        parts.age(published, weeks[0])
    _last_week(published)
    only = _filters(published)
    _grades(published, only)
    _list(published, only)
    quarantined.show(published)
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
    reasons = capture_queries.grade_reason_counts(published, only)
    if reasons.height:
        st.markdown(_to_tell(published, only, str(reasons["reason"][0])))
    st.markdown(_used(weeks[0], counts))


def _to_tell(published: Published, only: CaptureFilter, reason: str) -> str:
    """What to tell the depots about the most frequent reason, and where it came up most."""
    depots = capture_queries.reason_by_depot(published, only, reason)
    worst = "; ".join(
        message("captures.depot_share", depot=inert(depot), found=found, of=of)
        for depot, found, of in depots.head(DEPOTS_NAMED).iter_rows()
    )
    found, of = int(depots["found"].sum()), int(depots["of_all"].sum())
    told = GRADE_REASONS.get(reason)
    remedy = "" if told is None else text.contract(told.remedy)
    ask = message(f"captures.tell_{reason}") if reason == "hold_short" else inert(remedy)
    said = [message("captures.tell", ask=ask)] if ask else []
    why = inert(text.sentence(text.grade_reason(reason)))
    return " ".join([*said, message("captures.most_frequent", reason=why, found=found, of=of, depots=worst)])


def _used(week: str, counts: Mapping[str, int]) -> str:
    """How many captures of a week are used; what they are graded stands in the figures below."""
    total = sum(counts.values())
    if total < 2:
        grade = next(iter(counts), "")
        if not total:
            return message("captures.short_none", week=week)
        return message("captures.short_one", week=week, grade=message(f"grade.{grade}.short"))
    used = total - counts.get("repeat", 0)
    return message("captures.used" if 2 * used >= total else "captures.used_few", week=week, used=used, total=total)


def _account(published: Published) -> None:
    totals = capture_queries.delivery_totals(published)
    accounted = sum(totals[name] for name in ("held", "superseded", "duplicates", "quarantined"))
    if accounted == totals["rows"]:
        st.markdown(message("captures.account", **totals))
    else:
        st.error(message("captures.account_open", rows=totals["rows"], sum=accounted), icon=":material/error:")


def _filters(published: Published) -> CaptureFilter:
    weeks = queries.weeks(published)
    depots, _ = queries.depots_and_families(published)
    parts.keep_in_address("week", [*weeks, ALL], weeks[0] if weeks else ALL)
    shown = st.session_state["week"]
    st.header(message("captures.list_all") if shown == ALL else message("captures.list", week=shown))
    with st.expander(message("captures.filters")):
        return _chosen(weeks, depots)


def _chosen(weeks: Sequence[str], depots: Sequence[str]) -> CaptureFilter:
    """The four choices."""
    columns = st.columns(4)
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
    with st.container(horizontal=True, gap="large", key="numbers"):
        for word in text.GRADE_SYMBOLS:
            st.metric(text.grade(word), counts.get(word, 0), help=message(f"grade.{word}.help"), width="content")
    st.subheader(message("captures.why"))
    reasons = capture_queries.grade_reason_counts(published, only)
    if not reasons.height:
        st.markdown(message("captures.why_none"))
        return
    _reasons(reasons.head(REASONS_FIRST), "captures-3")
    _rates()
    if reasons.height > REASONS_FIRST:
        with st.expander(message("captures.why_more", count=reasons.height - REASONS_FIRST)):
            _reasons(reasons.slice(REASONS_FIRST), "captures-5")


def _rates() -> None:
    """Folded: which readings need how many samples a second."""
    needed: dict[float, list[str]] = {}
    for name in shown_at("board"):
        if QUANTITIES[name].need.rate_hz:
            needed.setdefault(QUANTITIES[name].need.rate_hz, []).append(meant.quantity(name))
    with st.expander(message("captures.rates")):
        st.markdown(
            "\n".join(f"- **{text.count(rate)}**: {', '.join(needed[rate])}" for rate in sorted(needed, reverse=True))
        )
        parts.quiet(message("captures.rates_speed"))


def _reasons(reasons: pl.DataFrame, name: str) -> None:
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.reason"): [quarantined.told(GRADE_REASONS, code) for code in reasons["reason"]],
                message("captures.count"): [text.count(n) for n in reasons["captures"]],
                message("captures.vans"): [text.count(n) for n in reasons["vans"]],
            }
        ),
        name,
        width="content",
    )


def _repeatability(published: Published) -> None:
    st.header(message("captures.repeatability"))
    frame = capture_queries.repeatability(published)
    if not frame.height:
        st.markdown(message("captures.repeatability_none"))
        return
    several = frame["recorder"].n_unique() > 1
    most = STANDS_OUT * float(np.median(frame["relative_sd"]))
    quarantined.table(
        "captures-4",
        {
            **({message("captures.recorder"): frame["recorder"].to_list()} if several else {}),
            message("captures.serial"): [s or "" for s in frame["recorder_serial"]],
            message("captures.visits"): [str(n) for n in frame["visits"]],
            message("captures.repeats"): [str(n) for n in frame["repeats"]],
            message("captures.spread"): [_spread(s, most) for s in frame["relative_sd"]],
        },
        width="content",
    )
    note = message("captures.repeatability_note", most=_per_cent(most), times=text.number(STANDS_OUT, 1))
    parts.quiet(meant.mentioned(note, ["main_peak_reference_g_s"]))


def _spread(relative_sd: float, most: float) -> str:
    shown = _per_cent(relative_sd)
    return f"▲ {shown}, {message('captures.stands_out')}" if relative_sd > most else shown


def _per_cent(share: float) -> str:
    return f"{text.number(100 * share, 2)}\N{NARROW NO-BREAK SPACE}%"


def _list(published: Published, only: CaptureFilter) -> None:
    """Visit by visit: van, depot, time and recorder, how its captures are graded and why; their files folded below."""
    count = capture_queries.visit_count(published, only)
    if not count:
        st.info(message("captures.none"))
        return
    pages = -(-count // VISITS_A_PAGE)
    page = 1
    if pages > 1:
        page = int(st.number_input(message("common.page_of", pages=pages), 1, pages, 1, key="captures-page", width=160))
    frame = capture_queries.captures(published, only, limit=VISITS_A_PAGE, offset=(page - 1) * VISITS_A_PAGE)
    rows = frame.to_dicts()
    visits = [list(of_visit) for _, of_visit in itertools.groupby(rows, _visit_of)]
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.visit"): [_visit(visit[0]) for visit in visits],
                message("captures.of_visit"): [_graded(visit) for visit in visits],
            }
        ),
        "captures-6",
    )
    with st.expander(message("captures.files")):
        quarantined.table(
            "captures-7",
            {
                message("common.van"): [row["van_id"] for row in rows],
                message("captures.of_visit"): [_of_snap(row) for row in rows],
                message("captures.file"): [f"{row['delivery']}, {row['file']}" for row in rows],
            },
        )
    parts.download(lambda: frame, "captures.csv", "download-captures")


def _visit_of(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["van_id"], row["visit"]


def _visit(row: Mapping[str, Any]) -> str:
    """Van, depot, when its first capture was recorded, and by which recorder."""
    at = text.moment(row["captured_at"]).replace(" ", "\N{NO-BREAK SPACE}")
    where = [row["depot"], *([row["recorder_serial"]] if row["recorder_serial"] else [])]
    return f"**{inert(row['van_id'])}** {inert(', '.join(where))} :gray[{at}]"


def _graded(visit: Sequence[Mapping[str, Any]]) -> str:
    """Grades of a visit's captures and why: what sends some back first, then each other reason once."""
    grades = Counter(row["shown_grade"] for row in visit)
    again = [row for row in visit if row["shown_grade"] == "repeat"]
    sends = Counter(code for row in again for code in row["grade_reasons"] if code in REPEAT_REASONS)
    marks = Counter(
        code for row in visit for code in row["grade_reasons"] if row not in again or code not in REPEAT_REASONS
    )
    if len(again) == len(visit):
        return _piece({"repeat": len(again)}, sends + marks, len(visit))
    kept = _piece({word: grades[word] for word in grades if word != "repeat"}, marks, len(visit))
    return f"{_piece({'repeat': len(again)}, sends, len(again))} · {kept}" if again else kept


def _piece(grades: Mapping[str, int], reasons: Mapping[str, int], whole: int) -> str:
    """Grades with their counts and why, each reason with how many it holds for where that is not all of them: every one that sends
    back, then the most frequent."""
    told = ", ".join(f"{text.grade(word)} ({grades[word]})" for word in text.GRADE_SYMBOLS if word in grades)
    ranked = sorted(reasons.items(), key=lambda one: (one[0] not in REPEAT_REASONS, -one[1]))
    most = max(REASONS_OF_VISIT, sum(code in REPEAT_REASONS for code in reasons))
    why = [
        text.grade_reason(code) + ("" if found == whole else f" ({message('common.of', part=found, whole=whole)})")
        for code, found in ranked[:most]
    ]
    if len(ranked) > most:
        why.append(message("captures.why_else", count=len(ranked) - most))
    return inert(told) + (f": :gray[{inert('; '.join(why))}]" if why else "")


def _of_snap(row: Mapping[str, Any]) -> str:
    """Grade of one snap, and every reason."""
    why = "; ".join(text.grade_reason(code) for code in row["grade_reasons"])
    return text.grade(row["shown_grade"]) + (f": {why}" if why else "")


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
