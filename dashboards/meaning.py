"""What the words mean: the page of each quantity and cause, as the contracts make it."""

import functools
import re
from collections.abc import Mapping

import streamlit as st

from dashboards import parts, text
from dashboards.text import message
from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import pages
from data_contracts.signals import BANK2_PREFIX, QUANTITIES

_made = functools.cache(pages)


def titles() -> Mapping[str, str]:
    """Address of every page to its title, quantities first."""
    quantities = {f"quantities/{name}": text.quantity(name) for name in QUANTITIES if not name.startswith(BANK2_PREFIX)}
    return quantities | {
        f"causes/{code}": text.sentence(text.contract(cause.title)) for code, cause in EVERY_CAUSE.items()
    }


def body(page: str) -> str:
    """Markdown of a page without its heading, links leading to other pages of this view."""
    made = _made()[f"{page}.md"]
    made = re.sub(r"<!--.*?-->\s*", "", made)
    made = re.sub(r"\A# .*\n+", "", made)
    return re.sub(r"\]\((?:\.\./)?((?:quantities|causes)/\w+)\.md\)", r"](?page=\1)", made)


@parts.explained
def show() -> None:
    """The view. It needs no published file."""
    st.title(message("meaning.heading"))
    st.markdown(message("meaning.lead"))
    known = titles()
    parts.keep_in_address("page", list(known), next(iter(known)))
    page = st.selectbox(message("meaning.choose"), list(known), format_func=lambda p: known[p], key="page")
    st.header(known[page])
    if page.startswith("quantities/"):
        name = page.removeprefix("quantities/")
        parts.quiet(message("meaning.column", column=text.inert(name)))
    st.markdown(body(page))
