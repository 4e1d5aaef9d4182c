"""One visit at the van against its own past, its family and the register's limits: better, same or worse, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from data_contracts.causes.record import CONSEQUENCE_KINDS
from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.signals import BANK2_PREFIX, base_name, tracking_of
from models.at_the_van.expected import JUDGED, Band, Expectation, VanPast, family_band, own_band, scatter_of_mean
from models.at_the_van.repeats import Held, Repeated, over_repeats
from models.statistics.arrays import Floats
from models.tracking.charts.family_limits import beyond_limit, family_limits
from models.tracking.scales import derivative, from_scale, to_scale

if TYPE_CHECKING:  # a reading without a repair need not wait for it
    from models.work.repair_proof import Level

Word = Literal["better", "same", "worse"]
Verdict = Literal["better", "same", "worse", "few", "unknown"]
SLOPE = "lambda_full_throttle_slope_per_s"
HELD = SLOPE.removesuffix("_slope_per_s")
"""Level at full throttle, as lambda or with `_v` in volts; and how it moves while held."""

RESPONSES = ("lambda_to_rich_", "lambda_to_lean_")
ALIKE, SETTLED_S = 4.0 / 3.0, 1.0
"""Responses of lambda are judged where the hold and that of the van's past differ by no more than this factor [1]; from this hold
on they no longer depend on it [s]. Common practice, no source (2026-11-30)."""
FEWEST_COMPARED = 0.5
"""Share of the quantities known of the van that a visit must hold against them before it says that the van is the same or better.
Common practice, no source (2026-11-30). [1]"""


@dataclass(frozen=True)
class Judged:
    """One quantity of the visit.

    Attributes
    ----------
    quantity : str
    read : Repeated
        Middle of the accepted snaps, with its standard uncertainty of the trace and from repeat to repeat.
    own, family : Band or None
        By the van's own past and by its family; None where nothing is known.
    against_own, against_family : {"better", "same", "worse"} or None
    last : float
        At the van's last visit; NaN without. [unit of the quantity]
    last_outside : bool
        The last visit was outside the van's own band.
    limit : float
        The register's limit beyond which it lies by more than its standard uncertainty; NaN for none. [unit of the
        quantity]
    means : str
        What comes of that; empty for none.
    """

    quantity: str
    read: Repeated
    own: Band | None
    family: Band | None
    against_own: Word | None
    against_family: Word | None
    last: float
    last_outside: bool
    limit: float
    means: str

    @property
    def value(self) -> float:
        """Middle of the accepted snaps. [unit of the quantity]"""
        return self.read.value

    @property
    def word(self) -> Word | None:
        """Verdict against the van's own past, or its family where it has none; worse beyond a limit."""
        return "worse" if np.isfinite(self.limit) else self.against_own or self.against_family

    @property
    def within(self) -> bool:
        """It lies within the band that decides."""
        return self.band is not None and abs(self.band.z) <= 1.0

    @property
    def band(self) -> Band | None:
        """The band that decides."""
        return self.own or self.family


@dataclass(frozen=True)
class VisitVerdict:
    """The visit as a whole.

    Attributes
    ----------
    verdict : {"better", "same", "worse", "few", "unknown"}
        few: nothing is worse, and too few of the quantities known of the van were read to say more. unknown: no past to hold it
        against, and no limit crossed.
    facts : tuple of Fact
        What to say, what hurts most first; then what it was held against.
    quantities : tuple of Judged
        In the order of the nomenclature.
    """

    verdict: Verdict
    facts: tuple[Fact, ...]
    quantities: tuple[Judged, ...]


def judge_visit(
    values: Mapping[str, Floats],
    u: Mapping[str, Floats],
    family: Family,
    van_id: str,
    past: VanPast | None,
    held: Held | None = None,
) -> VisitVerdict:
    """Judge the accepted snaps of one visit.

    Parameters
    ----------
    values, u : mapping of str to ndarray of shape (snaps,)
        Readings and their standard uncertainty; NaN where not read. [unit of the quantity]
    family : Family
        Of the van; its limits hold whatever the past.
    van_id : str
        The van; empty where only its family is known.
    past : VanPast or None
        None where nothing is published.
    held : Held, optional
        As `models.at_the_van.repeats.held_of` returns; default: as the past was, and long enough for everything.

    Returns
    -------
    VisitVerdict
    """
    expected = {} if past is None else past.expected
    names = dict.fromkeys((*JUDGED, *expected))  # and what the van is listed for, which its past tells of too
    known = over_repeats({name: values[name] for name in names if name in values}, u, expected, held)
    otherwise = [] if held is None or past is None else _held_otherwise(held, past)
    if otherwise:
        known = {name: found for name, found in known.items() if not base_name(name).startswith(RESPONSES)}
    count = sum(name in expected for name in known)
    judged = tuple(_judge(name, found, expected.get(name), family, count) for name, found in known.items())
    words = {one.word for one in judged}
    verdict: Verdict = next((word for word in ("worse", "better", "same") if word in words), "unknown")
    compared = _compared(judged, past)
    if verdict != "worse" and judged and compared.held < FEWEST_COMPARED * compared.known:
        verdict = "few"
    snaps = 0 if held is None or held.long.any() else held.long.size
    brief = [Fact.of("van_held_briefly", count=snaps if snaps > 1 else None)] if snaps else []
    return VisitVerdict(
        verdict,
        (*_leading(judged, compared, few=verdict == "few"), *brief, *otherwise, *_basis(judged, van_id, family, past)),
        judged,
    )


