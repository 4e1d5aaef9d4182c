"""What one recording says of its van: better, same or worse, what hurts most first, and every quantity in its band."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import polars as pl
import streamlit as st

from dashboards import meant, parts, text
from dashboards.display import language
from dashboards.order_card import badge_safety
from dashboards.text import inert, message
from dashboards.visit_conditions import PLACE
from data_contracts.facts.fact import Fact
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.states import IDLE_ONLY
from pipelines.commands.visit_words import (
    AGAIN,
    file_facts,
    fuel_may_escape,
    left_out_facts,
    list_facts,
    shown_again,
    verdict_words,
    word_of,
)

_HELD_BRIEFLY = "van_held_briefly"
_STANDS_FOR = ("representative_nearest", "representative_first", "representative_only")
_HELD_AGAINST = (
    "held_against_past",
    "held_against_family",
    "held_against_nothing",
    "held_against_limits",
    "held_against_no_van",
)
_WHOLE = "\N{NO-BREAK SPACE}"
_STATES = ("again", "filed", "limit", "worse", "better", "same", "few")
_KEPT = {"good": "read.accept", "usable": "read.kept_usable", "repeat": "read.repeat", IDLE_ONLY: "read.idle_only"}
_ICONS = {
    "again": ":material/replay:",
    "filed": ":material/replay:",
    "limit": ":material/dangerous:",
    "worse": ":material/trending_down:",
    "better": ":material/trending_up:",
    "same": ":material/check_circle:",
    "few": ":material/help:",
}


def verdict(against: Mapping[str, Any], captures: Sequence[Mapping[str, Any]]) -> None:
    """Draw the verdict: whether to keep the recording or why not, then how the van is and what says so.

    Parameters
    ----------
    against : mapping
        Of the document of `vansnap read`, as `pipelines.commands.at_the_van.hold_against` gives it.
    captures : sequence of mapping
        Its snaps.
    """
    words = verdict_words(against)
    state = next((word for word in words if word in _STATES), "")
    lead = _facts(_lead(against))
    dry = "_dry" if fuel_may_escape(against["on_list"]) else ""
    if "check_van" in words:
        st.warning(_headed(message("read.check_van"), lead), icon=":material/help:")
        lead = []
    if "repeat" in words:
        why = [_sent_back(captures), *([] if state else lead)]
        st.warning(_headed(message(f"read.repeat{dry}"), why), icon=":material/replay:")
    elif "check" in words:
        st.warning(_headed(message("read.check_family"), lead), icon=":material/help:")
        lead = []
    elif all(capture["shown_grade"] == IDLE_ONLY for capture in captures):
        st.info(_headed(message("read.idle_only"), [] if state else lead), icon=":material/check:")
    elif any(capture["shown_grade"] == "good" for capture in captures):
        st.success(_headed(message("read.accept", count=len(captures)), [] if state else lead), icon=":material/check:")
    else:
        missing = [_missing(captures, against), *([] if state else lead)]
        held = "_held" if any(row["code"] == _HELD_BRIEFLY for row in against["facts"]) else ""
        head = message(f"read.accept_usable{dry}{held}", count=len(captures))
        st.info(_headed(head, missing), icon=":material/check:")
    if state:
        box = _box(state, listed=bool(against["on_list"]))
        box(_headed(message("read.van_is", state=inert(_word(state))), lead), icon=_ICONS[state])


def to_conditions(captures: Sequence[Mapping[str, Any]]) -> None:
    """The way to conditions not given, where a quantity needs one. Parameters as `verdict`."""
    if any(why == "unmeasured_condition" for capture in captures for why in capture["unread"].values()):
        st.markdown(f"[{message('read.fill_in_below')}](#{PLACE})")


def _lead(against: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The facts that belong to the verdict: of a listed fault that shows again what shows it, else the first."""
    if {"again", "filed"}.intersection(verdict_words(against)):
        return _again(against)
    return list(against["facts"][:1])


