"""Kills runs between two steps of what is kept, each followed by a run left alone; started by tests/pipelines/test_packed_deliveries.py
and test_retention.py.

Forked from this process, which has imported everything and used none of it, so that a trial costs no import.
"""

import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

from pipelines.retention.step import retain
from pipelines.weekly import steps
from tests.deliveries import NOW
from tests.killed import end_here, in_child


def half_removed(folder: Path) -> None:
    """In place of removing a folder: its first file goes, then the process is killed."""
    next(path for path in sorted(folder.rglob("*")) if path.is_file()).unlink()
    end_here()


PACKING: dict[str, tuple[str, Callable[..., object]]] = {
    "before it is packed": ("pipelines.intake.filing.pack", end_here),
    "while it is packed": ("pipelines.storage.packed_folder._read_back", end_here),
    "before it is in its place": ("pipelines.storage.packed_folder.put_in_place", end_here),
    "before the folder goes": ("pipelines.intake.filing.shutil.rmtree", end_here),
    "while the folder goes": ("pipelines.intake.filing.shutil.rmtree", half_removed),
    "before it is written down": ("pipelines.weekly.steps.note_intake", end_here),
}


REMOVING: dict[str, tuple[str, Callable[..., object]]] = {
    "before it is written down": ("pipelines.retention.remove.ledger.write_entry", end_here),
    "before the warehouse says so": ("pipelines.storage.warehouse.Warehouse.upsert", end_here),
    "before anything is deleted": ("pipelines.retention.step.delete_removed", end_here),
    "before a delivery is emptied": ("pipelines.retention.remove._empty_delivery", end_here),
    "while a folder is emptied": ("pipelines.retention.emptied.pack", end_here),
    "while a zip is emptied": ("pipelines.retention.emptied.put_in_place", end_here),
    "before it is finished": ("pipelines.retention.remove.ledger.finish", end_here),
}


def _intake(root: Path) -> None:
    steps.intake(root, now=NOW)


def _retain(root: Path) -> None:
    retain(root, now=NOW)


KINDS = {"packing": (PACKING, _intake), "removing": (REMOVING, _retain)}


def _cut_off(root: Path, place: str, instead: Callable[..., object], work: Callable[[Path], None]) -> None:
    with patch(place, instead):
        work(root)


def main(kind: str, template: Path, homes: Path) -> None:
    """A copy of the template that nobody disturbs, and one for each step."""
    places, work = KINDS[kind]
    shutil.copytree(template, homes / "undisturbed")
    in_child(lambda: work(homes / "undisturbed"))
    for step, (place, instead) in places.items():
        root = homes / step
        shutil.copytree(template, root)
        if in_child(lambda: _cut_off(root, place, instead, work)):  # noqa: B023 - the child is waited for
            sys.exit(f"was not killed {step}")
        in_child(lambda: work(root))  # noqa: B023


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