class _Compared(NamedTuple):
    """How many of the quantities known of a van a visit was held against, and whether its own past knows them or its family."""

    held: int
    known: int
    basis: Literal["own", "family"]


def known_of(past: VanPast | None) -> tuple[set[str], Literal["own", "family"]]:
    """The quantities known of a van, and whether its own past knows them or its family.

    Parameters
    ----------
    past : VanPast or None
        None where nothing is published.
    """
    expected = {} if past is None else past.expected
    own = {name for name, of in expected.items() if np.isfinite(of.baseline + of.baseline_u)}
    return (own, "own") if own else ({name for name, of in expected.items() if of.family is not None}, "family")


def _compared(judged: Sequence[Judged], past: VanPast | None) -> _Compared:
    known, basis = known_of(past)
    return _Compared(sum(one.quantity in known for one in judged), len(known), basis)


def _held_otherwise(held: Held, past: VanPast) -> list[Fact]:
    """What to say where the pedal was held for another time than in the past, so that responses are not comparable.

    The hold is that of the snaps which responses are read from.
    """
    known = held.hold_s[held.long if held.long.any() else np.ones_like(held.long)]
    known = known[np.isfinite(known)]
    if not known.size or not np.isfinite(past.hold_s):
        return []
    now = float(np.median(known))
    apart = min(now, SETTLED_S) / min(past.hold_s, SETTLED_S)
    if 1.0 / ALIKE <= apart <= ALIKE:
        return []
    return [Fact.of("van_held_otherwise", "hold_s", level=now, before=past.hold_s)]


def levels_of(
    visit: VisitVerdict, past: VanPast, ahead: Mapping[str, tuple[float, float]] | None = None
) -> "tuple[dict[str, Level], dict[str, Level], dict[str, Level]]":
    """Levels before, after and as expected, for the proof of a repair.

    Parameters
    ----------
    visit : VisitVerdict
        The visit after the repair.
    past : VanPast
    ahead : mapping of str to (float, float), optional
        What its last visit before the repair read, and the standard uncertainty; default: its last visit of all, where
        the repair was just done. [unit of the quantity]

    Returns
    -------
    before, after, expected : dict of str to Level
        The scatter of visits is part of the uncertainty after the repair. [unit of the quantity]
    """
    from models.work.repair_proof import Level

    before, after, expected = {}, {}, {}
    for one in visit.quantities:
        of = past.expected.get(one.quantity)
        if of is None or one.own is None:
            continue
        steep = float(np.abs(derivative(one.quantity, np.array([of.baseline]))[0]))
        expected[one.quantity] = Level(one.own.expected, of.baseline_u * steep)
        if ahead is None:
            before[one.quantity] = Level(of.last, of.last_u)
        elif one.quantity in ahead:
            before[one.quantity] = Level(*ahead[one.quantity])
        after[one.quantity] = Level(
            one.value, float(np.hypot(one.read.trace_u, scatter_of_mean(of, one.read.snaps) * steep))
        )
    return before, after, expected


def _judge(name: str, read: Repeated, of: Expectation | None, family: Family, count: int) -> Judged:
    value, u, repeats = read.value, read.trace_u, read.snaps  # the bands hold the scatter of repeats already
    own = group = None
    last, last_outside = np.nan, False
    if of is not None:
        y = to_scale(name, np.array([value]))
        scaled_u = u / max(float(np.abs(derivative(name, y)[0])), 1e-12)
        own = own_band(name, of, float(y[0]), scaled_u, repeats, count)
        group = family_band(name, of, float(y[0]), scaled_u, repeats, count)
        last = of.last if tracking_of(name).scale == "plain" else max(of.last, 0.0)
        last_outside = own is not None and np.isfinite(last) and not own.low <= last <= own.high
    level = np.nan
    if of is not None and of.family is not None:
        level = float(from_scale(name, np.array([of.family.level]))[0])
    low, high = family_limits(family, name, level)
    limit = low if value + u < low else high if value - u > high else np.nan
    means = beyond_limit(family, name)[1] if np.isfinite(limit) else ""
    mine = _against(name, value, own, last_outside, group)
    return Judged(
        name,
        read,
        own,
        group,
        mine,
        _against(name, value, group, False, None),
        last,
        last_outside,
        limit,
        means,
    )


