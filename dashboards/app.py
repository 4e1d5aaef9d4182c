"""The board: navigation only. `vansnap board` starts it."""

from pathlib import Path

import streamlit as st

from dashboards import a_van, captures, parts, read_one_now, this_week, who, workshop
from dashboards.text import say

MARK = Path(__file__).with_name("mark.svg")
STYLE = Path(__file__).with_name("board.css")


def main() -> None:
    """Set up the page, name the views, and show the one asked for."""
    st.set_page_config(page_title=say("app.title"), page_icon=str(MARK), layout="wide")
    st.html(STYLE)
    who.let_in()
    pages = {
        "this_week": st.Page(this_week.show, title=say("page.this_week"), default=True),
        "a_van": st.Page(a_van.show, title=say("page.a_van"), url_path="van"),
        "workshop": st.Page(workshop.show, title=say("page.workshop"), url_path="workshop"),
        "captures": st.Page(captures.show, title=say("page.captures"), url_path="captures"),
        "read_one_now": st.Page(read_one_now.show, title=say("page.read_one_now"), url_path="read"),
    }
    parts.remember_pages(pages)
    st.navigation(list(pages.values()), position="top").run()


main()