def _again(against: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What shows that the listed fault is there."""
    return [row for row in list_facts(against) if row["code"] in AGAIN]


def _box(state: str, *, listed: bool) -> Callable[..., object]:
    """The box of a verdict: green only where enough was compared, and the van is not on the list."""
    if state in ("again", "filed", "worse", "limit"):
        return st.error
    if state == "few":
        return st.warning
    return st.info if listed else st.success


def on_list(against: Mapping[str, Any]) -> None:
    """That the van is on the newest week's list whatever the snaps say, why, and the way to its page. Parameters as `verdict`."""
    listed = against["on_list"]
    if not listed:
        return
    with st.container(border=True, key="read-on-list"):
        with st.container(horizontal=True, vertical_alignment="center", gap="small"):
            parts.badge_urgency(str(listed["urgency"]))
            if fuel_may_escape(listed):
                badge_safety()
            parts.link(
                "a_van", message("read.to_van", van=inert(against["van"])), van=against["van"], week=listed["week"]
            )
        told = _lead(against)
        st.markdown("  \n".join(_facts(row for row in list_facts(against) if row not in told)))
        if (published := parts.published_if_any()) is not None:
            parts.age(published, str(listed["week"]))


def _headed(head: str, lines: Sequence[str]) -> str:
    """Markdown of a box: a big word, then a line each."""
    return "\n\n".join([f"## {head}", *(line for line in lines if line)])


def more_said(against: Mapping[str, Any]) -> None:
    """Everything else that was found, after what hurts most. Parameters as `verdict`."""
    told = _lead(against)
    elsewhere = (_HELD_BRIEFLY, *_STANDS_FOR, *_HELD_AGAINST)
    facts = _facts(row for row in against["facts"] if row not in told and row["code"] not in elsewhere)
    if facts:
        st.markdown("\n".join(f"- {fact}" for fact in facts))


def stands_for(against: Mapping[str, Any]) -> str:
    """Which snap stands for the visit and why, to be said at its picture; empty for a single one. Parameters as `verdict`."""
    return " ".join(_facts(row for row in against["facts"] if row["code"] in _STANDS_FOR and row not in _lead(against)))


def refused(files: Sequence[Mapping[str, str]]) -> None:
    """The files that can't be read, each with its reason, as the document of `vansnap read` has them."""
    if files:
        st.warning("\n".join(f"- {inert(entry['reason'])}" for entry in files), icon=":material/error:")


def snap_lines(captures: Sequence[Mapping[str, Any]]) -> None:
    """Every snap with what is to be said of it, those of which the same is said together, in a fold.

    Parameters
    ----------
    captures : sequence of mapping
        Snaps of the document of `vansnap read`.
    """
    alike: dict[str, list[str]] = {}
    several = {capture.get("file") for capture in captures if capture["snap"] > 1}
    for capture in captures:
        grade = str(capture["shown_grade"])
        word = message("read.check_family" if capture["verdict"] == "check" else _KEPT[grade], count=1)
        said = "\n".join(
            [f"{text.GRADE_SYMBOLS.get(grade, '')} **{word}**\n", *(f"- {why}." for why in _reasons(capture))]
        )
        alike.setdefault(said, []).append(_named(capture, several))
    if len(captures) > 1 or _reasons(captures[0]):
        with st.expander(message("read.each"), icon=":material/checklist:"):
            st.markdown("\n\n".join(f"{', '.join(names)}: {said}" for said, names in alike.items()))


def _named(capture: Mapping[str, Any], several: Collection[str | None]) -> str:
    """A snap by its file, and by its number where its file holds several."""
    number = message("read.snap", number=capture["snap"])
    if "file" not in capture:
        return number
    return f"{inert(capture['file'])}, {number}" if capture["file"] in several else inert(capture["file"])


def filed(against: Mapping[str, Any], left_out: Sequence[Mapping[str, str]] = ()) -> None:
    """That the recordings are on file already, where they are, and which were left out for it. Parameters as `verdict`, and the
    document's `left_out`."""
    if facts := _facts([*file_facts(against), *left_out_facts(left_out)]):
        st.info("  \n".join(facts), icon=":material/folder:")


def held_table(against: Mapping[str, Any], captures: Sequence[Mapping[str, Any]]) -> None:
    """Every quantity in its band; beside the family and the last visit on demand. Parameters as `verdict`."""
    held = [row for row in against["quantities"] if row["own"] or row["family"]]
    if against_what := _facts(
        row for row in against["facts"] if row["code"] in _HELD_AGAINST and row not in _lead(against)
    ):
        parts.quiet(" ".join(against_what))
    if not held:
        return
    again = {name: _snap_by_snap(name, captures) for name in shown_again(against)}
    basis = "own" if any(row["own"] for row in held) else "family"
    parts.light_table(_frame(held, ("verdict", "now", basis), again))
    with st.expander(message("read.more"), icon=":material/table_rows:"):
        parts.light_table(_frame(held, ("now", "repeat_to_repeat", "own", "family", "last", "verdict"), again))


def _sent_back(captures: Sequence[Mapping[str, Any]]) -> str:
    """Why to record again, in one line: the first reason of those sent back, in how many, and what to do about it."""
    sent = [capture for capture in captures if capture["shown_grade"] == "repeat" and capture["grade_reasons"]]
    return _reason_of(sent[0]["grade_reasons"][0], captures) if sent else ""


def _missing(captures: Sequence[Mapping[str, Any]], against: Mapping[str, Any]) -> str:
    """What one more snap could add, in one line: of the snap that stands for the visit, and what nobody wrote down last."""
    held = _facts(row for row in against["facts"] if row["code"] == _HELD_BRIEFLY)
    chosen = against["representative"]
    stands = [capture for capture in captures if chosen and is_snap(capture, chosen)]
    reasons = [reason for capture in stands or captures for reason in capture["grade_reasons"]]
    reasons.sort(key=lambda reason: reason["code"].endswith("_unmeasured"))
    return next(iter([*held, *(f"{_reason_of(reason, captures)}." for reason in reasons)]), "")


def is_snap(capture: Mapping[str, Any], chosen: Mapping[str, Any]) -> bool:
    """Whether a snap is the one named by file and number; of a single file none is named."""
    return (capture["snap"], capture.get("file", chosen["file"])) == (chosen["snap"], chosen["file"])


def _facts(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    return [meant.fact(Fact.from_row(row)) for row in rows]


def _reasons(capture: Mapping[str, Any]) -> list[str]:
    """Reasons of a grade with their remedies."""
    return [_reason(reason) for reason in capture["grade_reasons"]]


def _reason_of(reason: Mapping[str, str], captures: Sequence[Mapping[str, Any]]) -> str:
    """The same of several snaps: in how many of them."""
    count = sum(reason["code"] in [each["code"] for each in capture["grade_reasons"]] for capture in captures)
    return _reason(reason, f" ({message('common.of', part=count, whole=len(captures))})" if len(captures) > 1 else "")


def _reason(reason: Mapping[str, str], where: str = "") -> str:
    said = inert(text.sentence(text.contract(reason["sentence"])) + where)
    return said + (f": {inert(text.contract(reason['remedy']))}" if reason["remedy"] else "")


def _snap_by_snap(name: str, captures: Sequence[Mapping[str, Any]]) -> list[float]:
    """What each snap read of a quantity. [unit of the quantity]"""
    return [float(each["readings"][name]["value"]) for each in captures if name in each["readings"]]


def _frame(
    rows: Sequence[Mapping[str, Any]], columns: Sequence[str], again: Mapping[str, Sequence[float]]
) -> pl.DataFrame:
    """Every quantity that is held against something; few columns fit on a phone."""
    cells = {
        "now": lambda row: _now(row, again),
        "repeat_to_repeat": lambda row: inert(
            text.apart(row.get("repeat_u"), row.get("repeat_from"), text.unit(row["quantity"]))
        ),
        "own": lambda row: _band(row, "own"),
        "family": lambda row: _band(row, "family"),
        "last": lambda row: _level(row, row["last"]),
        "verdict": lambda row: inert(_word(word_of(row, again))),
    }
    named = {message("reading.quantity"): [meant.quantity(row["quantity"]) for row in rows]}
    return pl.DataFrame(named | {text.sentence(_word(name)): [cells[name](row) for row in rows] for name in columns})


def _now(row: Mapping[str, Any], again: Mapping[str, Sequence[float]]) -> str:
    """A value and its uncertainty; where the snaps lie apart, what each read, and how far apart in the figure of the verdict."""
    unit = text.unit(row["quantity"])
    if row["quantity"] in again and row.get("repeat_from") == "visit":
        apart = text.spread(row["repeat_u"], unit)
        each = ", ".join(_level(row, value) for value in again[row["quantity"]])
        return inert(message("read.apart", value=each, apart=apart))
    return inert(text.uncertain(row["value"], row["u"], unit)).replace(" ", _WHOLE)


def _band(row: Mapping[str, Any], held: str) -> str:
    if row[held] is None:
        return message("number.none")
    low, high = text.ends(row[held]["low"], row[held]["high"], text.unit(row["quantity"]))
    return _word("range").format(low=low, high=high).replace(" ", _WHOLE)


def _level(row: Mapping[str, Any], value: float | None) -> str:
    return text.number(text.in_units(value, text.unit(row["quantity"])))


def _word(key: str) -> str:
    return VISIT_WORDS[key].in_language(language())


def reading_frame(
    capture: Mapping[str, object], repeats: Mapping[str, Mapping[str, Any]] = MappingProxyType({})
) -> pl.DataFrame:
    """Values of one capture document, shaped as `queries.reading` gives them.

    Parameters
    ----------
    capture : mapping
        One of `ReadResult.document["captures"]`.
    repeats : mapping of str to mapping, optional
        repeat_u and repeat_from of each quantity of the visit.

    Returns
    -------
    polars.DataFrame
    """
    readings = capture["readings"]
    assert isinstance(readings, dict)
    rows = []
    for name, entry in readings.items():
        apart = repeats.get(name, {})
        rows.append(
            (name, entry["value"], entry["u"], None, entry.get("mark"), apart.get("repeat_u"), apart.get("repeat_from"))
        )
    numbers = dict.fromkeys(("value", "u", "repeat_u"), pl.Float64)
    names = ("quantity", "value", "u", "unread", "mark", "repeat_u", "repeat_from")
    return pl.DataFrame(rows, schema={name: numbers.get(name, pl.String) for name in names}, orient="row")