def _against(name: str, value: float, held: Band | None, last_outside: bool, group: Band | None) -> Word | None:
    """Verdict by one band. A van whose past was unlike its family's is better for leaving it towards the family."""
    if held is None:
        return None
    if abs(held.z) <= 1.0:
        return "better" if last_outside else "same"
    if tracking_of(name).less_is_better and held.z < 0:
        return "better"
    if group is not None and abs(group.z) <= 1.0 and abs(value - group.expected) < abs(held.expected - group.expected):
        away = not group.low <= held.expected <= group.high
        return "better" if away else "worse"
    return "worse"


def _leading(judged: Sequence[Judged], compared: _Compared, *, few: bool) -> list[Fact]:
    """What to say first: crossed limits by what comes of them, what is worse, what is better, or that nothing is; ahead of it how
    little it rests on."""
    found = {one.quantity: one for one in judged}
    told_with_level = {
        slope
        for bank in ("", BANK2_PREFIX)
        if (slope := bank + SLOPE) in found
        and found[slope].word == "worse"
        and any(_is_held(one.quantity) and one.word == "worse" for one in judged if _bank(one.quantity) == bank)
    }
    rest = [one for one in judged if one.quantity not in told_with_level]

    def hurts(one: Judged) -> tuple[int, float]:
        kind = CONSEQUENCE_KINDS.index(one.means) if one.means else len(CONSEQUENCE_KINDS)
        return kind, -abs(one.band.z) if one.band is not None else 0.0

    worse = sorted((one for one in rest if one.word == "worse"), key=hurts)
    better = sorted((one for one in rest if one.word == "better"), key=hurts)
    facts = [_said(one, "van_worse", _holding(one, found)) for one in worse]
    facts += [_said(one, "van_back" if one.last_outside and one.within else "van_better", None) for one in better]
    if few:
        facts.insert(0, Fact.of(f"van_few_{compared.basis}", count=compared.held, out_of=compared.known))
    if not facts and judged:
        count = sum(one.band is not None for one in judged)
        more = compared.known if compared.known > count else None
        facts = [
            Fact.of("van_same", count=count, out_of=more) if count else Fact.of("van_within_limits", count=len(judged))
        ]
    return facts if judged else [Fact.of("van_nothing_read")]


def _holding(one: Judged, found: Mapping[str, Judged]) -> str | None:
    """Whether lambda grows leaner or richer while the throttle is held, where that is unusual too."""
    slope = found.get(_bank(one.quantity) + SLOPE) if _is_held(one.quantity) else None
    if slope is None or slope.word != "worse":
        return None
    return "leaner" if slope.value > 0 else "richer"


def _is_held(quantity: str) -> bool:
    return base_name(quantity).removesuffix("_v") == HELD


def _bank(quantity: str) -> str:
    return BANK2_PREFIX if quantity.startswith(BANK2_PREFIX) else ""


def _said(one: Judged, code: str, holding: str | None) -> Fact:
    band = one.band
    if band is None:
        return Fact.of(
            "van_beyond_limit", one.quantity, level=one.value, holding=holding, limit=one.limit, means=one.means
        )
    beyond: dict[str, float | str] = {"limit": one.limit, "means": one.means} if one.means else {}
    numbers: dict[str, float | str] = {
        "level": one.value,
        "expected_low": band.low,
        "expected_high": band.high,
        "basis": "own" if one.own is not None else "family",
    }
    if code == "van_better":
        return Fact.of(code, one.quantity, **numbers)
    before = one.last if np.isfinite(one.last) else None
    if code == "van_back":
        return Fact.of(code, one.quantity, before=one.last, **numbers)
    return Fact.of(code, one.quantity, before=before, holding=holding, **numbers, **beyond)


def _basis(judged: Sequence[Judged], van_id: str, family: Family, past: VanPast | None) -> list[Fact]:
    """What the visit was held against, and how the van stands to its family."""
    if past is None and not van_id:
        return [Fact.of("held_against_no_van", family=family.name)]
    if past is None:
        return [Fact.of("held_against_limits", family=family.name)]
    if not past.vans:
        return [Fact.of("held_against_nothing", family=family.name)]
    if not past.visits:
        return [Fact.of("held_against_family", van=van_id, family=family.name, vans=past.vans)]
    facts = [Fact.of("held_against_past", count=past.visits, since=past.last_week, family=family.name, vans=past.vans)]
    for one in judged:
        if one.against_family == "worse" and one.word != "worse" and one.family is not None:
            facts.append(
                Fact.of(
                    "apart_from_family",
                    one.quantity,
                    level=one.value,
                    expected_low=one.family.low,
                    expected_high=one.family.high,
                    family=family.name,
                )
            )
    return facts
