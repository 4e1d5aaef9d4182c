"""How far a run is: one small file of the workspace while the run holds it, for the board and `vansnap status`."""

import json
import os
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.facts.fact import Fact
from pipelines.workspace.small_files import keep_document
from pipelines.workspace.workspace import Workspace

FILE = "run_progress.json"
"""In reports/."""
EVERY = 1.0
"""At most one entry in so long. [s]"""
_EARLY = 3.0  # how long a count goes on before it says when it will end [s]

Report = Callable[[int, int], None]
"""Called with (done, total) as work proceeds."""


@dataclass(frozen=True)
class RunProgress:
    """How far a run is.

    Attributes
    ----------
    stage : str
        What it does, a name of `stage.` in `data_contracts.facts.vocabulary.PHRASES`.
    begun : datetime
        When that began.
    at : datetime
        When the count below was taken.
    done, total : int
        Recordings; 0 of 0 where none are counted.
    process : int
        Of the run.
    last_time : float or None
        How long it took in the last run, where that is known. [s]
    """

    stage: str
    begun: datetime
    at: datetime
    done: int
    total: int
    process: int
    last_time: float | None = None


def note_progress(workspace: Workspace, stage: str, *, last_time: float | None = None) -> Report:
    """Note that the run begins something.

    Parameters
    ----------
    workspace : Workspace
        Held by this process.
    stage : str
        As `RunProgress.stage`.
    last_time : float, optional
        As `RunProgress.last_time`.

    Returns
    -------
    callable
        Notes how far it is, at most once in `EVERY`.
    """
    begun, noted = datetime.now(UTC), time.monotonic()

    def count(done: int, total: int) -> None:
        nonlocal noted
        if total and time.monotonic() - noted >= EVERY:
            _keep(workspace, RunProgress(stage, begun, datetime.now(UTC), done, total, os.getpid()))
            noted = time.monotonic()

    _keep(workspace, RunProgress(stage, begun, begun, 0, 0, os.getpid(), last_time))
    return count


def _keep(workspace: Workspace, progress: RunProgress) -> None:
    keep_document(workspace.reports / FILE, asdict(progress))


def forget_progress(workspace: Workspace) -> None:
    """What the run did has ended; never fails itself.

    Parameters
    ----------
    workspace : Workspace
        Held by this process.
    """
    with suppress(OSError):
        (workspace.reports / FILE).unlink()


def run_progress(home: Path) -> RunProgress | None:
    """How far the run is that holds a workspace.

    Parameters
    ----------
    home : Path
        The workspace.

    Returns
    -------
    RunProgress or None
        None where no run holds it, or it has not said yet what it does.
    """
    workspace = Workspace(home)
    try:
        told = json.loads((workspace.reports / FILE).read_text(encoding="utf-8"))
        begun, at = (datetime.fromisoformat(told[name]).astimezone(UTC) for name in ("begun", "at"))
        done, total, process = (int(told[name]) for name in ("done", "total", "process"))
        last_time = None if told["last_time"] is None else float(told["last_time"])
        progress = RunProgress(str(told["stage"]), begun, at, done, total, process, last_time)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return progress if workspace.held_by(progress.process) else None


def progress_fact(home: Path, now: datetime) -> Fact | None:
    """What the run that holds a workspace does, how fast, and how long that will still take.

    Parameters
    ----------
    home : Path
        The workspace.
    now : datetime
        With offset.

    Returns
    -------
    Fact or None
        None as `run_progress`.
    """
    progress = run_progress(home)
    if progress is None:
        return None
    if not progress.total:
        gone = max((now - progress.begun).total_seconds(), 0.0)
        return Fact.of("run_does", stage=progress.stage, gone=gone, last_time=progress.last_time)
    gone = (progress.at - progress.begun).total_seconds()
    rate = progress.done / gone if gone > 0 else 0.0
    soon = rate > 0 and gone >= _EARLY
    return Fact.of(
        "run_counts",
        stage=progress.stage,
        done=progress.done,
        in_all=progress.total,
        per_second=rate if soon else None,
        left=(progress.total - progress.done) / rate if soon else None,
    )
