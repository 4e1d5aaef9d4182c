"""Learning from what workshops found: priors of causes, hours and costs, and trust in what flagged a van.

Everything is computed anew from all findings, so a finding that is withdrawn leaves no trace, and every figure
that moves is told with what it was before and why.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from data_contracts.causes import CAUSE_CODES, CAUSES, FINDINGS, NONE
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.jobs import JOBS, Job
from models.statistics.arrays import Floats
from models.statistics.shrinkage import dirichlet_mean, shrunken_mean


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
        Quantities whose alarm stood; anomaly where none stood out alone.
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
        Findings the fleet's share of right alarms is worth for one quantity. [findings]
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
    share : float
        Expected share right. [1]
    """

    right: int
    wrong: int
    share: float


Key = tuple[str, str, str]
"""Kind (cause_share, job_hours, job_parts_cost, alarm_trust), family or nothing, and cause or quantity."""


@dataclass(frozen=True)
class Figure:
    """One figure that findings may move.

    Attributes
    ----------
    value, default : float
        Now, and before any finding. [unit]
    unit : str
        1 for a share, h, or currency.
    findings : int
        Findings it rests on.
    what, why : Fact
        Which figure it is, and what it rests on.
    """

    value: float
    default: float
    unit: str
    findings: int
    what: Fact
    why: Fact


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
    right : float
        Share of all alarms that are expected to be right. [1]
    figures : mapping of tuple to Figure
        Everything above that can move, by its key.
    findings : int
    """

    priors: Mapping[str, Floats]
    jobs: Mapping[str, Job]
    trust: Mapping[str, Trust]
    right: float
    figures: Mapping[Key, Figure]
    findings: int


@dataclass(frozen=True)
class Change:
    """One figure that is another than in the run before."""

    key: Key
    before: float
    figure: Figure


def learn(
    findings: Sequence[Finding],
    families: Sequence[str],
    *,
    start: Floats | None = None,
    prior_none: float = 0.35,
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
        Prior before any finding. Default: causes as common as their records say, beside `prior_none`.
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
    wrong = next((finding for finding in findings if finding.found not in FINDINGS), None)
    if wrong is not None:
        raise InputError(f"order {wrong.order_id}: found {wrong.found!r}: give a cause, or 'none' for nothing found")
    if start is None:
        common = np.array([CAUSES[code].common if code in CAUSES else 0.0 for code in CAUSE_CODES])
        start = (1.0 - prior_none) * common / common.sum()
        start[CAUSE_CODES.index(NONE)] = prior_none
    fleet = dirichlet_mean(start, settings.fleet_weight, _counts(findings, start))
    counts = {family: _counts([f for f in findings if f.family == family], start) for family in families}
    priors = {family: dirichlet_mean(fleet, settings.family_weight, counts[family]) for family in families}
    right, at_first = (1.0 - float(prior[CAUSE_CODES.index(NONE)]) for prior in (fleet, start))
    learned_jobs, of_jobs = _learned_jobs(findings, jobs, settings)
    trust = _trust(findings, right, settings)
    figures = _share_figures(findings, counts, priors, start) | of_jobs | _trust_figures(trust, at_first)
    return Learned(priors, learned_jobs, trust, right, figures, len(findings))


def _share_figures(
    findings: Sequence[Finding], counts: Mapping[str, Floats], priors: Mapping[str, Floats], start: Floats
) -> dict[Key, Figure]:
    """How likely each cause is in each family, and the findings it rests on."""
    figures: dict[Key, Figure] = {}
    for family, prior in priors.items():
        for number, code in enumerate(CAUSE_CODES):
            counted = Fact.of(
                "findings_counted",
                cause=code,
                in_family=float(counts[family][number]),
                family_findings=float(counts[family].sum()),
                in_fleet=sum(finding.found == code for finding in findings),
                fleet_findings=len(findings),
            )
            what = Fact.of("share_of_cause", cause=code, family=family)
            figures["cause_share", family, code] = Figure(
                float(prior[number]), float(start[number]), "1", len(findings), what, counted
            )
    return figures


def _learned_jobs(
    findings: Sequence[Finding], jobs: Mapping[str, Job], settings: LearningSettings
) -> tuple[dict[str, Job], dict[Key, Figure]]:
    """Jobs with the workshop's own hours and parts, and the findings they rest on."""
    learned, figures = dict(jobs), dict[Key, Figure]()
    weight = settings.cost_weight
    for code, job in jobs.items():
        mine = [finding for finding in findings if finding.found == code]
        hours = [f.hours for f in mine if f.hours is not None]
        parts = [f.parts_cost for f in mine if f.parts_cost is not None]
        new = replace(
            job,
            hours=shrunken_mean(job.hours, weight, hours),
            parts_cost=shrunken_mean(job.parts_cost, weight, parts),
        )
        learned[code] = new
        for kind, unit, what, default, value, told in (
            ("job_hours", "h", "hours", job.hours, new.hours, hours),
            ("job_parts_cost", "currency", "parts", job.parts_cost, new.parts_cost, parts),
        ):
            why = (
                Fact.of(f"{what}_told", told=len(told), mean=float(np.mean(told)), weight=weight)
                if told
                else Fact.of(f"{what}_untold", weight=weight)
            )
            figures[kind, "", code] = Figure(
                value, default, unit, len(told), Fact.of(f"job_{what}_of", cause=code), why
            )
    return learned, figures


