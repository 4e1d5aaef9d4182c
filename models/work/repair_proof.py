"""Proof of a repair: did what it touched move back, beyond what chance and uncertainty allow."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import polars as pl
from scipy.special import ndtri

from data_contracts.errors import NotEnoughDataError
from data_contracts.facts.fact import Fact
from models.statistics.arrays import Floats
from models.statistics.levels_compared import Compared, Level, against_both, level_at_last, mean_level
from models.statistics.proportions import share_interval
from models.tracking.charts.recursion import STRAYED
from models.tracking.charts.repair_trials import BEFORE_VISITS, CONFIDENCE, GOOD_CAPTURES, MOST_VISITS
from models.tracking.visits import is_tracked

__all__ = ["PROOF_COLUMNS", "Level", "ProofCount", "RepairProof", "TouchedQuantity", "proof_statistics", "prove_repair"]

PROOF_COLUMNS = ("van_id", "captured_at", "week", "visit", "grade", "grade_reasons")
"""What `proof_in_time` needs of captures."""
PROOF_TRENDS = (
    "van_id",
    "week",
    "quantity",
    "value",
    "value_u",
    "baseline",
    "baseline_u",
    "peer_baseline",
    "alarm",
)
"""What it needs of trends."""
PROVING_WEEKS = 6
"""A repair that can't be told by then is no longer waited for. Common practice, no source (2026-11-29). [week]"""
Verdict = Literal["proven", "not_proven", "made_worse", "cant_tell"]


@dataclass(frozen=True)
class TouchedQuantity(Compared):
    """One quantity the repair touched.

    Attributes
    ----------
    quantity : str
    """

    quantity: str = ""


@dataclass(frozen=True)
class RepairProof:
    """Verdict over all quantities a repair touched.

    Attributes
    ----------
    verdict : {"proven", "not_proven", "made_worse", "cant_tell"}
        An order that is made worse is not proven; one that can't be told yet waits, and is left open after some weeks.
    quantities : tuple of TouchedQuantity
    left_out : mapping of str to {"before", "after", "expected"}
        Quantities that could not be compared, and which level is not known.
    """

    verdict: Verdict
    quantities: tuple[TouchedQuantity, ...]
    left_out: Mapping[str, str]

    @property
    def facts(self) -> tuple[Fact, ...]:
        """One per quantity compared."""
        return tuple(
            Fact.of(
                "repair_compared",
                one.quantity,
                before=one.before.value,
                after=one.after.value,
                expected=one.expected.value,
                change=one.change,
                low=one.low,
                high=one.high,
                outcome=one.verdict,
            )
            for one in self.quantities
        )


def prove_repair(
    before: Mapping[str, Level],
    after: Mapping[str, Level],
    expected: Mapping[str, Level],
    touched: Sequence[str],
    *,
    family: Mapping[str, Level] | None = None,
    confidence: float = CONFIDENCE,
) -> RepairProof:
    """Compare a van before and after a repair, quantity by quantity.

    Parameters
    ----------
    before, after, expected : mapping of str to Level
        At reference conditions; expected is the van's own sound level.
    touched : sequence of str
        Quantities the repair should bring back.
    family : mapping of str to Level, optional
        Level of healthy vans of the family, with their spread: coming back to it is coming back. It stands alone where a
        van's own level strayed from it.
    confidence : float
        Of all intervals together: each is widened for their number (Bonferroni). [1]

    Returns
    -------
    RepairProof
        Proven (repaired): at least one quantity moved back significantly and ends within what is expected of a sound
        van or has made good more than half of its distance (that not where the last visit stood alone), none that had
        moved surely stays more than half as far, and none got worse. Made worse: one surely moved away, beyond what is expected. Not proven (not repaired): one that
        had moved surely stays more than half as far. Else it can't be told yet: nothing had moved before, or the
        intervals are too wide.

    Raises
    ------
    NotEnoughDataError
        If nothing can be compared.
    """
    left_out: dict[str, str] = {}
    usable: list[str] = []
    for name in dict.fromkeys(touched):
        for level, when in ((before.get(name), "before"), (after.get(name), "after"), (expected.get(name), "expected")):
            if level is None or not level.known:
                left_out[name] = when
                break
        else:
            usable.append(name)
    if not usable:
        raise NotEnoughDataError(
            f"none of {len(left_out)} touched quantities was read before and after the repair: record again"
        )
    width = float(ndtri(0.5 + 0.5 * (1.0 - (1.0 - confidence) / len(usable))))
    peers = family or {}
    pairs = {
        name: against_both(before[name], after[name], _own(expected[name], peers.get(name)), peers.get(name), width)
        for name in usable
    }
    touched_ones = tuple(TouchedQuantity(**vars(pair), quantity=name) for name, pair in pairs.items())
    words = [one.verdict for one in touched_ones]
    verdict: Verdict = "cant_tell"
    if "worse" in words:
        verdict = "made_worse"
    elif any(one.still_away for one in touched_ones):
        verdict = "not_proven"
    elif "restored" in words:
        verdict = "proven"
    return RepairProof(verdict, touched_ones, left_out)


