"""A listed van in one line: which of its reasons leads, and what that quantity does in plain words."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from data_contracts.causes.record import CONSEQUENCE_KINDS
from data_contracts.facts.fact import Fact
from data_contracts.signals import QUANTITIES
from models.statistics.few_values import differ_by

MOVED = ("own_movement", "peer_difference", "repeats_disagree")
"""Reasons that something of the van has moved, or comes and goes."""


def in_short(reasons: Sequence[Fact], latest: Mapping[str, Mapping[str, Any]]) -> Fact | None:
    """What to say of a listed van first.

    Parameters
    ----------
    reasons : sequence of Fact
        Why the van is on the list, as `watchlist` holds them, in order.
    latest : mapping of str to mapping
        The latest row of `trends` of each quantity of the van; of one whose repeats disagree also visit_spread and usual_spread,
        as `spreads` gives them.

    Returns
    -------
    Fact or None
        The reason that `leading_reason` gives, in short; None where there is none.
    """
    leading = leading_reason(reasons, latest)
    if leading is None:
        return None
    if leading.code == "repeats_disagree":
        row = latest.get(leading.quantity or "", {})
        return Fact.of(
            "in_short_unsteady",
            leading.quantity,
            visit_spread=_number(row, "visit_spread"),
            usual_spread=_number(row, "usual_spread"),
        )
    if leading.code == "unlike_healthy":
        return Fact.of("in_short_together", leading.quantity)
    return _placed(leading, latest)


def leading_reason(reasons: Sequence[Fact], latest: Mapping[str, Mapping[str, Any]]) -> Fact | None:
    """The reason by which a van is shown first wherever it is shown: list, card, order and papers.

    A crossed limit says most, then what moved or disagrees, in the order of the reasons; a signal in volts only where the lambda
    made of it is not among them. What only all readings together show comes last.

    Parameters
    ----------
    reasons : sequence of Fact
        Why the van is on the list, as `watchlist` holds them, in order: see `with_evidence_first`.
    latest : mapping of str to mapping
        The latest row of `trends` of each quantity of the van; empty: the levels are those that the reasons state.

    Returns
    -------
    Fact or None
        None where no reason names a quantity.
    """
    limits = [fact for fact in reasons if fact.code == "limit_crossed" and _told(fact, latest)]
    if limits:
        return limits[0]
    moved = [
        fact for fact in reasons if fact.code in MOVED and (fact.code == "repeats_disagree" or _told(fact, latest))
    ]
    named = {fact.quantity for fact in moved}
    plain = [
        fact
        for fact in moved
        if (q := fact.quantity or "").removesuffix("_v") == q or q.removesuffix("_v") not in named
    ]
    return next(iter([*plain, *(fact for fact in reasons if fact.code == "unlike_healthy")]), None)


def spreads(trend: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """How far the snaps of one visit lie apart: where they last disagreed, and in the middle of the visits where they agree.

    Parameters
    ----------
    trend : sequence of mapping
        Rows of `trends` of one quantity of one van, oldest first.

    Returns
    -------
    dict of str to float
        visit_spread and usual_spread, standard deviations of a single snap; empty where one of them is not known. [unit of the
        quantity]
    """
    known = [(row.get("unsteady"), spread) for row in trend if (spread := differ_by(row)) is not None]
    apart = [spread for unsteady, spread in known if unsteady]
    usual = [spread for unsteady, spread in known if not unsteady]
    return {"visit_spread": apart[-1], "usual_spread": median(usual)} if apart and usual else {}


def left_alone(reasons: Sequence[Fact]) -> Fact | None:
    """What comes of leaving a van as it is, by the reason that hurts most; None where that one says nothing of it.

    Of the other reasons the worst is told too, unless the first says as much: a van that endangers people may strand as well.
    """
    first = reasons[0] if reasons else None
    if first is None or "means" not in first.words:
        return None
    worst = first.words["means"]
    said = {worst, "stranding"} if worst == "hazard" else {worst}
    others = {fact.words["means"] for fact in reasons if "means" in fact.words} - said
    second = next((kind for kind in CONSEQUENCE_KINDS if kind in others), None)
    return Fact.of("left_alone", means=worst, cause=first.words.get("cause"), second_means=second)


def with_evidence_first(reasons: Sequence[Fact], evidence: Sequence[Fact]) -> list[Fact]:
    """The reasons of a van, of its movements first the one that speaks most for the likeliest cause.

    Parameters
    ----------
    reasons : sequence of Fact
        As tracking has them: limits, then movements, the one furthest off first.
    evidence : sequence of Fact
        What speaks for the likeliest cause, strongest first; see `models.causes.evidence`.

    Returns
    -------
    list of Fact
        Reordered only where a movement is evidence.
    """
    moved = [fact for fact in reasons if fact.code in MOVED]
    speaks = next((fact for one in evidence for fact in moved if shows(one, fact)), None)
    if speaks is None:
        return list(reasons)
    rest = [fact for fact in reasons if fact is not speaks]
    place = next((k for k, fact in enumerate(rest) if fact.code in MOVED), len(rest))
    return [*rest[:place], speaks, *rest[place:]]


def shows(evidence: Fact, reason: Fact) -> bool:
    """Whether a piece of evidence and a reason tell of the same thing seen."""
    of_scatter = evidence.words.get("scale") == "scatter"
    return evidence.quantity == reason.quantity and of_scatter == (reason.code == "repeats_disagree")


def _told(fact: Fact, latest: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether there are plain words for it, and a level."""
    name = fact.quantity or ""
    known = name in QUANTITIES and QUANTITIES[name].plainly is not None
    return known and _level(fact, latest.get(name, {})) is not None


def _placed(fact: Fact, latest: Mapping[str, Mapping[str, Any]]) -> Fact:
    """The level as the reasons state it, and what it is held against: the other vans where it differs from them, else what
    it was."""
    name = fact.quantity or ""
    row = latest.get(name, {})
    level, limit, peers = _level(fact, row), fact.numbers.get("limit"), None
    before = _number(row, "baseline")
    if fact.code == "peer_difference":
        before, peers = None, fact.numbers["peer_baseline"]
    elif before is None:
        before = fact.numbers.get("baseline")
    against = next((each for each in (limit, peers, before) if each is not None), None)
    return Fact.of(
        "in_short",
        name,
        level=level,
        level_u=_number(row, "level_u"),
        baseline=before,
        peer_baseline=peers,
        limit=limit,
        side="low" if level is not None and against is not None and level < against else "high",
    )


def _level(fact: Fact, row: Mapping[str, Any]) -> float | None:
    """The level of the record; of a row of an older version its value; without either what the reason states."""
    of_record = (_number(row, "level"), _number(row, "value"), fact.numbers.get("level"))
    return next((each for each in of_record if each is not None), None)


def _number(row: Mapping[str, Any], name: str) -> float | None:
    value = row.get(name)
    return float(value) if isinstance(value, int | float) and value == value else None
