"""The board: navigation only. `vansnap board` starts it."""

from pathlib import Path

import streamlit as st

from dashboards import (
    a_van,
    bar,
    captures,
    display,
    how_sure,
    markup,
    meaning,
    meant,
    parts,
    proof,
    read_one_now,
    this_week,
    way_back,
    who,
    workshop,
)
from dashboards.text import message

MARK = Path(__file__).with_name("mark.svg")
STYLE = Path(__file__).with_name("board.css")
# Text on the accent colour takes the paper's colour; Streamlit assumes white in both themes.
OF_THE_THEME = (
    "<style>:root {{ --vansnap-line: {line}; --vansnap-choose: '{choose}'; }}"
    "[data-testid=stBaseButton-primary]:not(:disabled) *, [data-tag] {{ color: {paper} !important; }}</style>"
)


def main() -> None:
    """Set up the page, name the views, and show the one asked for."""
    display.start(who.home())
    st.set_page_config(page_title=message("app.title"), page_icon=str(MARK), layout="wide")
    st.html(STYLE)
    shades, choose = parts.palette(), message("common.choose_file")
    st.html(OF_THE_THEME.format(paper=shades.paper, line=shades.line, choose=choose))
    who.let_in()
    pages = {
        "this_week": st.Page(this_week.show, title=message("page.this_week"), default=True),
        "a_van": st.Page(a_van.show, title=message("page.a_van"), url_path="van"),
        "workshop": st.Page(workshop.show, title=message("page.workshop"), url_path="workshop"),
        "captures": st.Page(captures.show, title=message("page.captures"), url_path="captures"),
        "read_one_now": st.Page(read_one_now.show, title=message("page.read_one_now"), url_path="read"),
        "proof": st.Page(proof.show, title=message("page.proof"), url_path="proof"),
        "how_sure": st.Page(how_sure.show, title=message("page.how_sure"), url_path="how-sure"),
        "meaning": st.Page(meaning.show, title=message("page.meaning"), url_path="meaning"),
    }
    parts.remember_pages(pages)
    shown = st.navigation(list(pages.values()), position="hidden")
    view = next(name for name, page in pages.items() if page.url_path == shown.url_path)
    meant.remember_view(view)
    if who.login_required():
        way_back.resume(pages)
    bar.draw(pages, view)
    markup.name_drop_zones()
    shown.run()


# Streamlit runs this file as the main module. A process that the board starts, as for decoding a file from outside,
# loads it again under another name, and must not show the board there.
if __name__ == "__main__":
    main()
