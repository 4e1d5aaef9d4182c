"""A level before and after something was done, against the level that is expected of it: did it come back?"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from models.statistics.arrays import Floats

Outcome = Literal["restored", "closer", "unchanged", "worse"]
MADE_GOOD = 0.5
"""Share of the distance to the expectation that must be made good. Common practice, no source (2026-11-25). [1]"""

AGREES = 3.0
"""Two levels farther apart differ. Common practice, no source (2026-11-30). [standard uncertainties of their difference]"""


@dataclass(frozen=True)
class Level:
    """Level of one quantity at a visit or over several.

    Attributes
    ----------
    value, u : float
        Level and standard uncertainty; NaN where it was not read. [unit of the quantity]
    moving : bool
        The visits ahead of it read otherwise: it was on its way there, or it is one odd visit.
    """

    value: float
    u: float
    moving: bool = False

    @property
    def known(self) -> bool:
        """Whether it was read."""
        return bool(np.isfinite(self.value) and np.isfinite(self.u))


@dataclass(frozen=True)
class Compared:
    """One level, compared.

    Attributes
    ----------
    before, after, expected : Level
        Before and after, and what a sound van would read. [unit of the quantity]
    change, low, high : float
        Change towards the expectation (negative: away) and its interval. [unit of the quantity]
    restored : float
        Share of the distance to the expectation that is made good. [1]
    moved_before : bool
        It had left the expectation beforehand, beyond the uncertainty of both.
    verdict : {"restored", "closer", "unchanged", "worse"}
    """

    before: Level
    after: Level
    expected: Level
    change: float
    low: float
    high: float
    restored: float
    moved_before: bool
    verdict: Outcome

    @property
    def still_away(self) -> bool:
        """It had moved before, and surely less than half of its distance is made good."""
        distance = abs(self.before.value - self.expected.value)
        return self.moved_before and self.verdict != "restored" and self.high < MADE_GOOD * distance

    @property
    def accuses(self) -> bool:
        """It surely stays away, or moved further away."""
        return self.still_away or self.verdict == "worse"


def compared(before: Level, after: Level, expected: Level, width: float) -> Compared:
    """Compare one level before and after.

    Parameters
    ----------
    before, after, expected : Level
        All known. [unit of the quantity]
    width : float
        Half of the intervals. [standard uncertainties]

    Returns
    -------
    Compared
        Restored: it had moved before, came back significantly, and ends within what is expected or made good more than
        half of its distance (the latter of a level that stood: after one odd visit the next is closer by itself).
        Closer: significantly, and less than that. Worse: it surely moved away, and ends outside what is expected.
    """
    away, still = before.value - expected.value, after.value - expected.value
    distance_u = float(np.hypot(after.u, before.u))
    moved_before = bool(abs(away) > width * np.hypot(before.u, expected.u))
    # Towards the expectation is positive. A quantity that passed it counts only as far as it ends closer.
    change = abs(away) - abs(still)
    low, high = change - width * distance_u, change + width * distance_u
    within = abs(still) <= width * np.hypot(after.u, expected.u)
    restored = change / abs(away) if abs(away) > 0 else float("nan")
    verdict: Outcome = "unchanged"
    if high < 0 and not within:
        verdict = "worse"
    elif moved_before and low > 0:
        verdict = "restored" if within or (restored > MADE_GOOD and not before.moving) else "closer"
    return Compared(before, after, expected, change, low, high, restored, moved_before, verdict)


def against_both(before: Level, after: Level, own: Level | None, family: Level | None, width: float) -> Compared:
    """Compare one level with a van's own sound level, and with its family's where that one misleads.

    Parameters
    ----------
    before, after : Level
        Both known. [unit of the quantity]
    own : Level or None
        The van's own level before the fault; None where it is not to be trusted.
    family : Level or None
        Level of healthy vans of the family, with their spread; None where it is not known. One of the two is given.
    width : float
        Half of the intervals. [standard uncertainties]

    Returns
    -------
    Compared
        That with the van's own level; but that with the family's, where the level came back past its own, which may have
        learned a part of the fault, or left its own for another one within the family.
    """
    by_own, by_family = (None if level is None else compared(before, after, level, width) for level in (own, family))
    if by_own is None or by_family is None:
        only = by_own or by_family
        assert only is not None
        return only
    if by_own.verdict == "restored":
        return by_own
    if by_own.moved_before:  # a baseline that learned a part of the fault lies between it and what is sound
        passed = (after.value - by_own.expected.value) * (before.value - by_own.expected.value) < 0
        return by_family if passed and not by_family.accuses else by_own
    within = abs(after.value - by_family.expected.value) <= width * np.hypot(after.u, by_family.expected.u)
    return by_family if by_own.verdict == "worse" and within else by_own  # a new part may read otherwise


def level_at_last(values: Floats, u: Floats) -> Level:
    """Level that the last visits agree on: what grew or stepped until then is no scatter of it.

    Parameters
    ----------
    values, u : ndarray of shape (visits,)
        Values and standard uncertainties, the newest last; NaN is unread. [unit of the quantity]

    Returns
    -------
    Level
        That of the newest visit, and of those before it for as long as each lies within `AGREES` standard uncertainties of
        the mean of the later ones, as `mean_level` gives it; moving where it leaves one out. NaN where nothing was read.
    """
    read = np.isfinite(values) & np.isfinite(u)
    x, size = values[read], u[read]
    kept = x[-1:].size
    while kept and kept < x.size:
        weight = 1.0 / np.maximum(size[-kept:], 1e-12) ** 2
        later = float(np.sum(weight * x[-kept:]) / np.sum(weight))
        if abs(x[-kept - 1] - later) > AGREES * float(np.sqrt(size[-kept - 1] ** 2 + 1.0 / np.sum(weight))):
            break
        kept += 1
    return replace(mean_level(x[x.size - kept :], size[x.size - kept :]), moving=kept < x.size)


def mean_level(values: Floats, u: Floats) -> Level:
    """Level of several visits.

    Parameters
    ----------
    values, u : ndarray of shape (visits,)
        Values and standard uncertainties; NaN is unread. [unit of the quantity]

    Returns
    -------
    Level
        Their mean, each weighted by its stated variance; its uncertainty is the stated one, or the visits' own spread
        where that is wider, the stated one counting as two visits (Birge's ratio, drawn towards one). NaN where nothing
        was read.
    """
    read = np.isfinite(values) & np.isfinite(u)
    count = int(read.sum())
    if not count:
        return Level(float("nan"), float("nan"))
    x, size = values[read], float(u[read].max()) or 1.0
    weight = 1.0 / np.maximum(u[read] / size, 1e-6) ** 2
    middle = float(np.sum(weight * x) / np.sum(weight))
    own = float(np.sum(weight * ((x - middle) / size) ** 2))
    return Level(middle, size * float(np.sqrt(max(1.0, (2.0 + own) / (count + 1.0)) / np.sum(weight))))
