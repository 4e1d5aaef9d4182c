"""A listed van in one line: the quantity that says most, and what it does in plain words."""

from collections.abc import Mapping, Sequence
from typing import Any

from data_contracts.facts.fact import Fact
from data_contracts.signals import QUANTITIES

_MOVED = ("own_movement", "peer_difference")


def in_short(reasons: Sequence[Fact], latest: Mapping[str, Mapping[str, Any]]) -> Fact | None:
    """What to say of a listed van first.

    A crossed limit says most, then a movement, the one furthest from what is expected; a signal in volts only where the lambda
    made of it says nothing. What comes and goes, and what only all readings together show, come last.

    Parameters
    ----------
    reasons : sequence of Fact
        Why the van is on the list, as `watchlist` holds them, in order.
    latest : mapping of str to mapping
        The latest row of `trends` of each quantity of the van.

    Returns
    -------
    Fact or None
        None where no reason names a quantity.
    """
    limits = [fact for fact in reasons if fact.code == "limit_crossed" and _told(fact, latest)]
    if limits:
        return _placed(limits[0], latest)
    moved = [fact for fact in reasons if fact.code in _MOVED and _told(fact, latest)]
    named = {fact.quantity for fact in moved}
    plain = [fact for fact in moved if (fact.quantity or "").removesuffix("_v") == fact.quantity]
    plain = plain or [fact for fact in moved if (fact.quantity or "").removesuffix("_v") not in named]
    if plain:
        return _placed(max(plain, key=lambda fact: _distance(latest.get(fact.quantity or "", {}))), latest)
    for fact in reasons:
        if fact.code == "repeats_disagree":
            return Fact.of("in_short_unsteady", fact.quantity, times=fact.numbers["times"])
    for fact in reasons:
        if fact.code == "unlike_healthy":
            return Fact.of("in_short_together", fact.quantity)
    return None


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


def _distance(row: Mapping[str, Any]) -> float:
    z = _number(row, "z")
    return 0.0 if z is None else abs(z)


def _number(row: Mapping[str, Any], name: str) -> float | None:
    value = row.get(name)
    return float(value) if isinstance(value, int | float) and value == value else None
