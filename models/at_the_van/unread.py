"""What a visit did not read, and what became of the quantities its van is on the list for."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from data_contracts.facts.fact import Fact
from data_contracts.reasons import UNREAD_REASONS
from models.at_the_van.expected import VanPast
from models.at_the_van.judge import Judged, VisitVerdict, known_of
from models.statistics.arrays import Floats
from models.tracking.scales import derivative, to_scale

MOST_TOLD = 3
"""Quantities a van is listed for that are told at the van. Of our choosing."""
_PLACES = ("", "second_", "third_", "fourth_", "fifth_")
"""Of the reasons why others are not read."""
STILL_APART = 2.0
"""Times the usual scatter of repeats from which on snaps lie apart: 2 % of healthy visits of three. Of our choosing. [1]"""
_LIFTED = "hold_too_short"
_NOT_OF_THIS_VAN = ("not_for_this_family", "not_with_this_sensor")
Unread = Sequence[Mapping[str, str]]
"""Of each accepted snap the quantities without a value, each with its reason."""


def listed_now(
    listed: Mapping[str, bool],
    judged: Sequence[Judged],
    values: Mapping[str, Floats],
    unread: Unread,
    past: VanPast,
    helps: Collection[str] = (),
    *,
    new: bool = True,
) -> list[Fact]:
    """What the quantities that put a van on the list read in this visit, or why they do not.

    Parameters
    ----------
    listed : mapping of str to bool
        Quantities, the leading one first, and whether it is listed for repeats that disagree.
    judged : sequence of Judged
        Quantities of the visit.
    values : mapping of str to ndarray of shape (accepted,)
        Readings of the snaps that count; NaN where not read. [unit of the quantity]
    unread : Unread
        Of the same snaps.
    past : VanPast
        What is expected of the van.
    helps : collection of str, optional
        Reasons whose remedy is told elsewhere, and not again here.
    new : bool, optional
        No visit that is on file already: what shows, shows again.

    Returns
    -------
    list of Fact
        Of the first few. Where the leading one was not read, those without a value for the same reason together; where it was,
        they are counted among what is missing alone. One that is worse or better than expected is
        told as that, and not again here.
    """
    found = {one.quantity: one for one in judged}
    facts: list[Fact] = []
    without: dict[str, list[str]] = {}
    for name, apart in [*listed.items()][:MOST_TOLD]:
        one = found.get(name)
        if one is not None and apart:
            facts.append(_apart(one, values[name], past, new=new))
        elif one is not None and one.word in ("same", None):
            facts.append(_now(one))
        elif one is None and (why := _why(name, unread)):
            without.setdefault(why, []).append(name)
    if next(iter(listed), "") in found:
        return facts
    for why, names in without.items():
        second, third = (*names[1:], None, None)[:2]
        remedy = why if UNREAD_REASONS[why].remedy and why not in (_LIFTED, *helps) else None
        facts.append(Fact.of("listed_unread", names[0], unread=why, second=second, third=third, remedy=remedy))
    return facts


def _apart(one: Judged, read: Floats, past: VanPast, *, new: bool) -> Fact:
    """How far these snaps lie apart, and how far snaps usually do."""
    known, of = read[np.isfinite(read)], past.expected.get(one.quantity)
    if known.size < 2:
        return Fact.of("listed_once", one.quantity, level=one.value, level_u=one.read.u)
    steep = np.abs(derivative(one.quantity, to_scale(one.quantity, np.array([one.value])))[0])
    usual = None if of is None or not np.isfinite(of.within) else float(of.within * steep)
    scatter = float(np.std(known, ddof=1))
    again = usual is not None and scatter > STILL_APART * usual
    return Fact.of(
        ("listed_apart_again" if new else "listed_apart_filed") if again else "listed_apart",
        one.quantity,
        visit_spread=scatter,
        count=known.size,
        usual_spread=usual,
    )


def _now(one: Judged) -> Fact:
    """Level and what is expected."""
    band = one.band
    if band is None:
        return Fact.of("listed_now", one.quantity, level=one.value, level_u=one.read.u)
    return Fact.of(
        "listed_now",
        one.quantity,
        level=one.value,
        level_u=one.read.u,
        expected_low=band.low,
        expected_high=band.high,
        basis="own" if one.own is not None else "family",
    )


def visit_facts(visit: VisitVerdict, unread: Unread, past: VanPast | None) -> list[Fact]:
    """What the verdict of a visit says, and why quantities are missing: at once where too few are left to say more, else last.

    Parameters
    ----------
    visit : VisitVerdict
    unread : Unread
        Of the snaps that count.
    past : VanPast or None
        None where nothing is known of the van.

    Returns
    -------
    list of Fact
    """
    facts = list(visit.facts)
    why = missing({one.quantity for one in visit.quantities}, unread, past)
    if why is not None:
        facts.insert(1 if visit.verdict == "few" else len(facts), why)
    return facts


def missing(judged: Collection[str], unread: Unread, past: VanPast | None) -> Fact | None:
    """Why quantities known of the van were not read, most frequent reason first, and what brings back most, with how many.

    Parameters
    ----------
    judged : collection of str
        Quantities of the visit.
    unread : Unread
        Of the snaps that count.
    past : VanPast or None
        None where nothing is known of the van.

    Returns
    -------
    Fact or None
        None where nothing is missing.
    """
    names = known_of(past)[0] - set(judged)
    reasons = Counter(why for name in names if (why := _why(name, unread)) and why not in _NOT_OF_THIS_VAN)
    told = sorted(reasons.items(), key=lambda one: (-one[1], one[0]))[: len(_PLACES)]
    if not told:
        return None
    rest = len(names) - sum(count for _, count in told)
    fields: dict[str, float | str | None] = {"rest_count": rest or None}
    for place, (why, count) in zip(_PLACES, told, strict=False):
        fields |= {f"{place}unread": why, f"{place}count": count}
    helps = [(why, count) for why, count in told if UNREAD_REASONS[why].remedy]
    for place, (why, count) in zip(_PLACES[:2], helps, strict=False):
        fields |= {f"{place}remedy": why, f"{place}remedy_count": count}
    return Fact.of("van_missing", None, **fields)


def _why(name: str, unread: Unread) -> str:
    """Why a quantity is without a value in most of the snaps; empty where it has one in all."""
    reasons = Counter(of_snap[name] for of_snap in unread if name in of_snap)
    return min(reasons, key=lambda why: (-reasons[why], why), default="")
