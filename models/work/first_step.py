"""What to do first about a van: the job of its cause, a test, or another recording; and what that is worth."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from data_contracts.causes import CAUSES, NONE, NOT_SEPARABLE
from data_contracts.facts.fact import Fact
from data_contracts.jobs import TESTS, Job
from models.causes.infer import CausePosterior
from models.work.danger import DANGER
from models.work.settling import FIRST_TEST
from models.work.urgency import WAIT_VISITS, Finding, code_test
from models.work.worth import RankingSettings, Worth, worth_of_order

FINDS = 0.5
"""A test that finds a cause less often does not look into it. A judgement, no source (2026-11-30). [1]"""


@dataclass(frozen=True)
class FirstStep:
    """What to do first.

    Attributes
    ----------
    leading : str
        A cause whose job is done, or none or not_separable.
    test : str or None
        Test that is done where no cause is named, or beside the job for a cause that endangers people; None for none.
    second : tuple of (str, float) or None
        Another cause whose job is done in the same visit, and its probability: of a pair that is likelier than not, or one that
        endangers people and is likely enough to be named.
    """

    leading: str
    test: str | None = None
    second: tuple[str, float] | None = None

    @property
    def acts(self) -> bool:
        """Whether there is something to do beside another recording."""
        return self.leading in CAUSES or self.test is not None

    def action(self, *, wait: bool, proving: bool, stood: int = 0) -> Fact:
        """As an instruction; at the next visit where it is better to wait, with how many visits more that holds."""
        visits = WAIT_VISITS - stood if wait and stood < WAIT_VISITS else None
        if proving:
            return Fact.of("record_to_prove")
        if self.leading in CAUSES:
            other = None if self.second is None else self.second[0]
            code = "wait_then_job" if wait else "do_job"
            return Fact.of(code, cause=self.leading, second_cause=other, test=self.test, visits=visits)
        if self.test is not None:
            return Fact.of("wait_then_test" if wait else "do_test", test=self.test, visits=visits)
        code = "record_at_next_visit" if wait else "record_again"
        return Fact.of(code + ("_unknown" if self.leading == NONE else ""))


def first_step(
    finding: Finding, row: int, posterior: CausePosterior, settings: RankingSettings | None = None
) -> FirstStep:
    """What to do first about one van.

    Parameters
    ----------
    finding : Finding
        What is known of it: what endangers people is looked into at once, whatever is likelier; where nothing known fits the snaps,
        fault codes that stand say what to test; a job that did not help is not asked for again, but the test of its cause.
    row : int
        Of the posterior.
    posterior : CausePosterior
    settings : RankingSettings, optional
        From which probability on the job of another dangerous cause is done; below it is tested for.

    Returns
    -------
    FirstStep
    """
    leading, next_test = posterior.leading[row], posterior.next_test[row]
    risky = _danger_beside(finding, leading)
    risky_test = None if risky is None else CAUSES[risky[0]].first_test or None
    if leading in finding.in_vain:
        test = CAUSES[leading].first_test or (None if next_test is None else next_test.name)
        return FirstStep(NOT_SEPARABLE, risky_test or test)
    if leading in CAUSES:
        pair = _paired(row, posterior)
        if risky is None or (pair is not None and pair[0] == risky[0]):
            return FirstStep(leading, second=pair)
        if pair is None and risky[1] >= (settings or RankingSettings()).minimum_probability:
            return FirstStep(leading, second=risky)
        return FirstStep(leading, risky_test, pair)
    if leading == NONE:
        settling = None if finding.settling is None else FIRST_TEST
        return FirstStep(leading, code_test(finding.standing_codes) or risky_test or settling)
    test = None if next_test is None else next_test.name
    if risky is not None and (test is None or TESTS[test].finds.get(risky[0], 0.0) < FINDS):
        test = risky_test
    return FirstStep(leading, test)


def worth_of_step(
    step: FirstStep,
    finding: Finding,
    *,
    day: date,
    warranty_until: date | None,
    settings: RankingSettings,
    jobs: Mapping[str, Job],
) -> Worth:
    """Worth of doing the first step now; see `worth_of_order`."""
    return worth_of_order(
        finding.probability,
        step.leading,
        step.test,
        severity=finding.severity,
        severities=finding.severities,
        day=day,
        warranty_until=warranty_until,
        duty=finding.duty,
        settings=settings,
        jobs=jobs,
        also=None if step.second is None else {step.second[0]: step.second[1]},
    )


def _paired(row: int, posterior: CausePosterior) -> tuple[str, float] | None:
    """The other cause of a pair with the leading one that is likelier than not, and its probability."""
    for pair in posterior.pairs[row]:
        if pair.probability >= 0.5 and posterior.leading[row] in pair.codes:
            other = pair.codes[1] if pair.codes[0] == posterior.leading[row] else pair.codes[0]
            return other, pair.probability
    return None


def _danger_beside(finding: Finding, leading: str) -> tuple[str, float] | None:
    """The foremost cause that endangers people beside the leading one, and its probability, where they count as a danger."""
    beside = {code: share for code, share in finding.dangers.items() if code != leading}
    if math.fsum(beside.values()) < DANGER:
        return None
    first = next(iter(beside))
    return first, finding.probability[first]
