"""How the last runs went: when one last succeeded, since when and why they fail, and when the next is due.

Kept as one small file of the workspace, written at the end of every run, so that the board and `vansnap status` can tell whoever
looks whether what they see is fresh.
"""

import json
import os
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from data_contracts.facts.fact import Fact
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import ScheduleSettings
from pipelines.workspace.workspace import Workspace

FILE = "last_runs.json"
_LONGEST = 300


@dataclass(frozen=True)
class LastRuns:
    """State of the weekly runs.

    Attributes
    ----------
    good_at : datetime or None
        When one last succeeded; None: never.
    good_week : str
        ISO week it published; empty: none.
    failed_since : datetime or None
        First failure since then; None: the last run succeeded, or there was none.
    failures : int
        Runs that failed since then.
    why : str
        Reason of the last failure, one line with what to do.
    """

    good_at: datetime | None = None
    good_week: str = ""
    failed_since: datetime | None = None
    failures: int = 0
    why: str = ""

    @property
    def failing(self) -> bool:
        """Whether the last run failed."""
        return self.failed_since is not None


def last_runs(home: Path) -> LastRuns:
    """How the last runs of a workspace went.

    Parameters
    ----------
    home : Path
        The workspace.

    Returns
    -------
    LastRuns
        Nothing known where no run has ended yet, or its file can't be read.
    """
    try:
        told = json.loads((Workspace(home).reports / FILE).read_text(encoding="utf-8"))
        good, failed = (None if told[name] is None else _moment(told[name]) for name in ("good_at", "failed_since"))
        return LastRuns(good, str(told["good_week"]), failed, int(told["failures"]), str(told["why"]))
    except (OSError, ValueError, KeyError, TypeError):
        return LastRuns()


def note_success(workspace: Workspace, week: str, *, now: datetime | None = None) -> None:
    """Note that a run succeeded.

    Parameters
    ----------
    workspace : Workspace
    week : str
        ISO week it published.
    now : datetime or None
        When; None is the clock's.
    """
    _write(workspace, LastRuns(now or datetime.now(UTC), week))


def note_failure(workspace: Workspace, why: str, *, now: datetime | None = None) -> None:
    """Note that a run failed; never fails itself, for the run's own failure is what counts.

    Parameters
    ----------
    workspace : Workspace
    why : str
        The reason, in one line.
    now : datetime or None
        When; None is the clock's.
    """
    before = last_runs(workspace.root)
    since = before.failed_since or now or datetime.now(UTC)
    line = " ".join(why.split())[:_LONGEST]
    _write(workspace, replace(before, failed_since=since, failures=before.failures + 1, why=line))


def next_run(schedule: ScheduleSettings, now: datetime) -> datetime | None:
    """When `vansnap serve` starts the next run.

    Parameters
    ----------
    schedule : ScheduleSettings
    now : datetime
        With offset.

    Returns
    -------
    datetime or None
        In UTC; None where the schedule names no moment that comes.
    """
    from cronsim import CronSim, CronSimError

    try:
        return next(CronSim(schedule.cron, now.astimezone(ZoneInfo(schedule.timezone)))).astimezone(UTC)
    except (CronSimError, StopIteration):
        return None


def run_facts(state: LastRuns, schedule: ScheduleSettings, now: datetime, *, with_reason: bool) -> list[Fact]:
    """How the runs stand, for whoever reads it: since when and why they fail, the last good one, and the next.

    Parameters
    ----------
    state : LastRuns
    schedule : ScheduleSettings
    now : datetime
        With offset.
    with_reason : bool
        Say why: the reason may name vans and files of any depot.

    Returns
    -------
    list of Fact
    """
    facts = []
    if state.failed_since is not None:
        why = state.why.rstrip(".") if with_reason else ""
        facts.append(Fact.of("run_failed", moment=minute(state.failed_since), count=state.failures, error=why))
    if state.good_at is None:
        facts.append(Fact.of("run_never_good"))
    else:
        facts.append(Fact.of("run_last_good", moment=minute(state.good_at), week=state.good_week))
    ahead = next_run(schedule, now)
    return facts if ahead is None else [*facts, Fact.of("run_next", moment=minute(ahead))]


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _write(workspace: Workspace, state: LastRuns) -> None:
    """Written beside its place and renamed; where that fails (a full disk) the file stays as it was."""
    path = workspace.reports / FILE
    draft = path.with_name(f".{FILE}.{os.getpid()}.part")
    try:
        path.parent.mkdir(exist_ok=True)
        draft.write_text(json.dumps(asdict(state), default=str), encoding="utf-8")
        draft.replace(path)
    except OSError:
        draft.unlink(missing_ok=True)
