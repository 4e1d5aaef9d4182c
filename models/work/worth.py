"""What a job is worth: expected cost avoided, in parts that add up."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from data_contracts.causes import NONE, NOT_SEPARABLE
from data_contracts.jobs import JOBS, TESTS, Job
from data_contracts.states import URGENCIES


@dataclass(frozen=True)
class RankingSettings:
    """Money, hours and risk; defaults from general knowledge of the trade, no source (2026-11-25).

    Attributes
    ----------
    hour_rate : float
        One workshop hour. [currency/h]
    van_day_cost : float
        One day without the van. [currency]
    day_hours : float
        Workshop hours that cost the van a day on the road. [h]
    failure_if_crossed : float
        Probability that a van fails on the road before the job would otherwise be done, once its limit is crossed.
    failure_if_not : float
        The same below the limit, at severity 1.
    handling_hours : float
        Moving, connecting and recording, for every order. [h]
    warranty_weeks : float
        A warranty that ends within this time pulls a job forward. [week]
    minimum_probability : float
        From this probability the order names a part; below it the next test comes first.
    """

    hour_rate: float = 85.0
    van_day_cost: float = 180.0
    day_hours: float = 8.0
    failure_if_crossed: float = 0.35
    failure_if_not: float = 0.08
    handling_hours: float = 0.3
    warranty_weeks: float = 8.0
    minimum_probability: float = 0.45


@dataclass(frozen=True)
class Worth:
    """Worth of one order in parts: the last is the sum of those before.

    Attributes
    ----------
    failure_avoided : float
        Probability of failing × cost of failing, over the causes the order would mend. [currency]
    warranty : float
        Work and parts the warranty pays while it lasts. [currency]
    work, parts, van_time : float
        What the order costs; negative or zero. [currency]
    expected_cost_avoided : float
        Their sum. [currency]
    hours : float
        Workshop hours. [h]
    failure_probability : float
        Probability of failing before the job would otherwise be done. [1]
    """

    failure_avoided: float
    warranty: float
    work: float
    parts: float
    van_time: float
    expected_cost_avoided: float
    hours: float
    failure_probability: float

    @property
    def per_hour(self) -> float:
        """Expected cost avoided per workshop hour. [currency/h]"""
        return self.expected_cost_avoided / max(self.hours, 1e-9)


NO_WORTH = Worth(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""Of an order that only waits: no work, nothing avoided."""


def failure_probability(crosses: float, severity: float, settings: RankingSettings) -> float:
    """Probability that a van fails before the job would otherwise be done.

    Parameters
    ----------
    crosses : float
        Probability that a limit is crossed before the next visit. [1]
    severity : float
        Severity of the likeliest cause; NaN counts as one half. [1]
    settings : RankingSettings

    Returns
    -------
    float
        [1]
    """
    size = 0.5 if not np.isfinite(severity) else min(max(severity, 0.0), 1.0)
    return crosses * settings.failure_if_crossed + (1.0 - crosses) * settings.failure_if_not * size


def job_price(job: Job, settings: RankingSettings) -> float:
    """What a job costs in a visit already made: work, parts and the van's time.

    Parameters
    ----------
    job : Job
    settings : RankingSettings

    Returns
    -------
    float
        [currency]
    """
    return job.hours * (settings.hour_rate + settings.van_day_cost / settings.day_hours) + job.parts_cost


