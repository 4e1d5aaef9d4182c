"""One van that can't be judged must not stop the others: it is found, left out and named."""

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from data_contracts.facts.fact import Fact
from pipelines.storage.room import is_full
from pipelines.workspace.workspace import Workspace

Result = TypeVar("Result")

_X = ("judging", "proof", "order")
"""What may fail of a van: its judging, the proof of its repair, its order."""
MOST_TRIALS = 60
"""Times that all but some vans are judged, to find those that fail; what is open then stays out."""


@dataclass(frozen=True)
class NotJudged:
    """Vans whose judging failed.

    Attributes
    ----------
    family : str
        Their family.
    van_ids : tuple of str
        Which of it.
    whole : bool
        All of the family's vans.
    reason : str
        What went wrong, one line.
    trace : str
        Where, for whoever mends it.
    """

    family: str
    van_ids: tuple[str, ...]
    whole: bool
    reason: str
    trace: str

    def fact(self, step: str) -> Fact:
        """The notice for it; `step` is what failed: judging, proof or order.

        Parameters
        ----------
        step : str
            What failed: judging, proof or order.
        """
        van = None if self.whole else self.van_ids[0]
        code = "family_failed" if self.whole else "van_failed"
        return Fact.of(code, step=step, van=van, family=self.family, error=self.reason)


@dataclass(frozen=True)
class NotMade:
    """A part of the week's result that could not be made, and where that happened.

    Attributes
    ----------
    step : str
        What failed: tests or clusters.
    reason, trace : str
        As of `NotJudged`.
    """

    step: str
    reason: str
    trace: str

    @property
    def fact(self) -> Fact:
        """The notice for it."""
        return Fact.of("step_failed", step=self.step, error=self.reason)


def facts_of(failed: Mapping[str, Sequence[NotJudged]]) -> list[Fact]:
    """Notices of what could not be done for some vans.

    Parameters
    ----------
    failed : mapping of str to sequence of NotJudged
        By the step that failed: judging, proof or order.

    Returns
    -------
    list of Fact
    """
    return [one.fact(step) for step, of_step in failed.items() for one in of_step]


def keep_traces(workspace: Workspace, week: str, failed: Sequence[NotJudged], not_made: Sequence[NotMade]) -> None:
    """Write where each failure of a run happened, for whoever mends it; no file without a failure.

    Parameters
    ----------
    workspace : Workspace
    week : str
        ISO week.
    failed : sequence of NotJudged
    not_made : sequence of NotMade
    """
    path = workspace.reports / f"not-judged-{week}.txt"
    path.unlink(missing_ok=True)
    if failed or not_made:
        parts = [f"{one.family}: {', '.join(one.van_ids)}\n{one.trace}" for one in failed]
        parts += [f"{one.step}\n{one.trace}" for one in not_made]
        path.write_text("\n".join(parts), encoding="utf-8")


def make_apart(step: str, make: Callable[[], Result], instead: Result) -> tuple[Result, tuple[NotMade, ...]]:
    """Make a part of the week's result that the others can do without.

    Parameters
    ----------
    step : str
        Its name.
    make : callable
    instead : object
        What stands in its place where it fails.

    Returns
    -------
    tuple of (Result, tuple of NotMade)

    Raises
    ------
    Exception
        What `make` raised, where the disk is full: the next run can make it.
    """
    try:
        return make(), ()
    except Exception as error:
        if is_full(error):
            raise
        failed = _not_judged("", (), error, whole=True)
        return instead, (NotMade(step, failed.reason, failed.trace),)


