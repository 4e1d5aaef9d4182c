"""What the words mean: the page of each quantity and cause, as the contracts make it."""

import re
from collections.abc import Mapping
from typing import get_args

import streamlit as st

from dashboards import markup, meaning_cause, meaning_quantity, meant, parts, text, told_by, verdict
from dashboards import meaning_pictures as pictures
from dashboards.drawing import Drawing
from dashboards.text import message
from data_contracts.causes import EVERY_CAUSE
from data_contracts.quantities.record import Group
from data_contracts.signals import BANK2_PREFIX, QUANTITIES


def titles() -> Mapping[str, str]:
    """Address of every page to its title, quantities first."""
    quantities = {f"quantities/{name}": text.quantity(name) for name in QUANTITIES if not name.startswith(BANK2_PREFIX)}
    return quantities | {
        f"causes/{code}": text.sentence(text.contract(cause.title)) for code, cause in EVERY_CAUSE.items()
    }


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
    known = titles()
    parts.keep_in_address("page", [OVERVIEW, *known], OVERVIEW)
    page = st.session_state["page"]
    sought = st.text_input(
        message("meaning.find"),
        placeholder=message("meaning.find_example"),
        key="find-word",
        icon=":material/search:",
        width=420,
    )
    _way_back()
    if sought.strip():
        _found(sought, known)
    elif page == OVERVIEW:
        _overview(known)
    else:
        _page(page, known[page])


def _found(sought: str, known: Mapping[str, str]) -> None:
    """Every page that all words of the search are in: title, half a line about it, name of its column."""
    wanted = sought.casefold().split()
    told = {page: f"{title} {_about(page)} {page}".casefold() for page, title in known.items()}
    hits = [page for page, words in told.items() if all(word in words for word in wanted)]
    hits.sort(key=lambda page: not any(word in known[page].casefold() for word in wanted))
    if not hits:
        st.info(message("meaning.found_none"))
    st.markdown("\n".join(f"- {_line(page)}" for page in hits))


def _line(page: str) -> str:
    """A page's title, leading there, and half a line about it."""
    name, about = page.partition("/")[2], _about(page)
    title = meant.cause(name, first=True) if name in EVERY_CAUSE else meant.quantity(name)
    return f"{title}: :gray[{text.inert(about)}]" if about else title


def _about(page: str) -> str:
    """Half a line about a quantity or a cause, as the contracts have it."""
    kind, _, name = page.partition("/")
    return " ".join(told_by.lines(name)) if kind == "causes" else _half(text.contract(QUANTITIES[name].description))


def _half(description: str) -> str:
    """A description up to its first break, where that says enough."""
    first = re.split(r": |; | [(]", description)[0]
    return first if len(first) >= _ENOUGH else description


_ENOUGH = 20  # letters of a description that say something


def _page(page: str, title: str) -> None:
    """One quantity, or one cause."""
    with st.container(key="to-overview", width="content"):
        parts.link("meaning", message("meaning.overview"))
    st.header(title)
    kind, _, name = page.partition("/")
    if kind == "quantities":
        meaning_quantity.show(name)
    else:
        meaning_cause.show(name, title)


def _overview(known: Mapping[str, str]) -> None:
    """Every landmark on a healthy snap, every cause beside it, and every quantity, each leading to its page."""
    of = pictures.traces()
    if of is not None:
        st.header(message("meaning.landmarks"))
        wide, narrow = (pictures.landmarks(of, parts.palette(), narrow=narrow) for narrow in (False, True))
        markup.picture(wide, narrow)
    st.header(message("meaning.causes"))
    if of is not None:
        parts.quiet(message("meaning.beside"))
    for trace, codes in pictures.alike(of).items():
        st.subheader(message(f"meaning.seen_{trace}"))
        markup.gallery([_beside(code, known[f"causes/{code}"], trace, of) for code in codes])
    st.header(message("meaning.quantities"))
    for group in get_args(Group):
        mine = [q.name for q in QUANTITIES.values() if q.group == group and f"quantities/{q.name}" in known]
        with st.expander(f"{message(f'group.{group}')} ({len(mine)})", key=f"names-{group}"):
            st.markdown("\n".join(f"- {_line(f'quantities/{name}')}" for name in mine))
    st.header(message("verdict.heading"))
    st.markdown(verdict.scale())


def _beside(
    code: str, title: str, trace: str, of: pictures.Traces | None
) -> tuple[str, str, list[str], Drawing | None]:
    """A cause's title, its address, what tells it and the picture; words alone where the eye sees nothing."""
    drawn = (
        pictures.beside_healthy(code, trace, of, parts.palette(), title, small=True)
        if of is not None and trace in pictures.TRACES
        else None
    )
    return title, meant.address(f"causes/{code}"), told_by.in_short(code), drawn
