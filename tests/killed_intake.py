"""Runs intake in child processes and kills them at seeded random moments; started by tests/pipelines/test_intake_killed.py.

Forked from this process, which has imported everything and used none of it, so that a trial costs no import.
"""

import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import great_expectations  # noqa: F401 - so that no child has to import it

from pipelines.workspace.workspace import Workspace
from tests.deliveries import run_intake


def in_child(work: Callable[[], object], *, kill_after_s: float | None = None) -> bool:
    """Do work in a forked child; True if it came to its end by itself."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException as error:
            sys.stderr.write(f"{type(error).__name__}: {error}\n")
            os._exit(1)
        os._exit(0)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(child, signal.SIGKILL)  # a child that has ended is still ours to wait for
    _, status = os.waitpid(child, 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0:
        sys.exit("a child failed")
    return os.WIFEXITED(status)


def main(template: Path, homes: Path, trials: int, seed: int) -> None:
    """Per trial a copy of the template, one run killed on the way, perhaps another, and one left alone."""
    rng = random.Random(seed)
    whole = homes / "whole"
    shutil.copytree(template, whole)
    began = time.monotonic()
    in_child(lambda: run_intake(Workspace(whole)))
    length_s = time.monotonic() - began
    cut = 0
    for trial in range(trials):
        home = homes / f"trial{trial}"
        shutil.copytree(template, home)
        for _ in range(rng.choice((1, 2))):
            cut += not in_child(lambda: run_intake(Workspace(home)), kill_after_s=rng.uniform(0.05, length_s))  # noqa: B023
        in_child(lambda: run_intake(Workspace(home)))  # noqa: B023 - the child is waited for before home moves on
    sys.stdout.write(f"{cut}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
