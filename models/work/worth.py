"""What a job is worth: what waiting costs against acting now, in parts that add up."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import RUNNING
from data_contracts.facts.fact import Fact
from data_contracts.jobs import JOBS, TESTS, Job
from data_contracts.states import URGENCIES
from models.statistics.arrays import Codes, Floats


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
    horizon_weeks : float
        How long it would wait otherwise: a van serviced once a year meets its next service in half a year on average.
        [week]
    planned_weeks : float
        Wait for a visit that is planned without haste. [week]
    call_in_cost : float
        Fetching a van outside its planned visits. [currency]
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
    horizon_weeks: float = 26.0
    planned_weeks: float = 6.0
    call_in_cost: float = 120.0
    handling_hours: float = 0.3
    warranty_weeks: float = 8.0
    minimum_probability: float = 0.45


@dataclass(frozen=True)
class Worth:
    """Worth of one order in parts: the last is the sum of those before.

    Attributes
    ----------
    failure_avoided : float
        Probability × cost of what may come while it waits, over the causes the order would mend. [currency]
    running_avoided : float
        Fuel and power that waiting costs week by week. [currency]
    put_off : float
        Work and parts that waiting would not save but put off: a fault does not heal. [currency]
    warranty : float
        Work and parts the warranty pays while it lasts. [currency]
    work, parts, van_time : float
        What the order costs; negative or zero. [currency]
    expected_cost_avoided : float
        Their sum. [currency]
    hours : float
        Workshop hours. [h]
    failure_probability : float
        Probability of a failure before the job would otherwise be done, over the causes the order would mend. [1]
    """

    failure_avoided: float
    running_avoided: float
    put_off: float
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


NO_WORTH = Worth(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""Of an order that only waits: no work, nothing avoided."""


@dataclass(frozen=True)
class Waiting:
    """What it costs to leave a cause for some weeks.

    Attributes
    ----------
    failures : float
        Expected cost of what comes once. [currency]
    running : float
        Fuel and power. [currency]
    probability : float
        That anything comes. [1]
    """

    failures: float
    running: float
    probability: float

    @property
    def cost(self) -> float:
        """All of it. [currency]"""
        return self.failures + self.running


def waiting(cause: str, severity: float, weeks: float) -> Waiting:
    """What it costs to leave a cause for some weeks, of a van of ordinary duty.

    Parameters
    ----------
    cause : str
        Its record says what waiting costs.
    severity : float
        NaN counts as one half. [1]
    weeks : float
        [week]

    Returns
    -------
    Waiting

    Notes
    -----
    What comes once comes at a constant rate that goes with a power of the severity, so with probability
    1 - exp(-rate x weeks).
    """
    size = 0.5 if not np.isfinite(severity) else min(max(severity, 0.0), 1.0)
    failures, running, spared = 0.0, 0.0, 1.0
    for consequence in EVERY_CAUSE[cause].if_left:
        expected = consequence.a_week * size**consequence.grows * weeks
        if consequence.kind in RUNNING:
            running += expected
        else:
            failures += -math.expm1(-expected) * consequence.cost
            spared *= math.exp(-expected)
    return Waiting(failures, running, 1.0 - spared)


