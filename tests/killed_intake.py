"""Runs intake in child processes and kills them at seeded random moments; started by tests/pipelines/test_intake_killed.py.

Forked from this process, which has imported everything and used none of it, so that a trial costs no import.
"""

import random
import shutil
import sys
import time
from pathlib import Path

import great_expectations  # noqa: F401 - so that no child has to import it

from pipelines.workspace.workspace import Workspace
from tests.deliveries import run_intake
from tests.killed import in_child


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
