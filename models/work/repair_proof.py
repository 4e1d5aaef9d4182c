"""Proof of a repair: did what it touched move back, beyond what chance and uncertainty allow."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import norm

from data_contracts.errors import NotEnoughDataError
from data_contracts.facts.fact import Fact
from models.statistics.proportions import share_interval

Verdict = Literal["proven", "not_proven", "made_worse"]


@dataclass(frozen=True)
class Level:
    """Level of one quantity at a visit or over several.

    Attributes
    ----------
    value, u : float
        Level and standard uncertainty; NaN where it was not read. [unit of the quantity]
    """

    value: float
    u: float


@dataclass(frozen=True)
class TouchedQuantity:
    """One quantity the repair touched.

    Attributes
    ----------
    quantity : str
    before, after, expected : Level
        Before and after the repair, and what a sound van would read. [unit of the quantity]
    change, low, high : float
        Movement towards the expectation (negative: away) and its interval. [unit of the quantity]
    restored : float
        Share of the distance to the expectation that is made good. [1]
    verdict : str
        restored, closer, unchanged, worse.
    """

    quantity: str
    before: Level
    after: Level
    expected: Level
    change: float
    low: float
    high: float
    restored: float
    verdict: str


@dataclass(frozen=True)
class RepairProof:
    """Verdict over all quantities a repair touched.

    Attributes
    ----------
    verdict : {"proven", "not_proven", "made_worse"}
        An order that is made worse is not proven.
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

    @property
    def state(self) -> str:
        """State of the order."""
        return "proven" if self.verdict == "proven" else "not_proven"


def prove_repair(
    before: Mapping[str, Level],
    after: Mapping[str, Level],
    expected: Mapping[str, Level],
    touched: Sequence[str],
    *,
    confidence: float = 0.95,
) -> RepairProof:
    """Compare a van before and after a repair, quantity by quantity.

    Parameters
    ----------
    before, after, expected : mapping of str to Level
        At reference conditions; expected is the sound van's level (own past, or family).
    touched : sequence of str
        Quantities the repair should bring back.
    confidence : float
        Of all intervals together: each is widened for their number (Bonferroni). [1]

    Returns
    -------
    RepairProof
        Proven: at least one quantity moved back significantly and ends within what is expected of a sound van or has
        made good more than half of its distance, none that had moved surely stays more than half as far, and none got
        worse.

    Raises
    ------
    NotEnoughDataError
        If nothing can be compared.
    """
    left_out: dict[str, str] = {}
    usable: list[str] = []
    for name in dict.fromkeys(touched):
        for level, when in ((before.get(name), "before"), (after.get(name), "after"), (expected.get(name), "expected")):
            if level is None or not (np.isfinite(level.value) and np.isfinite(level.u)):
                left_out[name] = when
                break
        else:
            usable.append(name)
    if not usable:
        raise NotEnoughDataError(
            f"none of {len(left_out)} touched quantities was read before and after the repair: record again"
        )
    width = float(norm.ppf(0.5 + 0.5 * (1.0 - (1.0 - confidence) / len(usable))))
    compared = tuple(_compare(name, before[name], after[name], expected[name], width) for name in usable)
    words = [one.verdict for one in compared]
    verdict: Verdict = "not_proven"
    if "worse" in words:
        verdict = "made_worse"
    elif "restored" in words and not any(_still_away(one, width) for one in compared):
        verdict = "proven"
    return RepairProof(verdict, compared, left_out)


def _compare(name: str, before: Level, after: Level, expected: Level, width: float) -> TouchedQuantity:
    away, still = before.value - expected.value, after.value - expected.value
    distance_u = float(np.hypot(after.u, before.u))
    moved_before = abs(away) > width * np.hypot(before.u, expected.u)
    # Towards the expectation is positive. A quantity that passed it counts only as far as it ends closer.
    change = abs(away) - abs(still)
    low, high = change - width * distance_u, change + width * distance_u
    within = abs(still) <= width * np.hypot(after.u, expected.u)
    restored = change / abs(away) if abs(away) > 0 else float("nan")
    if high < 0 and not within:
        verdict = "worse"
    elif moved_before and low > 0:
        verdict = "restored" if within or restored > 0.5 else "closer"
    else:
        verdict = "unchanged"
    return TouchedQuantity(name, before, after, expected, change, low, high, restored, verdict)


def _still_away(one: TouchedQuantity, width: float) -> bool:
    """It had moved before, and surely less than half of its distance is made good."""
    distance = abs(one.before.value - one.expected.value)
    moved = distance > width * np.hypot(one.before.u, one.expected.u)
    return bool(moved and one.verdict != "restored" and one.high < 0.5 * distance)


@dataclass(frozen=True)
class ProofCount:
    """Proofs of one action or part.

    Attributes
    ----------
    proven, not_proven, made_worse : int
    share, low, high : float
        Share proven, and its 95 % interval (Wilson). [1]
    """

    proven: int
    not_proven: int
    made_worse: int
    share: float
    low: float
    high: float


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
        n, k = len(mine), mine.count("proven")
        found[name] = ProofCount(k, mine.count("not_proven"), mine.count("made_worse"), *share_interval(k, n))
    return found
