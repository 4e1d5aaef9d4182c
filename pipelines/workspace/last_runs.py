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
from pipelines.workspace.small_files import keep_document
from pipelines.workspace.workspace import Workspace

FILE = "last_runs.json"
STARTED = "run_started.json"
"""In reports/: how the last runs ended; and the run that has begun and not ended, by moment and process."""
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
        Nothing known where no run has ended yet, or its file can't be read. A run that was killed, or ended with the machine,
        counts as failed: it has begun, and its process no longer holds the workspace.
    """
    workspace = Workspace(home)
    ended, begun = _ended(workspace), _begun(workspace)
    if begun is None or workspace.held_by(begun.process):
        return ended
    why = f"the run that began on {minute(begun.at)} has not said how it ended (killed, machine stopped or disk full): run `vansnap weekly`"
    return _failed(ended, why, begun.at)


@dataclass(frozen=True)
class _Begun:
    at: datetime
    process: int


def _begun(workspace: Workspace) -> _Begun | None:
    try:
        told = json.loads((workspace.reports / STARTED).read_text(encoding="utf-8"))
        return _Begun(_moment(told["at"]), int(told["process"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _ended(workspace: Workspace) -> LastRuns:
    try:
        told = json.loads((workspace.reports / FILE).read_text(encoding="utf-8"))
        good, failed = (None if told[name] is None else _moment(told[name]) for name in ("good_at", "failed_since"))
        return LastRuns(good, str(told["good_week"]), failed, int(told["failures"]), str(told["why"]))
    except (OSError, ValueError, KeyError, TypeError):
        return LastRuns()


def note_start(workspace: Workspace, *, now: datetime | None = None) -> None:
    """Note that a run begins, so that it is known should it be killed; one that was before is on record from now on.

    Parameters
    ----------
    workspace : Workspace
        Held by this process.
    now : datetime or None
        When; None is the clock's.
    """
    before = last_runs(workspace.root)
    if before != _ended(workspace) and not keep_document(workspace.reports / FILE, asdict(before)):
        return
    keep_document(workspace.reports / STARTED, {"at": now or datetime.now(UTC), "process": os.getpid()})


def note_stopped(workspace: Workspace) -> None:
    """Note that a run was stopped by whoever started it, who needs not be told.

    Parameters
    ----------
    workspace : Workspace
    """
    begun = _begun(workspace)
    if begun is not None and begun.process == os.getpid():
        (workspace.reports / STARTED).unlink(missing_ok=True)


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
    if keep_document(workspace.reports / FILE, asdict(LastRuns(now or datetime.now(UTC), week))):
        _settle(workspace)


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
    begun = _begun(workspace)
    before = _ended(workspace) if begun is not None and begun.process == os.getpid() else last_runs(workspace.root)
    if keep_document(workspace.reports / FILE, asdict(_failed(before, why, now or datetime.now(UTC)))):
        _settle(workspace)


def _settle(workspace: Workspace) -> None:
    """What has begun has ended, unless it is a run of another process that goes on."""
    begun = _begun(workspace)
    if begun is not None and (begun.process == os.getpid() or not workspace.held_by(begun.process)):
        (workspace.reports / STARTED).unlink(missing_ok=True)


def _failed(before: LastRuns, why: str, at: datetime) -> LastRuns:
    line = " ".join(why.split())[:_LONGEST]
    return replace(before, failed_since=before.failed_since or at, failures=before.failures + 1, why=line)


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
    return _due(schedule, now)


def missed_run(state: LastRuns, schedule: ScheduleSettings, now: datetime) -> datetime | None:
    """The last moment of the schedule, where no run has succeeded since: nothing served then, or the run failed.

    Parameters
    ----------
    state : LastRuns
    schedule : ScheduleSettings
    now : datetime
        With offset.

    Returns
    -------
    datetime or None
        In UTC; None where nothing was missed, or no run has ever ended here.
    """
    due = _due(schedule, now, before=True)
    if due is None or (state.good_at is None and not state.failing):
        return None
    return due if state.good_at is None or state.good_at < due else None


def _due(schedule: ScheduleSettings, now: datetime, *, before: bool = False) -> datetime | None:
    from cronsim import CronSim, CronSimError

    try:
        moments = CronSim(schedule.cron, now.astimezone(ZoneInfo(schedule.timezone)), reverse=before)
        return next(moments).astimezone(UTC)
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
