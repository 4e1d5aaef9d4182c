"""What the words mean: the page of each quantity and cause, as the contracts make it."""

import functools
import re
from collections.abc import Mapping
from typing import get_args

import streamlit as st

from dashboards import markup, meant, parts, text, verdict
from dashboards import meaning_pictures as pictures
from dashboards.display import language
from dashboards.drawing import Drawing
from dashboards.text import message
from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import pages
from data_contracts.quantities.record import Group
from data_contracts.signals import BANK2_PREFIX, QUANTITIES

_made = functools.cache(pages)


def titles() -> Mapping[str, str]:
    """Address of every page to its title, quantities first."""
    quantities = {f"quantities/{name}": text.quantity(name) for name in QUANTITIES if not name.startswith(BANK2_PREFIX)}
    return quantities | {
        f"causes/{code}": text.sentence(text.contract(cause.title)) for code, cause in EVERY_CAUSE.items()
    }


def body(page: str) -> str:
    """Markdown of a page in the reader's language without its heading, links leading to other pages of this view, by their titles."""
    made = _made(language())[f"{page}.md"]
    made = re.sub(r"<!--.*?-->\s*", "", made)
    made = re.sub(r"\A# .*\n+", "", made)
    return re.sub(r"\[[^\]]*\]\((?:\.\./)?(?:quantities/|causes/)?(\w+)\.md\)", lambda found: _titled(found[1]), made)


def _titled(name: str) -> str:
    return meant.cause(name) if name in EVERY_CAUSE else meant.quantity(name)


def _way_back() -> None:
    """Where the reader came from, and the overview of all pages."""
    came = meant.came_from()
    if came is not None and came[0] != meant.VIEW and (title := parts.title_of(came[0])) is not None:
        place = came[1]["van"][0] if came[1].get("van") else f"“{title}”"
        with st.container(key="way-back", width="content"):
            parts.link(came[0], message("meaning.back", place=text.inert(place)), **came[1])


OVERVIEW = "overview"


@parts.explained
def show() -> None:
    """The view. It needs no published file."""
    st.title(message("meaning.heading"))
    st.markdown(message("meaning.lead"))
    known = {OVERVIEW: message("meaning.overview")} | dict(titles())
    parts.keep_in_address("page", list(known), OVERVIEW)
    page = st.selectbox(message("meaning.choose"), list(known), format_func=lambda p: known[p], key="page")
    _way_back()
    if page == OVERVIEW:
        _overview(known)
        return
    st.header(known[page])
    if page.startswith("quantities/"):
        name = page.removeprefix("quantities/")
        parts.quiet(message("meaning.column", column=text.inert(name)))
    else:
        _picture(page.removeprefix("causes/"), known[page])
    st.markdown(body(page))


def _overview(known: Mapping[str, str]) -> None:
    """Every landmark on a healthy snap, and every cause beside it, each leading to its page."""
    of = pictures.traces()
    if of is not None:
        st.header(message("meaning.landmarks"))
        wide, narrow = (pictures.landmarks(of, parts.palette(), narrow=narrow) for narrow in (False, True))
        markup.picture(wide, narrow)
    st.header(message("meaning.quantities"))
    for group in get_args(Group):
        mine = [q.name for q in QUANTITIES.values() if q.group == group and f"quantities/{q.name}" in known]
        with st.container(key=f"names-{group}", gap=None):
            st.markdown(f"**{message(f'group.{group}')}**")
            st.markdown("\n".join(f"- {meant.quantity(name)}" for name in mine))
    st.header(message("meaning.causes"))
    if of is not None:
        parts.quiet(message("meaning.beside", severity=text.number(of.severity, 1)))
    markup.gallery([_beside(code, known[f"causes/{code}"], of) for code in EVERY_CAUSE])
    st.header(message("verdict.heading"))
    st.markdown(verdict.scale())


def _beside(code: str, title: str, of: pictures.Traces | None) -> tuple[str, str, str, Drawing | None]:
    """A cause's title, its address, what its picture shows and the picture; words alone where the eye sees nothing."""
    names = [] if of is None else pictures.shown_by(code, of)
    address = meant.address(f"causes/{code}")
    if of is None or not names:
        return title, address, message("meaning.not_by_eye"), None
    drawn = pictures.beside_healthy(code, names[0], of, parts.palette(), title, small=True)
    return title, address, pictures.axis(names[0]), drawn


def _picture(code: str, title: str) -> None:
    """A cause's traces over the healthy ones, where the eye sees a difference."""
    of = pictures.traces()
    names = [] if of is None else pictures.shown_by(code, of)
    if of is None or not names:
        parts.quiet(message("meaning.not_by_eye"))
        return
    for name in names:
        parts.quiet(pictures.axis(name))
        markup.picture(pictures.beside_healthy(code, name, of, parts.palette(), title, small=False))
    parts.quiet(f"{message('meaning.beside', severity=text.number(of.severity, 1))} {message('meaning.moments')}")