def _own(expected: Level, family: Level | None) -> Level | None:
    """A van's own level, or None where it strayed from its family's."""
    strayed = family is not None and abs(expected.value - family.value) > STRAYED * family.u
    return None if strayed else expected


@dataclass(frozen=True)
class ProofInTime:
    """Where the proof of a repair stands.

    Attributes
    ----------
    captures : int
        Good captures since the repair.
    proof : RepairProof or None
        None with fewer than `GOOD_CAPTURES`, or where nothing can be compared.
    week, before : str
        ISO week of the visit that decided, or of the last one; and of the last visit before the repair. Empty for none.
    late : bool
        The van was recorded `PROVING_WEEKS` or more after the repair.
    """

    captures: int
    proof: RepairProof | None = None
    week: str = ""
    before: str = ""
    late: bool = False

    @property
    def told(self) -> bool:
        """Whether the captures say what it did, for better or worse."""
        return self.proof is not None and self.proof.verdict != "cant_tell"

    @property
    def left_open(self) -> Fact:
        """Why it can't be told: too few good captures, nothing to compare, or a movement within its uncertainty."""
        if self.captures < GOOD_CAPTURES:
            return Fact.of("proof_too_few", count=self.captures, out_of=GOOD_CAPTURES)
        return Fact.of("proof_unread" if self.proof is None else "proof_within_scatter")


def proof_in_time(
    trends: pl.DataFrame,
    captures: pl.DataFrame,
    done_at: datetime,
    touched: Collection[str],
    beside: Collection[str] = (),
) -> ProofInTime:
    """Where the proof of a repair stands, after the captures so far.

    Parameters
    ----------
    trends : polars.DataFrame
        `PROOF_TRENDS` of one van.
    captures : polars.DataFrame
        Of the same van, with `PROOF_COLUMNS`.
    done_at : datetime
        When it was repaired.
    touched : collection of str
        Quantities the repair should bring back.
    beside : collection of str
        All that it touches: those of them that stood in alarm at the last visit before decide where they do so before
        anything of the former was read before and after (snaps held briefly have no main peak).

    Returns
    -------
    ProofInTime

    Notes
    -----
    *Before* is what the last visits ahead of the repair agree on (`level_at_last`), *after* the mean of the visits since,
    from as many as hold three good captures; where these leave it open, of one visit more each time, up to six. The first
    visits that decide, decide for good: what comes later is another matter.
    """
    stands = _by_quantities(trends, captures, done_at, touched)
    if not touched or not (shown := _in_alarm_before(trends, captures, done_at, beside)):
        return stands
    other = _by_quantities(trends, captures, done_at, shown)
    if other.proof is None or stands.proof is None:
        return stands if other.proof is None else other
    known_then = _by_quantities(trends.filter(pl.col("week") <= other.week), captures, done_at, touched)
    return other if other.told and known_then.proof is None else stands


