"""Sections of the pages that the contracts make, for *What it means*."""

import functools
import re

import streamlit as st

from dashboards import meant
from dashboards.display import language
from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import pages

_made = functools.cache(pages)


def body(page: str, told_in: str = "") -> str:
    """Markdown of a page in the reader's language, or another, without its heading; links lead to other pages of this view, by
    their titles."""
    made = _made(told_in or language())[f"{page}.md"]
    made = re.sub(r"<!--.*?-->\s*", "", made)
    made = re.sub(r"\A# .*\n+", "", made)
    return re.sub(r"\[[^\]]*\]\((?:\.\./)?(?:quantities/|causes/)?(\w+)\.md\)", lambda found: _titled(found[1]), made)


def _titled(name: str) -> str:
    return meant.cause(name) if name in EVERY_CAUSE else meant.quantity(name)


def sections(page: str) -> dict[str, tuple[str, str]]:
    """Sections of a page by their English headings, each with its heading and words; what stands above all by an empty one."""
    english, told = _parted(body(page, "en")), _parted(body(page))
    return {key: section for (key, _), section in zip(english, told, strict=True)}


def _parted(made: str) -> list[tuple[str, str]]:
    first, *rest = re.split(r"^## ", made, flags=re.MULTILINE)
    return [("", first), *((one.partition("\n")[0].strip(), one.partition("\n")[2]) for one in rest)]


METHOD = ("How it is computed", "Uncertainty", "Source")


def folded(heading: str, words: str) -> None:
    """A section that opens when it is wanted."""
    with st.expander(heading):
        st.markdown(words)


def folded_method(told: dict[str, tuple[str, str]], more: str = "") -> None:
    """How it is computed, how sure that is and where it is from, in one fold."""
    computed, *rest = (told[key] for key in METHOD)
    said = [computed[1], *(f"**{heading}.** {words.strip()}" for heading, words in rest), more]
    folded(computed[0], "\n\n".join(one.strip() for one in said if one))
