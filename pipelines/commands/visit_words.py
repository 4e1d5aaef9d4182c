"""What heads one visit at the van, from what `pipelines.commands.at_the_van.hold_against` gives."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact

AGAIN = ("listed_apart_again", "listed_apart_filed")
"""Codes of the fact that the snaps of a visit lie apart as those do that its van is listed for: of a new visit, and of one on file."""


def list_facts(against: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What the newest week's list says of the van, as rows of facts; empty where it is not on it. Parameters as `verdict_words`."""
    return list(against["on_list"]["facts"]) if against["on_list"] else []


def file_facts(against: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """That these recordings are on file already, as rows of facts; empty where they are new. Parameters as `verdict_words`."""
    on_file = against["on_file"]
    if on_file is None:
        return []
    return [Fact.of("van_on_file", day=on_file["day"], count=on_file["recordings"]).row()]


def left_out_facts(left_out: Sequence[Mapping[str, str]]) -> list[Mapping[str, Any]]:
    """That recordings are left out as they are of a visit on file, each with its day, as rows of facts; `left_out` of the document
    of `vansnap read`."""
    return [Fact.of("recording_left_out", file=one["file"], day=one["day"]).row() for one in left_out]


def verdict_words(against: Mapping[str, Any]) -> list[str]:
    """Keys of `VISIT_WORDS` that head what was found: whether to record again or to check family or van, and how it is.

    Parameters
    ----------
    against : mapping
        As `hold_against` returns it.

    Returns
    -------
    list of str
        Empty where there is nothing to head.
    """
    word = against["verdict"]
    doubts = (("repeat", "sent_back"), ("check", "check_family"), ("check_van", "check_van"))
    first = [key for key, said in doubts if against[said]]
    if word in (None, "unknown"):
        return first
    if word != "worse" and shown_again(against):
        shown = "again" if against["on_file"] is None else "filed"
        return [*first, shown] if word == "few" else [*first, shown, word]
    return [*first, "limit" if word == "worse" and against["limit_crossed"] else word]


def shown_again(against: Mapping[str, Any]) -> set[str]:
    """The quantities whose repeats lie apart again, as those the van is listed for. Parameters as `verdict_words`."""
    return {row["quantity"] for row in list_facts(against) if row["code"] in AGAIN}


def word_of(row: Mapping[str, Any], again: Collection[str]) -> str:
    """Key of `VISIT_WORDS` for the verdict of one quantity.

    Parameters
    ----------
    row : mapping
        Of the quantities of `hold_against`.
    again : collection of str
        As `shown_again` returns.
    """
    if row["limit"] is not None:
        return "limit"
    word = str(row["verdict"] or "none")
    return "same_apart" if word == "same" and row["quantity"] in again else word


def cause_minded(on_list: Mapping[str, Any] | None) -> str:
    """The cause whose cautions hold at a van, as `hold_against` gives it; empty where it is not on the list."""
    return str(on_list["to_mind"]) if on_list else ""


def fuel_may_escape(on_list: Mapping[str, Any] | None) -> bool:
    """Whether petrol may escape at a van by what it is on the list for."""
    cause = EVERY_CAUSE.get(cause_minded(on_list))
    return cause is not None and cause.fuel_may_escape


def few_again(facts: Sequence[Fact], now: Sequence[Fact]) -> list[Fact]:
    """Too few quantities to say how a van is are enough where the fault that it is listed for shows again."""
    if not any(fact.code in AGAIN for fact in now):
        return list(facts)
    few = ("van_few_own", "van_few_family")
    return [
        Fact.of("van_few_again", count=fact.numbers["count"], out_of=fact.numbers["out_of"])
        if fact.code in few
        else fact
        for fact in facts
    ]