def _trust_figures(trust: Mapping[str, Trust], at_first: float) -> dict[Key, Figure]:
    """How often alarms of each kind were right, and the findings it rests on."""
    return {
        ("alarm_trust", "", flag): Figure(
            t.share,
            at_first,
            "1",
            t.right + t.wrong,
            Fact.of("trust_in_alarms", flag=flag),
            Fact.of("alarms_ended", flag=flag, right=t.right, wrong=t.wrong),
        )
        for flag, t in trust.items()
    }


def changes_since(before: Mapping[Key, float], learned: Learned) -> tuple[Change, ...]:
    """Every figure that is another than in the run before, the largest relative move first.

    Parameters
    ----------
    before : mapping of tuple to float
        Value of each figure that was ever moved, in the run before; others had their default.
    learned : Learned

    Returns
    -------
    tuple of Change
        A figure that fell back to its default because a finding was withdrawn is among them.
    """
    found = []
    for key, figure in learned.figures.items():
        old = before.get(key, figure.default)
        if not np.isclose(old, figure.value, rtol=1e-9, atol=0.0):
            found.append(Change(key, old, figure))
    for key in set(before) - set(learned.figures):
        if key[0] == "alarm_trust" and not np.isclose(before[key], learned.right, rtol=1e-9):
            what, why = Fact.of("trust_in_alarms", flag=key[2]), Fact.of("no_finding_left")
            found.append(Change(key, before[key], Figure(learned.right, learned.right, "1", 0, what, why)))
    return tuple(
        sorted(found, key=lambda one: (-abs(np.log(max(one.figure.value, 1e-9) / max(one.before, 1e-9))), one.key))
    )


def van_priors(learned: Learned, families: Sequence[str], flagged_by: Sequence[Sequence[str]]) -> Floats:
    """Prior of every code for every van, from its family's findings and from what flagged it.

    Parameters
    ----------
    learned : Learned
    families : sequence of str
        Per van.
    flagged_by : sequence of sequence of str
        Per van, the quantities whose alarm stands; the most trusted of them counts.

    Returns
    -------
    ndarray of shape (vans, codes)
        Rows sum to one.

    Notes
    -----
    The odds that anything is wrong are those of the family's prior times the odds of the quantity's alarm being right
    over those of all alarms, so that a finding counts once for the fleet and again only where quantities differ.
    """
    none = CAUSE_CODES.index(NONE)
    priors = np.array([learned.priors[family] for family in families]).reshape(len(families), len(CAUSE_CODES))
    for row, names in enumerate(flagged_by):
        odds = (1.0 - priors[row, none]) / priors[row, none] * trust_ratio(learned, names)
        faulty = odds / (1.0 + odds)
        priors[row] *= faulty / (1.0 - priors[row, none])
        priors[row, none] = 1.0 - faulty
    return priors


def trust_ratio(learned: Learned, flagged_by: Sequence[str]) -> float:
    """Odds of the most trusted alarm being right over those of all alarms; 1 where nothing is known. [1]"""
    shares = [learned.trust[name].share if name in learned.trust else learned.right for name in flagged_by]
    if not shares:
        return 1.0
    best = max(shares)
    return best / (1.0 - best) / (learned.right / (1.0 - learned.right))


def trust_fact(learned: Learned, flagged_by: Sequence[str]) -> Fact | None:
    """What is known of a van whose alarms were often wrong; None where they were not."""
    if trust_ratio(learned, flagged_by) > 0.8:
        return None
    known = [name for name in flagged_by if name in learned.trust]
    best = max(known, key=lambda name: (learned.trust[name].share, name))
    t = learned.trust[best]
    return Fact.of(
        "alarms_often_wrong",
        flag=best,
        wrong=t.wrong,
        alarms=t.right + t.wrong,
        trust=t.share,
        trust_of_all=learned.right,
    )


def _counts(findings: Sequence[Finding], start: Floats) -> Floats:
    """Findings of each code; one of a cause not judged from snaps counts for all causes, as they were shared at first."""
    counts = np.array([sum(finding.found == code for finding in findings) for code in CAUSE_CODES], dtype=np.float64)
    others = sum(finding.found not in CAUSE_CODES for finding in findings)
    faulty = np.where(np.array(CAUSE_CODES) == NONE, 0.0, start)
    return np.asarray(counts + others * faulty / faulty.sum()) if others else counts


def _trust(findings: Sequence[Finding], right: float, settings: LearningSettings) -> dict[str, Trust]:
    """Mean of the beta posterior of an alarm being right, from the share of all alarms that are."""
    found: dict[str, Trust] = {}
    for quantity in sorted({name for finding in findings for name in finding.flagged_by}):
        mine = [finding for finding in findings if quantity in finding.flagged_by]
        wrong = sum(finding.found == NONE for finding in mine)
        a = right * settings.trust_weight + len(mine) - wrong
        b = (1.0 - right) * settings.trust_weight + wrong
        found[quantity] = Trust(len(mine) - wrong, wrong, a / (a + b))
    return found
