"""Everything that was read of a visit, for who wants to know: what was held against something, snap by snap, value by value."""

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from dashboards import parts
from dashboards.a_van import reading_table
from dashboards.conditions import measured
from dashboards.text import inert, message
from dashboards.van_now import held_table, is_snap, reading_frame, snap_lines


def show(document: Mapping[str, Any]) -> None:
    """Every quantity that was held against something, then everything that was read, for who wants to know."""
    held_table(document["against"], document["captures"])
    snap_lines(document["captures"])
    with st.expander(message("read.values"), icon=":material/table_rows:"):
        _values(document["captures"], document["against"])
        if told := _of_file(document):
            st.caption(message("read.of_file", conditions=told))


def _values(captures: Sequence[Mapping[str, Any]], against: Mapping[str, Any]) -> None:
    """Every value of the snap that stands for the visit; of each where none does."""
    chosen = against["representative"]
    shown = [capture for capture in captures if chosen and is_snap(capture, chosen)]
    for capture in shown or captures:
        if len(captures) > 1:
            st.subheader(_named(capture))
        parts.light_table(reading_table(reading_frame(capture, against.get("repeats") or {})))
        if capture["unread"]:
            parts.quiet(message("van.unread_hidden"))
            parts.light_table(parts.unread_table(capture["unread"]))


def _named(capture: Mapping[str, Any]) -> str:
    said = message("read.snap", number=capture["snap"])
    return f"{inert(capture['file'])}, {said}" if "file" in capture else said


def _of_file(document: Mapping[str, Any]) -> str:
    """Conditions that the files themselves hold; of several files the first that says something."""
    said = document.get("conditions_of_file", {})
    first = next(iter(said.values()), None)
    return ", ".join(measured(first if isinstance(first, dict) else said))
