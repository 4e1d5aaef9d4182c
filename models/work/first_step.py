"""What to do first about a van: the job of its cause, a test, or another recording; and what that is worth."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from data_contracts.causes import CAUSES, NONE
from data_contracts.facts.fact import Fact
from data_contracts.jobs import Job
from models.causes.infer import CausePosterior
from models.work.urgency import WAIT_VISITS, Finding, code_test
from models.work.worth import DANGER, RankingSettings, Worth, worth_of_order


@dataclass(frozen=True)
class FirstStep:
    """What to do first.

    Attributes
    ----------
    leading : str
        A cause whose job is done, or none or not_separable.
    test : str or None
        Test that is done where no cause is named; None for another recording.
    second : tuple of (str, float) or None
        Another cause whose job is done in the same visit, and its probability: of a pair that is likelier than not, or one that
        endangers people and is there with a probability of `DANGER`.
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
            return Fact.of("wait_then_job" if wait else "do_job", cause=self.leading, second_cause=other, visits=visits)
        if self.test is not None:
            return Fact.of("wait_then_test" if wait else "do_test", test=self.test, visits=visits)
        code = "record_at_next_visit" if wait else "record_again"
        return Fact.of(code + ("_unknown" if self.leading == NONE else ""))


def first_step(row: int, posterior: CausePosterior, standing_codes: Mapping[str, int]) -> FirstStep:
    """What to do first about one van.

    Parameters
    ----------
    row : int
        Of the posterior.
    posterior : CausePosterior
    standing_codes : mapping of str to int
        Fault codes that stand; where nothing known fits the snaps, they say what to test, else a cause that endangers people
        and is likely enough not to be left.

    Returns
    -------
    FirstStep
    """
    leading, test = posterior.leading[row], posterior.next_test[row]
    if leading in CAUSES:
        return FirstStep(leading, second=_second_cause(row, posterior))
    if leading == NONE:
        danger = _danger_beside(row, posterior)
        return FirstStep(leading, code_test(standing_codes) or (danger and CAUSES[danger[0]].first_test))
    return FirstStep(leading, None if test is None else test.name)


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


def _second_cause(row: int, posterior: CausePosterior) -> tuple[str, float] | None:
    for pair in posterior.pairs[row]:
        if pair.probability >= 0.5 and posterior.leading[row] in pair.codes:
            other = pair.codes[1] if pair.codes[0] == posterior.leading[row] else pair.codes[0]
            return other, pair.probability
    return _danger_beside(row, posterior)


def _danger_beside(row: int, posterior: CausePosterior) -> tuple[str, float] | None:
    """The likeliest cause beside the leading one that endangers people, where it is likely enough not to be left."""
    leading, shares = posterior.leading[row], zip(posterior.codes, posterior.probability[row].tolist(), strict=True)
    risky = [(share, code) for code, share in shares if code in CAUSES and CAUSES[code].endangers and code != leading]
    share, code = max(risky)
    return (code, share) if share >= DANGER else None