def worth_of_order(
    probability: Mapping[str, float],
    leading: str,
    test: str | None,
    *,
    severity: float,
    severities: Mapping[str, float] | None = None,
    day: date,
    warranty_until: date | None,
    duty: float = 1.0,
    settings: RankingSettings | None = None,
    jobs: Mapping[str, Job] = JOBS,
    also: Mapping[str, float] | None = None,
) -> Worth:
    """Worth of doing now what the order says.

    Parameters
    ----------
    probability : mapping of str to float
        Of every cause and of none.
    leading : str
        A cause: its job is done. Otherwise the test is done, if one is given, else the van is recorded again.
    test : str or None
        Key of data_contracts/jobs.py; beside a job it is done in the same visit.
    severity : float
        See `waiting`.
    severities : mapping of str to float
        Of every cause, given that cause; `severity` where one is left out. [1]
    day : date
        The day of the decision.
    warranty_until : date or None
        Last day of warranty.
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    settings : RankingSettings, optional
    jobs : mapping of str to Job
        Jobs with the workshop's own hours and costs.
    also : mapping of str to float
        Causes mended in the same visit, and how likely each is to be there: own hours and parts, no second handling.

    Returns
    -------
    Worth

    Notes
    -----
    What waiting to the horizon costs, against acting now. A fault does not heal: its work and parts are only put off
    by waiting, while work in vain, handling and the van's time are spent by acting now. A job for a cause mends that
    cause. After a test whatever it finds is mended in the same visit where waiting costs more than the van's time for
    it, so its hours and parts are expected ones. Recording again mends nothing yet.
    """
    settings = settings or RankingSettings()
    job = jobs.get(leading)

    def left(code: str) -> Waiting:
        return waiting(code, (severities or {}).get(code, severity), settings.horizon_weeks)

    def losses(code: str) -> float:
        return duty * left(code).failures + left(code).running

    done = {} if job is None else {leading: probability[leading], **(also or {})}
    hours = settings.handling_hours + sum(jobs[code].hours for code in done)
    mended = dict(done)
    if test is not None:
        hours += TESTS[test].minutes / 60.0
        for code, share in TESTS[test].finds.items():
            odds = probability.get(code, 0.0) * share
            if code not in done and losses(code) > jobs[code].hours / settings.day_hours * settings.van_day_cost:
                mended[code] = odds
                hours += odds * jobs[code].hours
    parts = sum(jobs[code].parts_cost * share for code, share in mended.items())
    failure = duty * sum(share * left(code).failures for code, share in mended.items())
    running = sum(share * left(code).running for code, share in mended.items())
    fails = sum(share * left(code).probability for code, share in mended.items())
    put_off = parts + sum(share * jobs[code].hours for code, share in mended.items()) * settings.hour_rate
    work, van_time = -hours * settings.hour_rate, -hours / settings.day_hours * settings.van_day_cost
    covered = warranty_until is not None and day <= warranty_until and job is not None
    warranty = probability[leading] * (hours * settings.hour_rate) + parts if covered else 0.0
    total = failure + running + put_off + warranty + work - parts + van_time
    return Worth(failure, running, put_off, warranty, work, -parts, van_time, total, hours, min(fails, 1.0))


def worth_fact(worth: Worth, settings: RankingSettings) -> Fact:
    """The parts of a worth; as shown they add up but for rounding.

    Parameters
    ----------
    worth : Worth
    settings : RankingSettings
        As it was found with.

    Returns
    -------
    Fact
    """
    return Fact.of(
        "worth",
        total=worth.expected_cost_avoided,
        failure_avoided=worth.failure_avoided,
        failure_probability=worth.failure_probability,
        running=worth.running_avoided,
        put_off=worth.put_off,
        horizon_weeks=settings.horizon_weeks,
        warranty=worth.warranty,
        work=worth.work,
        hours=worth.hours,
        parts=worth.parts,
        van_time=worth.van_time,
    )


def rank_orders(
    urgency: Sequence[str],
    safety: Sequence[bool],
    expected_cost_avoided: Floats,
    hours: Floats,
    van_ids: Sequence[str] | None = None,
) -> Codes:
    """Ranks from 1: safety first among vans that are called in, then urgency, then expected cost avoided per hour.

    The order of the list; orders take it over. A van to watch comes after those that are called in, whatever is suspected of it.

    Parameters
    ----------
    urgency : sequence of {"now", "plan", "watch"}
    safety : sequence of bool
        Failing can endanger people.
    expected_cost_avoided : ndarray of shape (orders,)
        [currency]
    hours : ndarray of shape (orders,)
        [h]
    van_ids : sequence of str, optional
        Of two that are equal in all else the first by name goes first.

    Returns
    -------
    ndarray of shape (orders,), int
    """
    per_hour = np.asarray(expected_cost_avoided, dtype=np.float64) / np.maximum(hours, 1e-9)
    level = np.array([URGENCIES.index(word) for word in urgency], dtype=np.int64)
    watched = level == URGENCIES.index("watch")
    names = (
        np.zeros(len(level)) if van_ids is None else np.unique(np.asarray(van_ids, dtype=str), return_inverse=True)[1]
    )
    order = np.lexsort((names, -per_hour, level, ~np.asarray(safety, dtype=bool), watched))
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[order] = np.arange(1, len(order) + 1)
    return ranks