def judge_apart(
    judge: Callable[[frozenset[str]], Result], families: Mapping[str, Sequence[str]]
) -> tuple[Result, tuple[NotJudged, ...]]:
    """Judge all vans together; where that fails, leave out as few families as possible, and of these as few vans, as made it fail.

    Parameters
    ----------
    judge : callable
        Takes the vans to judge; it may be called many times, so what it keeps (rows put aside) must be of its last call alone,
        which is that of the vans that could be judged.
    families : mapping of str to sequence of str
        Family to its vans.

    Returns
    -------
    tuple of (Result, tuple of NotJudged)
        What was found of the vans that could be judged, and the others.

    Raises
    ------
    Exception
        What `judge` raised, where no van can be judged, or the disk is full, which is no van's fault.
    """
    trials = _Trials(judge, frozenset(van_id for vans in families.values() for van_id in vans))
    try:
        return judge(trials.everyone), ()
    except Exception as error:
        if is_full(error):
            raise
        failed = _failing(trials, {family: frozenset(vans) for family, vans in sorted(families.items())})
        left = trials.everyone.difference(*(one.van_ids for one in failed))
        if not left:
            raise error from None
    return judge(left), tuple(failed)


def _failing(trials: "_Trials[Result]", groups: Mapping[str, frozenset[str]]) -> list[NotJudged]:
    """The vans that must be left out, a family as one where it is all of its vans."""
    failed: list[NotJudged] = []
    out = trials.fewest(list(groups.values()), frozenset())
    left_out = frozenset[str]().union(*out)
    for family, group in groups.items():
        if group not in out:
            continue
        singles = [frozenset({van_id}) for van_id in sorted(group)]
        vans = trials.alone(singles, left_out - group) or trials.fewest(singles, left_out - group)
        found = frozenset[str]().union(*vans)
        left_out = left_out - group | found
        if found == group:
            failed.append(_not_judged(family, sorted(group), trials.errors[group], whole=True))
        else:
            failed += [
                _not_judged(family, [van_id], trials.errors.get(frozenset({van_id}), trials.errors[group]), whole=False)
                for van_id in sorted(found)
            ]
    return failed


class _Trials(Generic[Result]):
    """Which groups of vans must be left out for the others to be judged."""

    def __init__(self, judge: Callable[[frozenset[str]], Result], everyone: frozenset[str]) -> None:
        self.judge, self.everyone, self.left = judge, everyone, MOST_TRIALS
        self.errors: dict[frozenset[str], Exception] = {}

    def alone(self, groups: Sequence[frozenset[str]], out: frozenset[str]) -> list[frozenset[str]]:
        """The one group that is enough to leave out beside `out`, by trying each; none where no one is or they are too many.

        Asked first: with half of a family left out, what fails may not come up at all, and the wrong half would be blamed.
        """
        if len(groups) > self.left // 2:
            return []
        for group in groups:
            self.left -= 1
            if (error := self._error_without(out | group)) is None:
                return [group]
            self.errors[group] = error
        return []

    def fewest(self, groups: Sequence[frozenset[str]], out: frozenset[str]) -> list[frozenset[str]]:
        """The fewest groups to leave out besides `out`, found by halving; leaving out all of them is known to suffice.

        The divide and conquer of U. Junker, QuickXplain, AAAI 2004 (from memory): some k log2(n/k) trials for k of n groups.
        """
        if not groups or self.left <= 0:
            return list(groups)
        self.left -= 1
        if (error := self._error_without(out)) is None:
            return []
        self.errors |= dict.fromkeys(groups, error)
        if len(groups) == 1:
            return list(groups)
        half = len(groups) // 2
        first = self.fewest(groups[:half], out.union(*groups[half:]))
        return first + self.fewest(groups[half:], out.union(*first))

    def _error_without(self, out: frozenset[str]) -> Exception | None:
        """What judging all vans but some raises, if anything; a full disk is no van's fault and ends the trials."""
        try:
            self.judge(self.everyone - out)
        except Exception as error:
            if is_full(error):
                raise
            return error
        return None


def _not_judged(family: str, vans: Sequence[str], error: Exception, *, whole: bool) -> NotJudged:
    message = " ".join(str(error).split())[:200]
    reason = f"{type(error).__name__}: {message}" if message else type(error).__name__
    return NotJudged(family, tuple(vans), whole, reason.rstrip("."), "".join(traceback.format_exception(error)))
