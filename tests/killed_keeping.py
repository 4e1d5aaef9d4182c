"""Kills runs between two steps of what is kept, each followed by a run left alone; started by tests/pipelines/test_packed_deliveries.py.

Forked from this process, which has imported everything and used none of it, so that a trial costs no import.
"""

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

from pipelines.weekly import steps
from tests.deliveries import NOW
from tests.killed import end_here, in_child


def half_removed(folder: Path) -> None:
    """In place of removing a folder: its first file goes, then the process is killed."""
    next(path for path in sorted(folder.rglob("*")) if path.is_file()).unlink()
    end_here()


PACKING: dict[str, tuple[str, Callable[..., object]]] = {
    "before it is packed": ("pipelines.intake.filing.pack", end_here),
    "while it is packed": ("pipelines.storage.packed_folder._packed_entries", end_here),
    "before it is in its place": ("pipelines.storage.packed_folder.put_in_place", end_here),
    "before the folder goes": ("pipelines.intake.filing.shutil.rmtree", end_here),
    "while the folder goes": ("pipelines.intake.filing.shutil.rmtree", half_removed),
    "before it is written down": ("pipelines.weekly.steps.note_intake", end_here),
}


def _intake(root: Path) -> None:
    steps.intake(root, now=NOW)


def _cut_off(root: Path, step: str) -> None:
    place, instead = PACKING[step]
    with patch(place, instead):
        _intake(root)


def main(template: Path, homes: Path) -> None:
    """A copy of the template that nobody disturbs, and one for each step."""
    shutil.copytree(template, homes / "undisturbed")
    in_child(lambda: _intake(homes / "undisturbed"))
    for step in PACKING:
        root = homes / step
        shutil.copytree(template, root)
        if in_child(lambda: _cut_off(root, step)):  # noqa: B023 - the child is waited for before they move on
            sys.exit(f"was not killed {step}")
        in_child(lambda: _intake(root))  # noqa: B023


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