def worth_of_order(
    probability: Mapping[str, float],
    leading: str,
    test: str | None,
    *,
    crosses: float,
    severity: float,
    day: date,
    warranty_until: date | None,
    duty: float = 1.0,
    settings: RankingSettings | None = None,
    jobs: Mapping[str, Job] = JOBS,
) -> Worth:
    """Worth of doing now what the order says.

    Parameters
    ----------
    probability : mapping of str to float
        Of every cause and of none.
    leading : str
        A cause: its job is done. Otherwise the test is done, if there is one, else the van is recorded again.
    test : str or None
        Key of data_contracts/jobs.py.
    crosses, severity : float
        See `failure_probability`.
    day : date
        The day of the decision.
    warranty_until : date or None
        Last day of warranty.
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    settings : RankingSettings, optional
    jobs : mapping of str to Job
        Jobs with the workshop's own hours and costs.

    Returns
    -------
    Worth

    Notes
    -----
    A job for a cause mends that cause. After a test whatever it finds is mended in the same visit where that is worth
    it, so its hours and parts are expected ones. Recording again mends nothing yet.
    """
    settings = settings or RankingSettings()
    risk = failure_probability(crosses, severity, settings)
    job = jobs.get(leading)
    if job is not None:
        hours, parts = job.hours + settings.handling_hours, job.parts_cost * probability[leading]
        mended = {leading: probability[leading]}
    elif test is not None and leading != NONE:
        found = {code: probability.get(code, 0.0) * share for code, share in TESTS[test].finds.items()}
        mended = {c: p for c, p in found.items() if duty * risk * jobs[c].failure_cost > job_price(jobs[c], settings)}
        hours = TESTS[test].minutes / 60.0 + settings.handling_hours + sum(p * jobs[c].hours for c, p in mended.items())
        parts = sum(p * jobs[c].parts_cost for c, p in mended.items())
    else:
        hours, parts, mended = settings.handling_hours, 0.0, {}
    failure = duty * risk * sum(share * jobs[code].failure_cost for code, share in mended.items())
    work, van_time = -hours * settings.hour_rate, -hours / settings.day_hours * settings.van_day_cost
    covered = warranty_until is not None and day <= warranty_until and job is not None
    warranty = probability[leading] * (hours * settings.hour_rate) + parts if covered else 0.0
    total = failure + warranty + work - parts + van_time
    return Worth(failure, warranty, work, -parts, van_time, total, hours, risk)


def explain_worth(worth: Worth, currency: str = "") -> str:
    """The parts of a worth in one sentence; as shown they add up but for rounding.

    Parameters
    ----------
    worth : Worth
    currency : str
        Shown after each amount.

    Returns
    -------
    str
    """
    unit = f" {currency}" if currency else ""
    parts = [
        (worth.failure_avoided, f"failure avoided ({worth.failure_probability:.0%} likely)"),
        (worth.warranty, "paid by the warranty"),
        (worth.work, f"work ({worth.hours:.1f} h)"),
        (worth.parts, "parts"),
        (worth.van_time, "van off the road"),
    ]
    shown = ", ".join(f"{amount:+.0f}{unit} {name}" for amount, name in parts if abs(amount) >= 0.5)
    return f"Expected {worth.expected_cost_avoided:+.0f}{unit}: {shown}."


def rank_orders(
    urgency: Sequence[str],
    safety: Sequence[bool],
    expected_cost_avoided: NDArray[np.float64],
    hours: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Ranks from 1: safety first among vans that are called in, then urgency, then expected cost avoided per hour.

    A van to watch comes after those that are called in, whatever is suspected of it.

    Parameters
    ----------
    urgency : sequence of {"now", "plan", "watch"}
    safety : sequence of bool
        Failing can endanger people.
    expected_cost_avoided : ndarray of shape (orders,)
        [currency]
    hours : ndarray of shape (orders,)
        [h]

    Returns
    -------
    ndarray of shape (orders,), int
    """
    per_hour = np.asarray(expected_cost_avoided, dtype=np.float64) / np.maximum(hours, 1e-9)
    level = np.array([URGENCIES.index(word) for word in urgency], dtype=np.int64)
    watched = level == URGENCIES.index("watch")
    order = np.lexsort((-per_hour, level, ~np.asarray(safety, dtype=bool), watched))
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(1, len(order) + 1)
    return ranks


def is_safety(leading: str, probability: Mapping[str, float], jobs: Mapping[str, Job] = JOBS) -> bool:
    """Whether failing can endanger people, with at least even odds.

    Parameters
    ----------
    leading : str
        Leading cause.
    probability : mapping of str to float
    jobs : mapping of str to Job

    Returns
    -------
    bool
    """
    if leading in jobs:
        return jobs[leading].safety
    if leading == NOT_SEPARABLE:
        return sum(p for code, p in probability.items() if code in jobs and jobs[code].safety) >= 0.5
    return False
