"""A guard for what a run starts: when the run has ended, in whatever way, its server and workers end too.

A run that is killed outright can't stop its children itself. Each of them inherits a mark in its environment; the guard
waits for the end of a pipe that only the run holds open, then ends every process that still carries the mark.
"""

import os
import secrets
import signal
import subprocess
import sys
import time
from pathlib import Path

_MARK = "VANSNAP_RUN"
_PATIENCE_S = 3.0


def guard_this_run() -> None:
    """Guard whatever this process starts from now on. Does nothing where there is no /proc."""
    if not Path("/proc/self/environ").exists() or _MARK in os.environ:
        return
    mark = secrets.token_hex(8)
    subprocess.Popen(
        [sys.executable, "-m", "pipelines.weekly.guard", mark],
        stdin=subprocess.PIPE,  # held open until this process ends
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is for the run
    )
    os.environ[_MARK] = mark


def marked(mark: str) -> list[int]:
    """Processes that carry a mark.

    Parameters
    ----------
    mark : str
        Of one run.

    Returns
    -------
    list of int
        Process numbers.
    """
    entry, found = f"{_MARK}={mark}".encode(), []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if entry in (process / "environ").read_bytes().split(b"\0"):
                found.append(int(process.name))
        except OSError:
            continue  # ended, or another user's
    return found


def main() -> None:
    """Wait for the run to end, then end what it left running."""
    mark = sys.argv[1]
    sys.stdin.buffer.read()
    end = time.monotonic() + _PATIENCE_S
    while left := marked(mark):
        number = signal.SIGTERM if time.monotonic() < end else signal.SIGKILL
        for process in left:
            try:
                os.kill(process, number)
            except ProcessLookupError:
                continue
        time.sleep(0.2)


if __name__ == "__main__":
    main()
