"""What one recording says of its van: better, same or worse, what hurts most first, and every quantity in its band."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboards import text
from dashboards.display import language, units
from dashboards.text import inert, message
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS

_BOX = {"worse": st.error, "better": st.success, "same": st.success}
_ICONS = {"worse": ":material/trending_down:", "better": ":material/trending_up:", "same": ":material/trending_flat:"}


def verdict(against: Mapping[str, Any]) -> None:
    """Draw what was found, as `pipelines.commands.at_the_van.hold_against` gives it.

    Parameters
    ----------
    against : mapping
        Of the document of `vansnap read`.
    """
    facts = [inert(render(Fact.from_row(row), language(), units())) for row in against["facts"]]
    word = against["verdict"]
    if not facts:
        return
    if word is None:
        st.warning("\n\n".join(facts))
        return
    words = ["repeat"] if against["sent_back"] else []
    if word != "unknown":
        words.append("limit" if word == "worse" and against["limit_crossed"] else word)
    head = f"**{inert(text.sentence(', '.join(_word(each) for each in words)))}.** " if words else ""
    _BOX.get(word, st.info)(head + facts[0], icon=_ICONS.get(word))
    if facts[1:]:
        st.markdown("\n".join(f"- {fact}" for fact in facts[1:]))
    held = [row for row in against["quantities"] if row["own"] or row["family"]]
    if held:
        basis = "own" if any(row["own"] for row in held) else "family"
        st.table(_frame(held, ("verdict", "now", basis)), hide_index=True, border="horizontal")
        with st.expander(message("read.more")):
            st.table(_frame(held, ("now", "own", "family", "last", "verdict")), hide_index=True, border="horizontal")


def _frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pl.DataFrame:
    """Every quantity that is held against something; few columns fit on a phone."""
    cells = {
        "now": lambda row: inert(text.uncertain(row["value"], row["u"], text.unit(row["quantity"]))),
        "own": lambda row: _band(row, "own"),
        "family": lambda row: _band(row, "family"),
        "last": lambda row: _level(row, row["last"]),
        "verdict": lambda row: inert(_word("limit" if row["limit"] is not None else row["verdict"] or "none")),
    }
    named = {message("reading.quantity"): [inert(text.quantity(row["quantity"])) for row in rows]}
    return pl.DataFrame(named | {text.sentence(_word(name)): [cells[name](row) for row in rows] for name in columns})


def _band(row: Mapping[str, Any], held: str) -> str:
    if row[held] is None:
        return message("number.none")
    low, high = (_level(row, row[held][end]) for end in ("low", "high"))
    return _word("range").format(low=low, high=high)


def _level(row: Mapping[str, Any], value: float | None) -> str:
    return text.number(text.in_units(value, text.unit(row["quantity"])))


def _word(key: str) -> str:
    return VISIT_WORDS[key].in_language(language())
