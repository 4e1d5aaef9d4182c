"""Reports of internal failures, for whoever mends Vansnap: files with a traceback, in the workspace or where there is room."""

import tempfile
import traceback
from collections.abc import Iterable
from pathlib import Path

from pipelines.workspace.workspace import Workspace

FAILURES = "failures"
"""Folder within reports/ for what only whoever mends Vansnap can use."""


def failures_of(workspace: Workspace) -> Path:
    """Folder for reports of failures.

    Parameters
    ----------
    workspace : Workspace
    """
    return workspace.reports / FAILURES


def keep_report(error: BaseException, folders: Iterable[Path | None]) -> str | None:
    """Write down where an error came from.

    Parameters
    ----------
    error : BaseException
    folders : iterable of Path or None
        Where to, the first that can be written to; made where they are not there.

    Returns
    -------
    str or None
        The file; None where no place could be found.
    """
    text = "".join(traceback.format_exception(error))
    for folder in folders:
        if folder is None:
            continue
        try:
            folder.mkdir(exist_ok=True)
            with tempfile.NamedTemporaryFile(
                "w", prefix="vansnap-failure-", suffix=".txt", dir=folder, delete=False
            ) as report:
                report.write(text)
        except OSError:
            continue
        return report.name
    return None
