"""The page of a cause in *What it means*: what tells it, what to mind before the work, the work; the rest folded."""

import streamlit as st

from dashboards import markup, order_card, parts, text, told_by
from dashboards import meaning_pictures as pictures
from dashboards.display import language
from dashboards.meaning_sections import METHOD, folded, folded_method, sections
from dashboards.text import message
from data_contracts.cautions import cautions_for
from data_contracts.page_language import PageLanguage

_OPEN = ("Hard to tell from", "The job", "Tests that find it")
"""Sections that are open at once, by their English headings, in this order."""


def show(code: str, title: str) -> None:
    """The page below its heading.

    Parameters
    ----------
    code : str
        Cause.
    title : str
        Its title.
    """
    st.markdown("  \n".join(text.inert(line) for line in told_by.lines(code)))
    _picture(code, title)
    told = sections(f"causes/{code}")
    for key in _OPEN:
        if key not in told:
            continue
        heading, words = told[key]
        st.markdown(f"## {heading}")
        if key == "The job":  # work is asked for: the cautions go before it
            order_card.cautions(code, None)
        st.markdown(words)
    for key, (heading, words) in told.items():
        if key not in ("", "Cautions", *_OPEN, *METHOD):
            folded(heading, words)
    say = PageLanguage(language()).say
    sources = " · ".join(dict.fromkeys(say(caution.source) for caution in cautions_for(code)))
    folded_method(told, message("meaning.caution_sources", sources=text.inert(sources)))
    folded(message("meaning.of_code"), told[""][1])


def _picture(code: str, title: str) -> None:
    """Its traces over the healthy ones, where the eye sees a difference."""
    of = pictures.traces()
    names = [] if of is None else pictures.shown_by(code, of)
    if of is None or not names:
        if told_by.signs(code):
            parts.quiet(message("meaning.not_by_eye"))
        return
    for name in names:
        parts.quiet(pictures.axis(name))
        markup.picture(pictures.beside_healthy(code, name, of, parts.palette(), title, small=False))
    parts.quiet(f"{message('meaning.beside', severity=text.number(of.severity, 1))} {message('meaning.moments')}")
