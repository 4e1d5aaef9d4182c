"""Sections of *This week* below its list: who left it and why, who was not seen, the fleet over the weeks, vans side by side."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
import streamlit as st

from dashboards import markup, meant, parts, text
from dashboards.text import inert, message
from dashboards.trend_picture import trend_picture
from data_contracts.signals import TRACKED
from pipelines.read_side import fleet_queries, queries
from pipelines.read_side import van_card as reads
from pipelines.read_side.published import Published

MOST_BESIDE = 4
UNSEEN_SHOWN = 200


def left(published: Published, week: str) -> None:
    """Vans that are no longer on the list, each with why, leading to its page."""
    frame = fleet_queries.left_the_list(published, week)
    if not frame.height:
        return
    with st.expander(message("week.left", count=frame.height)):
        for row in frame.iter_rows(named=True):
            with st.container(horizontal=True, vertical_alignment="center", gap="small"):
                parts.link("a_van", inert(row["van_id"]), van=str(row["van_id"]), week=week)
                st.markdown(_why_left(row), width="content")


def _why_left(row: Mapping[str, Any]) -> str:
    why = message(
        f"week.left_{fleet_queries.why_left(row)}",
        day=text.day(row["repaired_on"]),
        work=meant.cause(str(row["work"])) if row["work"] else "",
        last=row["last_seen"] or message("tests.never"),
    )
    was = message(
        "week.left_was",
        rank=row["rank"],
        urgency=text.urgency(row["urgency"]),
        cause=meant.cause(row["leading_cause"]),
    )
    return f"{why} {was}"


@st.fragment
def unseen(published: Published, week: str, depots: Sequence[str]) -> None:
    """Vans of some depots that nobody recorded this week, longest unseen first; no depot is all."""
    count = fleet_queries.not_seen_count(published, week, depots)
    if not count:
        return
    with parts.fold("week.unseen", "fold-unseen", count=count) as opened:
        if not opened:
            return
        frame = fleet_queries.not_seen(published, week, depots, limit=UNSEEN_SHOWN)
        parts.quiet(message("week.unseen_note"))
        if count > frame.height:
            parts.quiet(message("week.unseen_first", count=frame.height))
        parts.sheet(
            pl.DataFrame(
                {
                    message("common.van"): [van_link(van_id, week) for van_id in frame["van_id"]],
                    message("common.depot"): [inert(name) for name in frame["depot"]],
                    message("common.family"): [inert(name) for name in frame["family"]],
                    message("week.last_seen"): [
                        message("tests.never") if day is None else text.day(day) for day in frame["last_day"]
                    ],
                }
            ),
            "unseen",
            width="content",
        )
        parts.download(
            lambda: fleet_queries.not_seen(published, week, depots), f"not-seen-{week}.csv", "download-unseen"
        )


def van_link(van_id: str, week: str) -> str:
    """A van's name in a table, leading to its page; only a plain name is a link."""
    plain = all(c.isascii() and (c.isalnum() or c in "-_") for c in van_id)
    return f"[{inert(van_id)}](van?van={van_id}&week={week})" if plain else inert(van_id)


@st.fragment
def over_time(published: Published, week: str) -> None:
    """The fleet over the weeks: seen, listed, new, closed, nothing found, hours."""
    with parts.fold("week.over_time", "fold-over-time") as opened:
        if not opened:
            return
        frame = fleet_queries.fleet_by_week(published, week)
        if not frame.height:
            parts.quiet(message("week.never_seen", week=week))
            return
        none = message("number.none")
        columns = {message("common.week"): frame["week"].to_list()}
        for name in ("seen", "listed", "new", "closed", "false"):
            columns[message(f"over.{name}")] = [none if n is None else text.count(n) for n in frame[name]]
        columns[message("over.hours")] = [text.number(hours, 2) for hours in frame["hours"]]
        parts.sheet(pl.DataFrame(columns), "over-time", width="content")
        parts.quiet(message("over.note"))
        parts.download(lambda: frame, f"fleet-{week}.csv", "download-fleet")


@st.fragment
def beside(published: Published, week: str, listed: Sequence[str]) -> None:
    """Up to four vans side by side in one quantity, on one scale."""
    with parts.fold("week.beside", "fold-beside", expanded="beside" in st.query_params) as opened:
        if opened:
            _beside(published, week, listed)


def _beside(published: Published, week: str, listed: Sequence[str]) -> None:
    known = [*dict.fromkeys([*listed, *queries.find_vans(published)])]
    parts.keep_several_in_address("beside", known)
    chosen = st.multiselect(
        message("beside.vans"),
        known,
        key="beside",
        max_selections=MOST_BESIDE,
        placeholder=message("beside.choose"),
    )
    if not chosen:
        return
    rows = [row for van_id in chosen if (row := queries.van_on_list(published, van_id, week)) is not None]
    told = reads.in_short_of(published, rows, week)
    first = next((fact.quantity for fact in told.values() if fact.quantity in TRACKED), TRACKED[0])
    parts.keep_in_address("of", TRACKED, str(first))
    quantity = st.selectbox(message("beside.quantity"), TRACKED, format_func=text.quantity_with_unit, key="of")
    trends = {van: reads.quantity_trend(published, van, str(quantity), week) for van in chosen}
    reach = _reach([row for one in trends.values() for row in one])
    for van_id, column in zip(chosen, st.columns(len(chosen), gap="medium"), strict=True):
        with column:
            parts.link("a_van", inert(van_id), van=van_id, week=week)
            van, on_list = queries.van(published, van_id), next((r for r in rows if r["van_id"] == van_id), None)
            parts.quiet(
                "" if van is None else message("van.facts", family=inert(van["family"]), depot=inert(van["depot"]))
            )
            if on_list is not None:
                parts.badge_urgency(str(on_list["urgency"]))
            fact = told.get(van_id)
            st.markdown(message("beside.not_listed") if fact is None else meant.fact(fact))
            drawn = None
            if trends[van_id]:
                drawn = trend_picture(trends[van_id], parts.palette(), size="narrow", reach=reach, of=van_id)
            if drawn is None:
                parts.quiet(message("beside.no_reading"))
            else:
                markup.picture(drawn)


def _reach(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float] | None:
    """Lowest and highest value of all vans, so that they are drawn on one scale. [unit of the quantity]"""
    values = [value for row in rows for value in (row["value"], row["baseline"]) if isinstance(value, float)]
    finite = [value for value in values if np.isfinite(value)]
    return (min(finite), max(finite)) if finite else None
