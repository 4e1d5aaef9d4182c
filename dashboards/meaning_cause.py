"""The page of a cause in *What it means*: what tells it, what to mind before the work, the work; the rest folded."""

from collections.abc import Sequence

import streamlit as st

from dashboards import markup, order_card, parts, text, told_by
from dashboards import meaning_pictures as pictures
from dashboards.display import language
from dashboards.meaning_sections import METHOD, folded, folded_method, sections
from dashboards.text import message
from dashboards.who import home
from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import cautions_for
from data_contracts.page_language import PageLanguage
from pipelines.read_side.published import board_settings

_JOB = "The job"
_BESIDE = ("Hard to tell from", "Tests that find it")
"""Sections that stand open beside the job, by their English headings, in this order."""


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
    told = sections(f"causes/{code}")
    of = pictures.traces()
    names = [] if of is None else pictures.shown_by(code, of)
    if not names and told_by.signs(code):
        parts.quiet(message("meaning.not_by_eye"))
    with st.container(key="cause-sides"):
        seen, work = st.columns([2, 3], gap="large")
    with seen:
        if of is not None and names:
            _picture(code, title, names, of)
        for key in _BESIDE:
            if key in told:
                st.markdown(f"## {told[key][0]}\n\n{told[key][1]}")
    with work:
        _job(code, *told[_JOB])
    for key, (heading, words) in told.items():
        if key not in ("", "Cautions", _JOB, *_BESIDE, *METHOD):
            folded(heading, words)
    say = PageLanguage(language()).say
    sources = " · ".join(dict.fromkeys(say(caution.source) for caution in cautions_for(code)))
    folded_method(told, message("meaning.caution_sources", sources=text.inert(sources)))
    folded(message("meaning.of_code"), told[""][1])


def _job(code: str, heading: str, words: str) -> None:
    """The job: its title, the cautions ahead of its steps, parts, and its hours as an order adds them up."""
    action, steps, _ = (piece.strip() for piece in words.split("\n\n", 2))
    st.markdown(f"## {heading}: {action.removesuffix('.')}")
    order_card.cautions(code, None)
    st.markdown(steps)
    job, settings = EVERY_CAUSE[code].job, board_settings(home())
    own, handling = settings.jobs.get(code), settings.workshop.handling_hours
    hours = job.hours if own is None or own.hours is None else own.hours
    numbers = {"own": hours, "handling": handling, "sum": hours + handling}
    st.markdown(
        message(
            "meaning.job_needs",
            parts=text.contract(job.parts) if job.parts else message("meaning.no_parts"),
            **{name: text.tick(round(value, 2), ()) for name, value in numbers.items()},
        )
    )


def _picture(code: str, title: str, names: Sequence[str], of: pictures.Traces) -> None:
    """Its traces over the healthy ones, those on which the eye sees a difference."""
    for name in names:
        parts.quiet(pictures.axis(name))
        markup.picture(pictures.beside_healthy(code, name, of, parts.palette(), title, small=False))
    parts.quiet(f"{message('meaning.beside')} {message('meaning.moments')}")
