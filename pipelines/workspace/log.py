"""The logs of a workspace: one JSON object a line, in files of bounded size.

One holds what runs, their steps and messages did: codes, times and reasons. The other, kept apart so that runs do not push it out,
says who logged in, decided and downloaded. No password or token is written; names of people only to the second.
"""

import fcntl
import json
import logging
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from pipelines.workspace.workspace import Workspace

FOLDER, FILE = "logs", "vansnap.jsonl"
"""Within reports/."""
AUDIT = "audit.jsonl"
"""Beside it: logins, decisions and downloads."""
MOST_BYTES, FILES = 1_000_000, 5
"""Of one file, and how many there are: 5 MB at most, years of weekly runs. Of our choosing."""
_LONGEST = 400


class _Bounded(RotatingFileHandler):
    """Says nothing where a line can't be written: a full disk is the run's own failure."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 (named by the standard library)
        """Leave it."""


def log_path(workspace: Workspace, file: str = FILE) -> Path:
    """The file that is written to; older ones beside it end in .1 to .4.

    Parameters
    ----------
    workspace : Workspace
    file : str
        Which log: `FILE` or `AUDIT`.
    """
    return workspace.reports / FOLDER / file


def audit(workspace: Workspace, event: str, person: str, **fields: str | float | bool | None) -> None:
    """Say in the log of logins, decisions and downloads who did something; never fails.

    Parameters
    ----------
    workspace : Workspace
    event : str
        What was done, as a code.
    person : str
        Who, as decisions carry it; empty where nobody is named.
    **fields : str, number or bool
        More about it.
    """
    _add(workspace, AUDIT, event, {"person": person, **fields})


def audit_lines(workspace: Workspace) -> Iterator[dict[str, Any]]:
    """What the log of logins, decisions and downloads holds, oldest first; lines that can't be read are left out.

    Parameters
    ----------
    workspace : Workspace
    """
    path = log_path(workspace, AUDIT)
    for file in sorted(path.parent.glob(f"{AUDIT}*"), reverse=True):
        for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
            with suppress(ValueError):
                told = json.loads(line)
                if isinstance(told, dict):
                    yield told


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
    _add(workspace, FILE, event, fields)


@contextmanager
def logs_held(workspace: Workspace) -> Iterator[None]:
    """Keep other writers of the logs out; for milliseconds.

    Parameters
    ----------
    workspace : Workspace
    """
    folder = workspace.reports / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    lock = os.open(folder / ".lock", os.O_RDWR | os.O_CREAT, 0o640)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)  # runs by hand and by schedule, messages and the board write here
        yield
    finally:
        os.close(lock)


def _add(workspace: Workspace, file: str, event: str, fields: Mapping[str, str | float | bool | None]) -> None:
    told = {name: " ".join(one.split())[:_LONGEST] if isinstance(one, str) else one for name, one in fields.items()}
    line = json.dumps(
        {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "event": event, **told}, ensure_ascii=False
    )
    try:
        with logs_held(workspace):
            _write(log_path(workspace, file), line)
    except OSError:
        return


def _write(path: Path, line: str) -> None:
    """Through the standard library's rotation; opened anew each time, so that every process sees the file that is current."""
    handler = _Bounded(path, maxBytes=MOST_BYTES, backupCount=FILES - 1, encoding="utf-8", errors="replace")
    try:
        handler.emit(logging.LogRecord("vansnap", logging.INFO, "", 0, line, None, None))
    finally:
        handler.close()
