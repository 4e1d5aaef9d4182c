"""What to mind before a throttle snap: the foremost at the verdict (above it where petrol may escape), all for as long as the page asks for a recording."""

from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboards import text
from dashboards.display import language
from dashboards.text import inert, message
from data_contracts.cautions import CAUTIONS, cautions_for_snap
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.family import Family
from pipelines.commands import visit_words
from pipelines.read_side.published import Published
from pipelines.read_side.van_past import cause_to_mind, on_newest_list

_PLACE = "before-the-next-snap"


def listed_for(published: Published | None, van: str) -> str:
    """The cause to mind at a van by the newest week's list; empty where it is not on it."""
    listed = None if published is None else on_newest_list(published, van)
    return cause_to_mind(listed) if listed else ""


def cautions(family: Family | None, cause: str = "") -> None:
    """All of them.

    Parameters
    ----------
    family : Family or None
    cause : str, optional
        What the van is on the list for.
    """
    st.header(VISIT_WORDS["before_next"].in_language(language()), anchor=_PLACE)
    lines = [f"- {inert(text.contract(caution.text))}" for caution in cautions_for_snap(family, cause)]
    st.info("\n".join(lines))


def foremost(family: Family | None, against: Mapping[str, Any]) -> None:
    """The one to mind most, and the way to all of them.

    Parameters
    ----------
    family : Family or None
    against : mapping
        Of the document of `vansnap read`, as `pipelines.commands.at_the_van.hold_against` gives it.
    """
    told = cautions_for_snap(family, visit_words.cause_minded(against["on_list"]))
    way = f"[{message('read.all_cautions', count=len(told))}](#{_PLACE})"
    if visit_words.fuel_may_escape(against["on_list"]):
        st.error(f"**{inert(text.contract(told[0].text))}** {way}", icon=":material/local_fire_department:")
    else:
        before = inert(VISIT_WORDS["before_next"].in_language(language()))
        st.markdown(f"**{before}** {inert(text.contract(CAUTIONS['brakes'].text))} {way}")
