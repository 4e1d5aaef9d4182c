"""What is said of a listed van wherever it is shown: what it reads, the likeliest causes, and what comes of leaving it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboards import meant, text
from dashboards.display import language
from dashboards.text import inert, message
from data_contracts.causes import NONE
from data_contracts.facts.fact import Fact
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.likelihood import LIKELIHOODS, likely, ranked
from pipelines.read_side import promises
from pipelines.read_side import van_card as reads
from pipelines.read_side.published import Published

HOW_SURE = "how-sure"
"""Address of the view that holds every promise against what came."""


@dataclass(frozen=True)
class Verdict:
    """A van of a week's list in three lines of Markdown, each empty where there is nothing to say.

    Attributes
    ----------
    reading : str
        What it reads, held against what it was or the limit.
    causes : str
        The likeliest causes, see `causes`.
    left_alone : str
        What comes of leaving it.
    """

    reading: str
    causes: str
    left_alone: str

    def lines(self, *, danger_apart: bool = False) -> list[str]:
        """The lines there are, the first in bold; without the last where that is a danger and told in a box of its own."""
        left = "" if danger_apart else self.left_alone
        return [line for line in (self.reading and f"**{self.reading}**", self.causes, left) if line]


def of_listed(row: Mapping[str, Any], fact: Fact | None, mark: str = "") -> Verdict:
    """The verdict of a van.

    Parameters
    ----------
    row : mapping
        Row of `watchlist`.
    fact : Fact or None
        As `reads.in_short_of` gives it; without one the van's first reasons are told.
    mark : str
        As `checked_mark` gives it, on the page of one van; a list says `checked_note` once, above its vans.
    """
    reasons, hurts = meant.sentences(row, "reasons"), reads.hurts_most(row)
    reading = meant.fact(fact) if fact is not None else reasons.pop(0) if reasons else ""
    left = meant.fact(hurts) if hurts is not None else reasons[0] if reasons else ""
    return Verdict(reading, causes(row, mark), text.sentence(left))


def of_orders(published: Published, week: str, orders: Sequence[Mapping[str, Any]]) -> dict[str, Verdict]:
    """Why orders stand: as the week's list says it of their vans; of a van that is not on it, as the order did.

    Parameters
    ----------
    published : Published
    week : str
        ISO week.
    orders : sequence of mapping
        Rows of `work_orders`.

    Returns
    -------
    dict of str to Verdict
        By order.
    """
    rows = reads.listed(published, week, [str(order["van_id"]) for order in orders])
    told = reads.in_short_of(published, list(rows.values()), week)
    said = {van: _to_the_workshop(of_listed(row, told.get(van))) for van, row in rows.items()}
    return {
        str(order["order_id"]): said.get(order["van_id"]) or Verdict("", meant.sentence(order, "reason"), "")
        for order in orders
    }


def _to_the_workshop(told: Verdict) -> Verdict:
    """The same, where the workshop itself reads that it is to decide before the van is driven again."""
    for_others = inert(text.sentence(PHRASES["means.before_driving"].in_language(language())) + ".")
    return replace(told, left_alone=told.left_alone.replace(for_others, message("workshop.decide_now")))


def scale() -> str:
    """The words of likelihood and where each begins, as one sentence."""
    (least, first), *others = [(text.percent(least), words.in_language(language())) for least, words in LIKELIHOODS]
    steps = ", ".join(f"{word} {from_here}" for from_here, word in others[:-1])
    return message("verdict.scale", first=text.sentence(first), least=least, steps=steps, last=others[-1][1])


def checked_mark(published: Published) -> str:
    """Markdown of the mark that likelihoods of causes carry, leading to *How sure*; empty once findings bear them out."""
    return _checked(published, "verdict.not_kept", "verdict.unchecked", "[{}]({})")


def checked_note(published: Published) -> str:
    """The same as a sentence, to stand once above a list."""
    return _checked(published, "verdict.not_kept_note", "verdict.unchecked_note", "{}")


def _checked(published: Published, not_kept: str, unchecked: str, form: str) -> str:
    kept = promises.of_causes(published)[0]
    if kept == "kept":
        return ""
    return form.format(message(not_kept if kept == "not_kept" else unchecked, address=HOW_SURE), HOW_SURE)


def causes(row: Mapping[str, object], mark: str) -> str:
    """The likeliest causes of a van in one line: the leading one with its word of likelihood, the others, and the mark.

    Parameters
    ----------
    row : mapping
        Row of `watchlist`.
    mark : str
        As `checked_mark` gives it.

    Returns
    -------
    str
        Markdown.
    """
    given = row["causes"]
    known = dict(ranked(given if isinstance(given, Sequence) else []))
    lead = str(row["leading_cause"])
    told = [_told(lead, known.get(lead))]
    if others := ", ".join(meant.cause(code) for code in known if code not in (lead, NONE)):
        told.append(message("verdict.less_likely" if lead in known else "verdict.among", causes=others))
    return " · ".join([*told, *([mark] if mark else [])])


def _told(code: str, probability: float | None) -> str:
    title = f"**{meant.cause(code, first=True)}**"
    return title if probability is None else f"{title}: {likely(probability, language())}"
