"""What waits in quarantine and why, in plain words, and how to mend it: a part of *Captures*."""

import re
from typing import Literal

import polars as pl
import streamlit as st

from dashboards import mend, parts, text
from dashboards.text import inert, message
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.states import ITEM_STATES
from pipelines.read_side import capture_queries
from pipelines.read_side.published import Published

VANS_NAMED = 5
PLAINLY = ("path_leaves_delivery", "bad_value")
"""Rules told in other words than those of whoever makes deliveries."""


def show(published: Published) -> None:
    """What waits, or was taken in or discarded, rule by rule; what waits can be mended."""
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
    items = capture_queries.quarantine(published, state=state or "waiting")
    rules = counts["rule"].to_list()
    parts.sheet(
        pl.DataFrame(
            {
                message("captures.rule"): [_waits(rule, items) for rule in rules],
                message("captures.items"): [text.count(n) for n in counts["items"]],
                **(
                    {}
                    if counts["items"].equals(counts["rows"])
                    else {message("captures.rows"): [text.count(n) for n in counts["rows"]]}
                ),
            }
        ),
        "captures-1",
        width="content",
    )
    if (state or "waiting") == "waiting":
        mend.chooser(published, items)
    with st.expander(message("captures.each")):
        table(
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


def _waits(rule: str, items: pl.DataFrame) -> str:
    """What is wrong with the items of a rule, in plain words where there are any, and what to do."""
    if rule == "unknown_van":
        reasons = items.filter(pl.col("rule") == rule)["reason"]
        vans = sorted({van for reason in reasons for van in re.findall(r"(?<!\w)'([^']+)'(?!\w)", reason)[:1]})
        named = [*vans[:VANS_NAMED], *(["…"] if len(vans) > VANS_NAMED else [])]
        if vans:
            return message("captures.unknown_van", count=len(vans), vans=inert(", ".join(named)))
    return message(f"captures.{rule}") if rule in PLAINLY else told(QUARANTINE_RULES, rule)


def table(name: str, columns: dict[str, list[str]], *, width: Literal["stretch", "content"] = "stretch") -> None:
    """A table of texts."""
    frame = pl.DataFrame({head: [inert(cell) for cell in cells] for head, cells in columns.items()})
    parts.sheet(frame, name, width=width)


def told(page: dict, code: str) -> str:  # type: ignore[type-arg]
    """What is wrong and, in grey, what to do: one cell, so that it finds room on a phone."""
    said, remedy = inert(_sentence(page, code)), inert(text.sentence(_remedy(page, code)))
    return f"{said}. :gray[{remedy}.]" if remedy else f"{said}."


def _sentence(page: dict, code: str) -> str:  # type: ignore[type-arg]
    return text.sentence(text.contract(page[code].sentence) if code in page else code)


def _remedy(page: dict, code: str) -> str:  # type: ignore[type-arg]
    return text.contract(page[code].remedy) if code in page else ""
