"""The end of a run, for people: told at once, whatever became of it; light to import, for every run does."""

import sys

from data_contracts.errors import VansnapError, first_line
from pipelines.workspace.failure_reports import failures_of, keep_report
from pipelines.workspace.last_runs import last_runs
from pipelines.workspace.log import note
from pipelines.workspace.workspace import Workspace


def tell(workspace: Workspace) -> None:
    """Tell people how a run went and what it found; what goes wrong here is said on stderr and logged, and ends nothing.

    Parameters
    ----------
    workspace : Workspace
        Held by nobody: the run has ended.
    """
    _told(workspace, after_run=True)


def tell_again(workspace: Workspace) -> None:
    """Between runs: tell people of a run that was killed, so that it could not tell them, and send what waits.

    Parameters
    ----------
    workspace : Workspace
    """
    from pipelines.notify.outbox import read_boxes

    if last_runs(workspace.root).failing or any(box.waiting for box in read_boxes(workspace).values()):
        _told(workspace, after_run=False)


def _told(workspace: Workspace, *, after_run: bool) -> None:
    try:
        from pipelines.notify.recipients import nobody_to_tell

        if nobody_to_tell(workspace):
            return
        from pipelines.notify.after_run import tell_now

        for label, why in (tell_now(workspace, after_run=after_run).unsent or {}).items():
            _say(f"{label} of [notify] could not be told, {why}; it is tried again")
    except VansnapError as error:
        note(workspace, "not_told", why=str(error))
        _say(f"nobody could be told of this run: {' '.join(str(error).split())}")
    except Exception as error:
        report = keep_report(error, [failures_of(workspace)])
        note(workspace, "not_told", why=type(error).__name__, report=report)
        where = f"; please report it with {report}" if report else ""
        _say(f"nobody could be told of this run ({type(error).__name__}: {first_line(error)}){where}")


def _say(line: str) -> None:
    print(f"vansnap: {line}", file=sys.stderr, flush=True)
