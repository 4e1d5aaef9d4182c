"""The log of a workspace: one JSON object a line, in files of bounded size.

It holds what runs, their steps and messages did: codes, times and reasons. No password, token or address of a person is written.
"""

import fcntl
import json
import logging
import os
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path

from pipelines.workspace.workspace import Workspace

FOLDER, FILE = "logs", "vansnap.jsonl"
"""Within reports/."""
MOST_BYTES, FILES = 1_000_000, 5
"""Of one file, and how many there are: 5 MB at most, years of weekly runs. Of our choosing."""
_LONGEST = 400


class _Bounded(RotatingFileHandler):
    """Says nothing where a line can't be written: a full disk is the run's own failure."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (named by the standard library)
        """Leave it."""


def log_path(workspace: Workspace) -> Path:
    """The file that is written to; older ones beside it end in .1 to .4.

    Parameters
    ----------
    workspace : Workspace
    """
    return workspace.reports / FOLDER / FILE


def note(workspace: Workspace, event: str, **fields: str | float | bool | None) -> None:
    """Add a line; never fails, for what it tells of is what counts.

    Parameters
    ----------
    workspace : Workspace
    event : str
        What happened, as a code.
    **fields : str, number or bool
        More about it; text is cut to 400 characters of one line.
    """
    told = {name: " ".join(one.split())[:_LONGEST] if isinstance(one, str) else one for name, one in fields.items()}
    line = json.dumps(
        {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "event": event, **told}, ensure_ascii=False
    )
    path = log_path(workspace)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = os.open(path.with_name(".lock"), os.O_RDWR | os.O_CREAT, 0o640)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)  # for milliseconds: runs by hand and by schedule, and messages, write here
            _write(path, line)
        finally:
            os.close(lock)
    except OSError:
        return


def _write(path: Path, line: str) -> None:
    """Through the standard library's rotation; opened anew each time, so that every process sees the file that is current."""
    handler = _Bounded(path, maxBytes=MOST_BYTES, backupCount=FILES - 1, encoding="utf-8", errors="replace")
    try:
        handler.emit(logging.LogRecord("vansnap", logging.INFO, "", 0, line, None, None))
    finally:
        handler.close()
