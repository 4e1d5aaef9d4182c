"""What may go on in a van between two recordings: faults begin, grow, are missed, cost money and become serious."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from data_contracts.causes import CAUSES
from data_contracts.causes.record import RUNNING
from models.statistics.arrays import Floats
from models.work.danger import SERIOUS_DANGER, SERIOUS_SEVERITY

GROWTH: tuple[tuple[float, float], ...] = ((0.2, 0.0), (0.2, 6.0), (0.35, 10.0), (0.25, 16.0))
"""Share of the faults, and weeks from their onset to severity 1: one in five is there at once. A judgement, no source
(2026-11-29)."""
HALF_SHOWN, STEEPNESS = 0.15, 2.5
"""Severity at which every second visit shows a sign, and how sharply that rises. Of visits of the sample fleet (seed 900, readings of
every week) a residual beyond those of nine healthy visits in ten was shown by 60 % at severity 0.15, 80 % at 0.25, 90 % at 0.35
and 98 % at 0.5 (2026-11-29)."""
PAST_WEEKS = 52
"""Faults that began longer ago are left out. [week]"""
SUREST = 0.999
"""No suspicion is held for surer. [1]"""
AHEAD_WEEKS = 52
"""How far the course of a fault is followed. [week]"""

_SHARES = np.array([share for share, _ in GROWTH])
_WEEKS = np.array([weeks for _, weeks in GROWTH])


def severity_after(weeks: Floats, start: float = 0.0) -> Floats:
    """Severity of a fault of each growth some time after it was at a severity.

    Parameters
    ----------
    weeks : ndarray of shape (times,)
        Since then; not above 0 is before. [week]
    start : float
        Severity it had; a fault that is there at once stays where it is, or is whole from the start. [1]

    Returns
    -------
    ndarray of shape (growths, times)
        [1]
    """
    later = np.asarray(weeks, dtype=np.float64)
    at_once = start if start > 0.0 else 1.0
    grown = start + later / np.where(_WEEKS > 0.0, _WEEKS, 1.0)[:, None]
    found = np.where(_WEEKS[:, None] > 0.0, np.minimum(grown, 1.0), at_once)
    return np.asarray(np.where(later > 0.0, found, start), dtype=np.float64)


def shown_at(severity: Floats) -> Floats:
    """Probability that one visit shows a sign of a fault of a severity, from 0 to 1. [1]"""
    power = np.asarray(severity, dtype=np.float64) ** STEEPNESS
    return np.asarray(power / (power + HALF_SHOWN**STEEPNESS))


def serious_from(cause: str) -> float:
    """Severity from which a cause is serious. [1]"""
    return SERIOUS_DANGER if CAUSES[cause].endangers else SERIOUS_SEVERITY


def cost_a_week(cause: str, severity: Floats) -> tuple[Floats, Floats]:
    """What a week with a cause costs an ordinary van.

    Parameters
    ----------
    cause : str
    severity : ndarray
        From 0 to 1. [1]

    Returns
    -------
    failures, running : ndarray of the same shape
        What comes once, by its odds in a week; and fuel and power. [currency/week]
    """
    size = np.asarray(severity, dtype=np.float64)
    failures, running = np.zeros_like(size), np.zeros_like(size)
    for consequence in CAUSES[cause].if_left:
        a_week = consequence.a_week * size**consequence.grows
        if consequence.kind in RUNNING:
            running += a_week
        else:
            failures += a_week * consequence.cost
    return failures, running


@dataclass(frozen=True)
class Course:
    """What one fault does week by week, its cause and growth not yet known.

    Attributes
    ----------
    failures, running : ndarray of shape (growths, weeks)
        Cost of the week in which it is so many weeks old, for a van of ordinary duty; the first is the half week after its
        onset. [currency/week]
    serious : ndarray of shape (growths, weeks)
        Probability that it is serious, half a week later. [1]
    """

    failures: Floats
    running: Floats
    serious: Floats

    @cached_property
    def after(self) -> Floats:
        """What comes of a fault of each growth that began in each of the weeks before a moment.

        An array of shape (growths * PAST_WEEKS, 3 * AHEAD_WEEKS + 1): costs of each week after the moment, those that come once and the
        running ones [currency/week], then whether it is serious at the moment and at the end of each week [1].
        """

        def followed(values: Floats, first: int, weeks: int) -> Floats:
            windows = np.lib.stride_tricks.sliding_window_view(values[:, first:], PAST_WEEKS, axis=1)[:, :weeks]
            return windows.swapaxes(1, 2).reshape(-1, weeks)

        costs = [followed(values, 1, AHEAD_WEEKS) for values in (self.failures, self.running)]
        return np.hstack([*costs, followed(self.serious, 0, AHEAD_WEEKS + 1)])


def course_of(shares: Mapping[str, float]) -> Course:
    """The course of a fault whose cause is drawn from shares.

    Parameters
    ----------
    shares : mapping of str to float
        Share of each cause; sums to one. [1]

    Returns
    -------
    Course
    """
    ages = np.arange(PAST_WEEKS + AHEAD_WEEKS + 1, dtype=np.float64)
    in_week, at_end = severity_after(np.maximum(ages, 0.25)), severity_after(ages + 0.5)
    failures, running, serious = (np.zeros_like(in_week) for _ in range(3))
    for cause, share in shares.items():
        once, weekly = cost_a_week(cause, in_week)
        failures += share * once
        running += share * weekly
        serious += share * (at_end >= serious_from(cause))
    return Course(failures, running, serious)


def still_unseen(visits_ago: Sequence[float], past_weeks: float, signs: Sequence[float] = ()) -> Floats:
    """Share of the faults of each growth and onset that are compatible with what the visits showed.

    Parameters
    ----------
    visits_ago : sequence of float
        How long before now each visit was. [week]
    past_weeks : float
        How long the van has been in use; no fault began before that. [week]
    signs : sequence of float
        Of each visit, how many times as likely what it showed is with a large fault as without one; 1: it showed nothing, as all do
        where this is left out. [1]

    Returns
    -------
    ndarray of shape (growths, PAST_WEEKS)
        By week of the onset, the week before now first. [1]

    Notes
    -----
    A visit that showed nothing leaves the faults that it would not have shown; a sign speaks for those it would.
    """
    ages = np.arange(PAST_WEEKS, dtype=np.float64) + 0.5
    unseen: Floats = np.outer(_SHARES, np.clip(past_weeks - ages + 0.5, 0.0, 1.0))
    for ago, sign in zip(visits_ago, signs or [1.0] * len(visits_ago), strict=True):
        if ago < PAST_WEEKS:
            shown = shown_at(severity_after(ages - ago))
            unseen = unseen * (1.0 - shown + (sign * shown if sign > 1.0 else 0.0))
    return unseen


@dataclass(frozen=True)
class Ahead:
    """What goes on unseen after a moment, without a visit.

    Attributes
    ----------
    failures, running : ndarray of shape (weeks,)
        Expected cost of each week. [currency/week]
    serious : ndarray of shape (weeks + 1,)
        Expected number of serious faults at the moment and at the end of each week: none with probability exp(-number). [1]
    """

    failures: Floats
    running: Floats
    serious: Floats

    def __add__(self, other: "Ahead") -> "Ahead":
        """Both together."""
        return Ahead(self.failures + other.failures, self.running + other.running, self.serious + other.serious)

    def times(self, factor: float) -> "Ahead":
        """The same with all of it more or less often."""
        return Ahead(self.failures * factor, self.running * factor, self.serious * factor)


def begun_later(course: Course) -> Ahead:
    """What comes of faults that begin after the moment, one a week.

    Notes
    -----
    In the week it begins a fault is there for half of it, so costs of c a week add up to c T²/2 after T weeks.
    """
    weeks = np.concatenate(([0.5], np.ones(AHEAD_WEEKS - 1)))
    failures, running = (
        np.cumsum(weeks * (_SHARES @ values)[:AHEAD_WEEKS]) for values in (course.failures, course.running)
    )
    serious = np.cumsum((_SHARES @ course.serious)[:AHEAD_WEEKS])
    return Ahead(failures, running, np.concatenate(([0.0], serious)))


def begun_before(course: Course, unseen: Floats) -> Ahead:
    """What comes of faults that began before the moment, one a week, and were not found.

    Parameters
    ----------
    course : Course
    unseen : ndarray of shape (growths, PAST_WEEKS)
        As `still_unseen` returns it.

    Returns
    -------
    Ahead
    """
    each = unseen.reshape(-1, 1) * course.after
    after = each.sum(axis=0)  # the last bit of a product of matrices may hang on where they lie
    failures, running, serious = np.split(after, (AHEAD_WEEKS, 2 * AHEAD_WEEKS))
    return Ahead(failures, running, serious)


def suspected(probability: Mapping[str, float], severity: float) -> Ahead:
    """What comes of the causes a van is suspected of.

    Parameters
    ----------
    probability : mapping of str to float
        Of causes; others, such as none, are passed over. [1]
    severity : float
        NaN counts as one half. [1]

    Returns
    -------
    Ahead
    """
    now = severity if math.isfinite(severity) else 0.5
    now = min(max(now, 0.01), 1.0)
    in_week = severity_after(np.arange(AHEAD_WEEKS, dtype=np.float64) + 0.5, now)
    at_end = severity_after(np.arange(AHEAD_WEEKS + 1.0), now)
    failures, running, serious = np.zeros(AHEAD_WEEKS), np.zeros(AHEAD_WEEKS), np.zeros(AHEAD_WEEKS + 1)
    for cause, share in probability.items():
        if cause in CAUSES:
            once, weekly = cost_a_week(cause, in_week)
            failures += share * (_SHARES @ once)
            running += share * (_SHARES @ weekly)
            serious += share * (_SHARES @ (at_end >= serious_from(cause)))
    return Ahead(failures, running, -np.log1p(-np.minimum(serious, SUREST)))


def found_in_round(course: Course, interval: int) -> Ahead:
    """What goes on unseen after a visit of a van that has long been seen at one interval, per fault a week.

    Parameters
    ----------
    course : Course
    interval : int
        [week]

    Returns
    -------
    Ahead
    """
    return begun_later(course) + begun_before(course, still_unseen(range(0, PAST_WEEKS, interval), PAST_WEEKS))
