"""The bar on top of every view: the views, the week looked at, who is looking and in which language."""

from collections.abc import Mapping
from contextlib import nullcontext
from contextvars import ContextVar

import streamlit as st
from streamlit.delta_generator import DeltaGenerator
from streamlit.navigation.page import StreamlitPage

from dashboards import who

_WEEK: ContextVar[DeltaGenerator | None] = ContextVar("week", default=None)
_WITH_A_WEEK = ("this_week", "a_van")


def draw(pages: Mapping[str, StreamlitPage], shown: str) -> None:
    """Draw it; a view puts its choice of week there with `week_place`.

    Parameters
    ----------
    pages : mapping of str to StreamlitPage
        Views, in order.
    shown : str
        The one that is shown: the name of the menu, which stands in place of the row where that finds no room (`board.css`).
    """
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="bar"):
        with st.container(horizontal=True, vertical_alignment="center", gap=None, key="bar-views"):
            _links(pages, shown)
        with (
            st.container(width="content", key="bar-menu"),
            st.popover(pages[shown].title, icon=":material/menu:", key=f"menu-of-{shown}"),
        ):  # a menu of its own in each view, so that a choice closes it; the view that is shown is none
            _links({name: page for name, page in pages.items() if name != shown}, shown)
        with st.container(horizontal=True, vertical_alignment="center", gap="small", width="content", key="bar-reader"):
            _WEEK.set(st.container(width="content"))
            who.controls()


def _links(pages: Mapping[str, StreamlitPage], shown: str) -> None:
    """Links to views; that of the view that is shown stands in a box of its own, for the toolkit does not mark it."""
    week = st.query_params.get("week")
    for name, page in pages.items():
        kept = {"week": week} if week and name in _WITH_A_WEEK else None
        with st.container(width="content", key="bar-shown") if name == shown else nullcontext():
            st.page_link(page, label=page.title, query_params=kept, width="stretch")


def week_place() -> DeltaGenerator:
    """Where a view's choice of week stands: in the bar, or in the view itself where it is shown alone."""
    return _WEEK.get() or st.container()
