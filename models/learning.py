"""Learning from what workshops found: priors of causes, hours and costs, and trust in what flagged a van.

Everything is computed anew from all findings, so a finding that is withdrawn leaves no trace, and every change
is told in a sentence.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE
from data_contracts.errors import InputError
from data_contracts.jobs import JOBS, Job


@dataclass(frozen=True)
class Finding:
    """What a workshop found on one order.

    Attributes
    ----------
    order_id, family : str
    found : str
        A cause, or none for nothing found.
    hours : float or None
        Hours it took. [h]
    parts_cost : float or None
        Cost of the parts. [currency]
    flagged_by : tuple of str
        Quantities whose alarm stood.
    """

    order_id: str
    family: str
    found: str
    hours: float | None = None
    parts_cost: float | None = None
    flagged_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class LearningSettings:
    """How fast findings change what was believed before.

    Attributes
    ----------
    fleet_weight : float
        Findings a prior over all families is worth before any was made. [findings]
    family_weight : float
        Findings the fleet's shares are worth for one family. [findings]
    cost_weight : float
        Findings a default of hours or cost is worth. [findings]
    trust_weight : float
        Findings the initial trust in a quantity's alarm is worth. [findings]
    """

    fleet_weight: float = 40.0
    family_weight: float = 20.0
    cost_weight: float = 4.0
    trust_weight: float = 10.0


@dataclass(frozen=True)
class Trust:
    """How often an alarm of a quantity ended in a finding.

    Attributes
    ----------
    right, wrong : int
        Orders with something, and with nothing found.
    share, u : float
        Expected share right, and its standard uncertainty. [1]
    """

    right: int
    wrong: int
    share: float
    u: float


@dataclass(frozen=True)
class Learned:
    """What the findings teach.

    Attributes
    ----------
    priors : mapping of str to ndarray of shape (codes,)
        Per family, in the order of CAUSE_CODES; sums to one.
    jobs : mapping of str to Job
        Jobs with shrunken hours and parts cost.
    trust : mapping of str to Trust
        Per quantity that ever flagged a van.
    changes : tuple of str
        What moved and why, for the model card.
    findings : int
    """

    priors: Mapping[str, NDArray[np.float64]]
    jobs: Mapping[str, Job]
    trust: Mapping[str, Trust]
    changes: tuple[str, ...]
    findings: int


def dirichlet_mean(prior: NDArray[np.float64], weight: float, counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Posterior mean of shares after counts, from a Dirichlet prior.

    Parameters
    ----------
    prior : ndarray of shape (codes,)
        Prior mean; sums to one.
    weight : float
        Observations the prior is worth.
    counts : ndarray of shape (codes,)

    Returns
    -------
    ndarray of shape (codes,)
    """
    return np.asarray((weight * prior + counts) / (weight + counts.sum()))


def shrunken_mean(default: float, weight: float, values: Sequence[float]) -> float:
    """Mean of values shrunk to a default worth some observations.

    Parameters
    ----------
    default : float
        [any unit]
    weight : float
        Observations the default is worth.
    values : sequence of float
        [same unit]

    Returns
    -------
    float
    """
    return (weight * default + float(np.sum(values))) / (weight + len(values))


def learn(
    findings: Sequence[Finding],
    families: Sequence[str],
    *,
    start: NDArray[np.float64] | None = None,
    prior_none: float = 0.6,
    settings: LearningSettings | None = None,
    jobs: Mapping[str, Job] = JOBS,
) -> Learned:
    """Update priors, hours, costs and trust from all findings so far.

    Parameters
    ----------
    findings : sequence of Finding
        One per completed order, the last word on it; order of no matter.
    families : sequence of str
        Families to give priors for.
    start : ndarray of shape (codes,), optional
        Prior before any finding. Default: all causes alike beside `prior_none`.
    prior_none : float
        Prior of none, where `start` is not given. [1]
    settings : LearningSettings, optional
    jobs : mapping of str to Job
        Defaults.

    Returns
    -------
    Learned

    Raises
    ------
    InputError
        If an order comes twice, or a finding is no cause.
    """
    settings = settings or LearningSettings()
    names = [finding.order_id for finding in findings]
    if len(set(names)) < len(names):
        raise InputError("an order has two findings: keep the last word on it")
    wrong = next((finding for finding in findings if finding.found not in CAUSE_CODES), None)
    if wrong is not None:
        raise InputError(f"order {wrong.order_id}: found {wrong.found!r}: give a cause, or 'none' for nothing found")
    if start is None:
        start = np.full(len(CAUSE_CODES), (1.0 - prior_none) / len(CAUSES))
        start[CAUSE_CODES.index(NONE)] = prior_none
    counts = {family: _counts([f for f in findings if f.family == family]) for family in families}
    fleet = dirichlet_mean(start, settings.fleet_weight, _counts(findings))
    priors = {family: dirichlet_mean(fleet, settings.family_weight, counts[family]) for family in families}
    changes = [
        f"{family}: '{_title(code)}' from {start[number]:.1%} to {priors[family][number]:.1%} "
        f"after {int(counts[family][number])} of {int(counts[family].sum())} findings in the family, "
        f"{sum(f.found == code for f in findings)} of {len(findings)} in the fleet."
        for family in families
        for number, code in enumerate(CAUSE_CODES)
        if findings and abs(priors[family][number] - start[number]) > 0.25 * start[number]
    ]
    learned_jobs = dict(jobs)
    for code, job in jobs.items():
        mine = [finding for finding in findings if finding.found == code]
        hours = [f.hours for f in mine if f.hours is not None]
        parts = [f.parts_cost for f in mine if f.parts_cost is not None]
        new = replace(
            job,
            hours=shrunken_mean(job.hours, settings.cost_weight, hours),
            parts_cost=shrunken_mean(job.parts_cost, settings.cost_weight, parts),
        )
        learned_jobs[code] = new
        if abs(new.hours - job.hours) >= 0.1:
            changes.append(f"'{_title(code)}': {job.hours:.1f} h to {new.hours:.1f} h after {len(hours)} jobs.")
        if abs(new.parts_cost - job.parts_cost) >= 1.0:
            changes.append(
                f"'{_title(code)}': parts {job.parts_cost:.0f} to {new.parts_cost:.0f} after {len(parts)} jobs."
            )
    trust = _trust(findings, settings)
    changes.extend(
        f"Alarms of {quantity}: right {t.right}, nothing found {t.wrong}; trusted {t.share:.0%}."
        for quantity, t in trust.items()
        if t.wrong
    )
    return Learned(priors, learned_jobs, trust, tuple(changes), len(findings))


def _title(code: str) -> str:
    return CAUSES[code].title if code in CAUSES else "nothing wrong"


def _counts(findings: Sequence[Finding]) -> NDArray[np.float64]:
    return np.array([sum(finding.found == code for finding in findings) for code in CAUSE_CODES], dtype=np.float64)


def _trust(findings: Sequence[Finding], settings: LearningSettings) -> dict[str, Trust]:
    """Beta posterior of an alarm being right, from even odds in favour 4 : 1."""
    found: dict[str, Trust] = {}
    for quantity in sorted({name for finding in findings for name in finding.flagged_by}):
        mine = [finding for finding in findings if quantity in finding.flagged_by]
        wrong = sum(finding.found == NONE for finding in mine)
        a = 0.8 * settings.trust_weight + len(mine) - wrong
        b = 0.2 * settings.trust_weight + wrong
        share = a / (a + b)
        found[quantity] = Trust(len(mine) - wrong, wrong, share, float(np.sqrt(share * (1 - share) / (a + b + 1))))
    return found
