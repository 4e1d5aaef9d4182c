"""Links from a name to what it means, and the way back from there: the only place that makes either.

A name is a quantity's, a cause's, or the plain words of a quantity's verdict. In a sentence the names its facts are about become
links where they stand; what a link leads to also says where the reader came from, so that *What it means* can lead back.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

import streamlit as st

from dashboards import text
from dashboards.display import language, units
from dashboards.text import inert
from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import RENDERED_FROM, joined, render
from data_contracts.facts.vocabulary import FACTS
from data_contracts.features import FEATURES
from data_contracts.signals import BANK2_PREFIX, QUANTITIES, words_for

VIEW = "meaning"
BACK = "back"
"""Key of an address that says where its reader came from."""
_LONGEST_BACK = 400
_HERE = "vansnap_view"


def remember_view(name: str) -> None:
    """Keep which view is shown, so that its links can say where the reader came from."""
    st.session_state[_HERE] = name


def came_from() -> tuple[str, dict[str, list[str]]] | None:
    """View and query of the address that led to this page; None where it names none."""
    name, _, query = st.query_params.get(BACK, "").partition("?")
    told: dict[str, list[str]] = {}
    for key, value in parse_qsl(query):
        told.setdefault(key, []).append(value)
    return (name, told) if name else None


def address(page: str) -> str:
    """Address of a page of *What it means*, with the way back.

    Parameters
    ----------
    page : str
        Such as causes/lambda_slow.
    """
    here = st.session_state.get(_HERE)
    if here is None:
        return f"{VIEW}?page={page}"
    if here == VIEW:  # from page to page, the way back stays the same
        back = st.query_params.get(BACK, "")
    else:
        query = urlencode([(key, value) for key in st.query_params for value in st.query_params.get_all(key)])
        back = f"{here}?{query}" if query and len(query) <= _LONGEST_BACK else here
    return f"{VIEW}?page={page}" + (f"&{BACK}={quote(back, safe='')}" if back else "")


def page_of(name: str) -> str | None:
    """Page of a quantity or a cause; None for what has none. What is of the second bank is told with the first."""
    if name in EVERY_CAUSE:
        return f"causes/{name}"
    own = name.removeprefix(BANK2_PREFIX)
    return f"quantities/{own}" if own in QUANTITIES else None


def link(name: str, label: str) -> str:
    """Markdown of a name that leads to what it means; plain words where it has no page.

    Parameters
    ----------
    name : str
        Of a quantity or a cause.
    label : str
        As it is shown.
    """
    page = page_of(name)
    return inert(label) if page is None else f"[{inert(label)}]({address(page)})"


def quantity(name: str) -> str:
    """Title of a quantity, leading to what it means."""
    return link(name, text.quantity(name))


def cause(code: str, *, first: bool = False) -> str:
    """Title of a cause, leading to what it means; plain words for what is no cause.

    Parameters
    ----------
    code : str
        A cause, or one of the words beside them.
    first : bool
        It begins a line.
    """
    title = text.cause(code)
    return link(code, text.sentence(title) if first else title)


def fact(told: Fact) -> str:
    """Sentence of a fact, with the names it is about leading to what they mean."""
    return named(text.plain_minus(render(told, language(), units())), [told])


def sentences(row: Mapping[str, Any], column: str) -> list[str]:
    """What a row says in a column of sentences, each with its names linked; inert where no facts are stored."""
    facts = row.get(RENDERED_FROM[column])
    if facts and all(one["code"] in FACTS for one in facts):
        return [fact(Fact.from_row(one)) for one in facts]
    return [inert(told) for told in text.sentences_of(row, column)]


def sentence(row: Mapping[str, Any], column: str) -> str:
    """The same as one text."""
    facts = row.get(RENDERED_FROM[column])
    if facts and all(one["code"] in FACTS for one in facts):
        return joined(sentences(row, column), column)
    return inert(text.sentence_of(row, column))


def named(words: str, facts: Iterable[Fact]) -> str:
    """Words in which the names that facts are about lead to what they mean, each where it stands first.

    Parameters
    ----------
    words : str
        Plain text.
    facts : iterable of Fact

    Returns
    -------
    str
        Markdown; everything but the links is inert.
    """
    targets: dict[str, str] = {}
    for told in facts:
        for name in (told.quantity or "", *told.words.values()):
            for title, page in _titles(name).items():
                targets.setdefault(title.lower(), page)
    return _linked(words, targets)


def mentioned(words: str, quantities: Sequence[str]) -> str:
    """Our own words in which the names of some quantities lead to what they mean."""
    return _linked(words, {words_for(name, language()).lower(): page_of(name) or "" for name in quantities})


def _titles(name: str) -> dict[str, str]:
    """What a name of a fact is called in this reader's language, and the page of each."""
    page = page_of(name)
    if name in EVERY_CAUSE:
        return {text.cause(name): page or ""}
    if name in QUANTITIES:
        titles = [words_for(name, language())]
        plainly = QUANTITIES[name].plainly
        if plainly is not None:
            titles += [words.in_language(language()) for words in (plainly.high, plainly.low)]
        return dict.fromkeys(titles, page or "")
    if name in FEATURES:
        return {FEATURES[name].words.in_language(language()): page_of(FEATURES[name].quantity) or ""}
    return {}


def _linked(words: str, targets: Mapping[str, str]) -> str:
    if not targets:
        return inert(words)
    longest_first = sorted(targets, key=len, reverse=True)
    pieces = re.split(rf"(?<!\w)({'|'.join(map(re.escape, longest_first))})(?!\w)", words, flags=re.IGNORECASE)
    shown, seen = [], set()
    for number, piece in enumerate(pieces):
        page = targets.get(piece.lower(), "") if number % 2 else ""
        if page and page not in seen:
            shown.append(f"[{inert(piece)}]({address(page)})")
            seen.add(page)
        elif piece:
            shown.append(_inert_piece(piece))
    return "".join(shown)


def _inert_piece(piece: str) -> str:
    """As `inert`, with the spaces at its ends kept."""
    left, right = piece[: len(piece) - len(piece.lstrip())], piece[len(piece.rstrip()) :]
    return (" " if left else "") + inert(piece) + (" " if right and piece.strip() else "")
