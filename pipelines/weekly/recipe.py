"""The recipe of a week: intake, reading, tracking, publish, each tried again where that can help."""

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from data_contracts.errors import VansnapError, WorkspaceBusyError
from pipelines.intake.journal import unreadable_entries
from pipelines.retention.step import retain
from pipelines.storage.room import is_full
from pipelines.storage.unreferenced import chunks_aside
from pipelines.weekly.run_summary import WeeklySummary
from pipelines.weekly.steps import intake, publish_week, read_captures, resolve_week, track
from pipelines.workspace.step_times import timed
from pipelines.workspace.workspace import open_workspace

Step = Callable[..., Any]
Trying = Callable[[str, Step], Step]
"""Takes a step and its name; returns the step that is tried again."""

PAUSES = (2.0, 4.0, 8.0)
"""Before each further try. [s]"""


def week_by_recipe(root: Path, week: str | None, *, quiet: bool, now: datetime | None, trying: Trying) -> WeeklySummary:
    """Take in, read, judge and publish; every step may be run again at any point.

    Parameters
    ----------
    root : Path
        Of the workspace, which the caller holds.
    week : str or None
        ISO week to publish as of; None is the week of the newest capture.
    quiet : bool
        Show no progress.
    now : datetime or None
        Time of the run; None is the clock's.
    trying : callable
        How a step is tried again: here or by the orchestrator.

    Returns
    -------
    WeeklySummary
    """
    workspace = open_workspace(root)
    with timed(workspace, "intake"):
        account = trying("intake", intake)(root, quiet=quiet, now=now)
    with timed(workspace, "reading"):
        count = trying("reading", read_captures)(root, quiet=quiet)
    standing = resolve_week(root, week)
    with timed(workspace, "tracking"):
        tracked = trying("tracking", track)(root, standing, quiet=quiet)
    with timed(workspace, "publish"):
        fresh = trying("publish", publish_week)(root, standing, tracked)
    with timed(workspace, "retention"):
        trying("retention", retain)(root, now=now)
    return WeeklySummary(
        standing,
        account,
        count,
        tracked.listed,
        tracked.orders,
        tracked.notices,
        fresh,
        tracked.tests,
        len(chunks_aside(workspace.waveforms)),
        tuple(unreadable_entries(workspace)),
        tracked.decisions,
        tracked.newest,
    )


def tried_again(name: str, step: Step, *, wait: Callable[[float], None] = time.sleep) -> Step:
    """A step that is tried again after each of PAUSES while what went wrong may pass.

    Parameters
    ----------
    name : str
        Of the step; only an orchestrator shows it.
    step : callable
    wait : callable
        Takes seconds.

    Returns
    -------
    callable
    """

    def tried(*given: Any, **named: Any) -> Any:
        for pause in PAUSES:
            try:
                return step(*given, **named)
            except Exception as error:
                if not may_pass(error):
                    raise
                wait(pause)
        return step(*given, **named)

    return tried


def may_pass(error: BaseException) -> bool:
    """Whether a retry can help: the warehouse is open elsewhere, or a disk or share did not answer.

    What a person must mend (an entry of the register, a setting, a damaged file) stays wrong however often it is tried.

    Parameters
    ----------
    error : BaseException
        What ended a step.

    Returns
    -------
    bool
    """
    if isinstance(error, VansnapError):
        return isinstance(error, WorkspaceBusyError)
    if isinstance(error, PermissionError | FileNotFoundError) or is_full(error):
        return False
    return isinstance(error, OSError | duckdb.IOException)
