"""How urgent a van is: what waiting costs, how sure that is, and why, what hurts most first."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from data_contracts.causes import CAUSES, UNTOLD
from data_contracts.causes.record import CONSEQUENCE_KINDS, RUNNING, ConsequenceKind
from data_contracts.facts.fact import Fact
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.states import URGENCIES
from models.work.danger import DANGER, SERIOUS_SEVERITY, danger, dangers, endangers
from models.work.worth import RankingSettings, Worth, waiting

WAIT_VISITS = 2
"""Visits for which an order may ask to wait; what stands for longer is acted on. Common practice, no source (2026-11-29)."""
POINTS = 6.0
"""A fault code that makes a cause this many times likelier is said to point to it. Common practice, no source (2026-11-29)."""


@dataclass(frozen=True)
class Finding:
    """What is known of a van that may need work.

    Attributes
    ----------
    probability : mapping of str to float
        Of every cause and of none.
    leading : str
        Leading cause, none or not_separable.
    severity : float
        Of the likeliest cause; NaN unknown. [1]
    severities : mapping of str to float
        Of every cause, given that cause; one that is left out has the severity of the likeliest. [1]
    prior : mapping of str to float
        Of every cause and of none before anything was seen of the van; a cause left out is taken for one that the readings speak
        for. [1]
    alarm : bool
        A reading is outside by itself; otherwise only all of them together are unlike a healthy van's.
    limit_crossed : bool
        Of a limit that calls a van in at once.
    crosses : float
        Probability that such a limit is crossed before the next visit. [1]
    crosses_within_13 : float
        Probability that any limit is crossed within 13 weeks. [1]
    standing_codes : mapping of str to int
        Fault codes that stand visit after visit, and at how many of the last visits.
    repaired_on : str
        ISO day of a repair that is being proven; empty for none.
    duty : float
        How much worse a failure of this van is than of an ordinary one. [1]
    stood : int
        Visits for which it has stood since an order asked to wait with what there is to do.
    settling : Fact or None
        How late it comes back to idle, where that is beyond its family's limit.
    in_vain : frozenset of str
        Causes whose job was done of late and did not help.
    """

    probability: Mapping[str, float]
    leading: str
    severity: float
    severities: Mapping[str, float] = field(default_factory=dict)
    prior: Mapping[str, float] = field(default_factory=dict)
    alarm: bool = True
    limit_crossed: bool = False
    crosses: float = 0.0
    crosses_within_13: float = 0.0
    standing_codes: Mapping[str, int] = field(default_factory=dict)
    repaired_on: str = ""
    duty: float = 1.0
    stood: int = 0
    settling: Fact | None = None
    in_vain: frozenset[str] = frozenset()

    @property
    def dangers(self) -> dict[str, float]:
        """Causes that endanger people and that the readings speak for; see `models.work.danger.dangers`. [1]"""
        return dangers(self.probability, self.prior, self.severities, self.severity)

    @property
    def safety(self) -> bool:
        """Whether waiting can endanger people: by what leads, or by all else that the readings speak for, from `DANGER` on."""
        return endangers(self.leading) or math.fsum(self.dangers.values()) >= DANGER

    @property
    def severity_of_dangers(self) -> float:
        """Mean severity of the causes that endanger people, each by its probability; NaN where any is unknown, or none is there. [1]"""
        of = {code: share for code, share in self.probability.items() if share > 0.0 and endangers(code)}
        mean = math.fsum(share * self.severities.get(code, self.severity) for code, share in of.items())
        return mean / math.fsum(of.values()) if of else math.nan


@dataclass(frozen=True)
class Urgency:
    """How urgent a van is, and why.

    Attributes
    ----------
    word : {"now", "plan", "watch"}
    why : tuple of Fact
        What made it so beside limits and movements.
    """

    word: str
    why: tuple[Fact, ...]


def urgency_of(finding: Finding, worth: Worth, settings: RankingSettings) -> Urgency:
    """How urgent a van is.

    Parameters
    ----------
    finding : Finding
    worth : Worth
        Of acting now on what is known, against waiting to the horizon.
    settings : RankingSettings

    Returns
    -------
    Urgency
        `now`: a limit that hurts is crossed, or will be before the next visit with even odds; a dangerous cause is
        likely and serious; or waiting for a planned visit costs at least as much as fetching the van at once. The last two want a
        reading that is outside by itself, or a fault code that agrees: else the van is planned. `plan`: any limit
        will be crossed within 13 weeks with even odds, a dangerous cause leads or is as likely as not however small it is, the
        readings speak for one from `DANGER` on, acting is worth it, a fault code that stands says so, or it has stood for `WAIT_VISITS` since an order asked to wait. `watch`: the rest,
        and a van whose repair is being proven.
    """
    if finding.repaired_on:
        return Urgency("watch", (Fact.of("being_proven", day=finding.repaired_on),))
    dangerous = danger(finding.probability)
    serious = not finding.severity_of_dangers < SERIOUS_SEVERITY
    planned = cost_of_waiting(finding, settings.planned_weeks)
    sure = finding.alarm or any(_agrees(code, finding.leading) for code in _known(finding))
    costly = sure and planned >= settings.call_in_cost
    if finding.limit_crossed or finding.crosses >= 0.5 or (sure and dangerous >= 0.5 and serious) or costly:
        word = "now"
    elif (
        finding.crosses_within_13 >= 0.5
        or dangerous >= 0.5
        or finding.safety
        or finding.settling is not None
        or worth.expected_cost_avoided > 0
    ):
        word = "plan"
    else:
        word = min(["watch", *(_raised_to(code, finding.leading) for code in _known(finding))], key=URGENCIES.index)
    why = [*_hurts(finding), *filter(None, [finding.settling]), *_codes(finding)]
    if word == "watch" and sure and finding.stood >= WAIT_VISITS:
        word = "plan"
        why.append(Fact.of("stood_since_order", count=finding.stood))
    if costly and not finding.limit_crossed and not (dangerous >= 0.5 and serious):
        why.append(Fact.of("waiting_costs", cost=planned, fetching=settings.call_in_cost))
    return Urgency(word, tuple(why))


def is_soon(finding: Finding, settings: RankingSettings) -> bool:
    """Whether a van to plan for is not to be left for long.

    People may come to harm, or a quarter of waiting costs at least as much as fetching the van.
    """
    return finding.safety or cost_of_waiting(finding, 13.0) >= settings.call_in_cost


def code_test(standing_codes: Mapping[str, int]) -> str | None:
    """The test that looks into the most urgent fault code that stands; None for none."""
    told = [FAULT_CODES[code] for code in standing_codes if code in FAULT_CODES and FAULT_CODES[code].test]
    return min(told, key=lambda known: URGENCIES.index(known.alone)).test if told else None


def cost_of_waiting(finding: Finding, weeks: float) -> float:
    """What it costs to leave a van for some weeks, over all its causes. [currency]"""
    total = 0.0
    for code, share in finding.probability.items():
        if code in CAUSES:
            left = waiting(code, finding.severities.get(code, finding.severity), weeks)
            total += share * (finding.duty * left.failures + left.running)
    return total


def worst_of(cause: str, severity: float) -> ConsequenceKind:
    """What hurts most of what comes of a cause: danger first, then what costs most a week."""
    if CAUSES[cause].endangers:
        return "hazard"
    size = severity if math.isfinite(severity) else 0.5

    def cost(kind: ConsequenceKind) -> float:
        mine = [c for c in CAUSES[cause].if_left if c.kind == kind]
        return math.fsum(c.a_week * size**c.grows * (1.0 if kind in RUNNING else c.cost) for c in mine)

    return max(CONSEQUENCE_KINDS, key=cost)


def _hurts(finding: Finding) -> list[Fact]:
    """What it means to leave the leading cause, and that it may be one that endangers people where that one does not."""
    hurts = []
    if finding.leading in CAUSES:
        means = worst_of(finding.leading, finding.severity)
        share = finding.probability[finding.leading]
        hurts = [Fact.of("cause_hurts", cause=finding.leading, probability=share, means=means)]
    if endangers(finding.leading) or not finding.safety:
        return hurts
    first, *others = finding.dangers
    second = next((code for code in others if finding.probability[code] >= 0.1), None)
    share = danger(finding.probability)
    return [*hurts, Fact.of("dangers_likely", probability=share, cause=first, second_cause=second)]


def _codes(finding: Finding) -> list[Fact]:
    """What the fault codes that stand say, those that agree with the leading cause first."""
    agree = [code for code in _known(finding) if _agrees(code, finding.leading)]
    others = [code for code in _known(finding) if code not in agree]
    return [
        *(Fact.of("code_agrees", fault_code=code, says=code) for code in agree),
        *(Fact.of("code_stands", fault_code=code, says=code, count=finding.standing_codes[code]) for code in others),
        *(
            Fact.of("code_points", fault_code=code, cause=cause, test=UNTOLD[cause].first_test)
            for cause, code in pointed_to(finding.standing_codes).items()
        ),
    ]


def pointed_to(standing_codes: Mapping[str, int]) -> dict[str, str]:
    """Causes not judged from snaps that fault codes point to.

    Parameters
    ----------
    standing_codes : mapping of str to int
        Fault codes that stand.

    Returns
    -------
    dict of str to str
        Cause to the code that points to it most, the most likely first; of each code only the likeliest cause, and only
        where it makes that one `POINTS` times likelier.
    """
    found: dict[str, tuple[float, str]] = {}
    for code in standing_codes:
        raised = {name: cause.fault_codes[code] for name, cause in UNTOLD.items() if code in cause.fault_codes}
        name = max(raised, key=lambda one: raised[one], default=None)
        if name is not None and raised[name] >= max(POINTS, found.get(name, (0.0, ""))[0]):
            found[name] = (raised[name], code)
    return {name: code for name, (_, code) in sorted(found.items(), key=lambda item: (-item[1][0], item[0]))}


def _known(finding: Finding) -> list[str]:
    return [code for code in finding.standing_codes if code in FAULT_CODES]


def _agrees(code: str, leading: str) -> bool:
    return leading in CAUSES and code in CAUSES[leading].fault_codes


def _raised_to(code: str, leading: str) -> str:
    """Urgency by a fault code: one that agrees with a named cause raises it, any other counts by itself."""
    return "plan" if _agrees(code, leading) else FAULT_CODES[code].alone


_LIMITS = ("limit_crossed", "trims_together")


def most_hurting_first(reasons: Sequence[Fact], why: Sequence[Fact]) -> tuple[Fact, ...]:
    """All reasons of a van, what hurts most first.

    Parameters
    ----------
    reasons : sequence of Fact
        As tracking has them: limits, then movements.
    why : sequence of Fact
        As `urgency_of` has them.

    Returns
    -------
    tuple of Fact
        A repair being proven; then crossed limits and what the cause means, by what comes of them; then fault codes and
        what waiting costs; then the rest.
    """
    leading = [fact for fact in why if fact.code in ("being_proven", "cause_hurts", "dangers_likely")]
    beside = [fact for fact in why if fact not in leading]
    count = 0
    while count < len(reasons) and reasons[count].code in (*_LIMITS, "limit_translated"):
        count += 1
    blocks: list[tuple[int, list[Fact]]] = []
    for fact in reasons[:count]:
        if fact.code == "limit_translated" and blocks:
            blocks[-1][1].append(fact)
        else:
            blocks.append((_weight(fact), [fact]))
    blocks += [(_weight(fact), [fact]) for fact in leading]
    ordered = [fact for _, block in sorted(blocks, key=lambda block: block[0]) for fact in block]
    return (*ordered, *beside, *reasons[count:])


def _weight(fact: Fact) -> int:
    if fact.code == "being_proven":
        return -1
    kind = fact.words.get("means", "hazard" if fact.code == "dangers_likely" else "stranding")
    return [*CONSEQUENCE_KINDS].index(kind)  # type: ignore[arg-type]
