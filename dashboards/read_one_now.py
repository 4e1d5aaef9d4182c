"""Read one now: one recording in, accept or repeat and its annotated plot out. Nothing is stored."""

import streamlit as st

from dashboards import parts
from dashboards.text import say


def show() -> None:
    """The view."""
    st.title(say("read.heading"))
    st.markdown(say("read.lead"))
    parts.home()