def _in_alarm_before(
    trends: pl.DataFrame, captures: pl.DataFrame, done_at: datetime, names: Collection[str]
) -> list[str]:
    """Quantities in alarm at the last visit before a repair that read them."""
    if not names:
        return []
    last_of = captures.group_by("week").agg(pl.col("captured_at").max())
    before = last_of.filter(pl.col("captured_at") <= done_at)["week"]
    rows = trends.filter(pl.col("quantity").is_in(list(names)), pl.col("week").is_in(before.implode()))
    last = rows.filter(pl.col("value").is_not_null()).sort("week").group_by("quantity").last()
    return sorted(last.filter(pl.col("alarm"))["quantity"])


def _by_quantities(
    trends: pl.DataFrame, captures: pl.DataFrame, done_at: datetime, touched: Collection[str]
) -> ProofInTime:
    """Where the proof stands by some quantities alone."""
    good = captures.filter(is_tracked()).filter(pl.col("captured_at") > done_at)
    last_of = dict(captures.group_by("week").agg(pl.col("captured_at").max()).iter_rows())
    mine = trends.filter(pl.col("quantity").is_in(list(touched)) & pl.col("value").is_not_null()).sort("week")
    weeks = mine["week"].unique().sort().to_list()
    later = [week for week in weeks if week in last_of and last_of[week] > done_at]
    earlier = [week for week in weeks if week not in later]
    late = not captures.is_empty() and max(last_of.values()) >= done_at + timedelta(weeks=PROVING_WEEKS)
    stands = ProofInTime(good.height, late=late)
    for count in range(1, min(len(later), MOST_VISITS) + 1):
        seen = later[:count]
        if good.filter(pl.col("week") <= seen[-1]).height < GOOD_CAPTURES:
            continue
        ahead = mine.filter(pl.col("week").is_in(earlier))
        try:
            proof = prove_repair(
                _means(ahead.group_by("quantity", maintain_order=True).tail(BEFORE_VISITS), level_at_last),
                _means(mine.filter(pl.col("week").is_in(seen))),
                _levels(ahead.group_by("quantity", maintain_order=True).last(), "baseline", "baseline_u"),
                sorted(touched),
                family=_families(mine),
            )
        except NotEnoughDataError:
            continue
        stands = ProofInTime(good.height, proof, seen[-1], earlier[-1], late)
        if stands.told:
            break
    return stands


def _means(rows: pl.DataFrame, level_of: Callable[[Floats, Floats], Level] = mean_level) -> dict[str, Level]:
    known = rows.drop_nulls(["value", "value_u"])
    return {
        str(quantity): level_of(part["value"].to_numpy(), part["value_u"].to_numpy())
        for (quantity,), part in known.group_by(["quantity"], maintain_order=True)
    }


def _levels(rows: pl.DataFrame, value: str, u: str) -> dict[str, Level]:
    known = rows.drop_nulls([value, u])
    return {q: Level(v, each) for q, v, each in known.select("quantity", value, u).iter_rows()}


def _families(rows: pl.DataFrame) -> dict[str, Level]:
    """The family's level: a van's baseline starts from it, with the spread of healthy vans, at its first visit."""
    first = rows.group_by("quantity", maintain_order=True).first()
    return _levels(first, "peer_baseline", "baseline_u")


@dataclass(frozen=True)
class ProofCount:
    """Proofs of one action or part.

    Attributes
    ----------
    proven, not_proven, made_worse, cant_tell : int
    share, low, high : float or None
        Share proven of those that could be told, and its 95 % interval (Wilson); None where none could. [1]
    """

    proven: int
    not_proven: int
    made_worse: int
    cant_tell: int
    share: float | None
    low: float | None
    high: float | None


def proof_statistics(verdicts: Sequence[tuple[str, str]]) -> dict[str, ProofCount]:
    """How often each action or part was proven.

    Parameters
    ----------
    verdicts : sequence of (str, str)
        Action or part, and verdict.

    Returns
    -------
    dict of str to ProofCount
    """
    found: dict[str, ProofCount] = {}
    for name in dict.fromkeys(name for name, _ in verdicts):
        mine = [verdict for other, verdict in verdicts if other == name]
        k, worse, left_open = mine.count("proven"), mine.count("made_worse"), mine.count("cant_tell")
        told = len(mine) - left_open
        shares = share_interval(k, told) if told else (None, None, None)
        found[name] = ProofCount(k, mine.count("not_proven"), worse, left_open, *shares)
    return found
