"""Kills the opening of an older warehouse at each stage of its upgrade; started by tests/pipelines/test_upgrades.py.

Says per stage as JSON whether the tables were all as before, or all as after, an upgrade nobody disturbed; which files lay
beside them; and the same once it was opened again.
"""

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import polars as pl

from pipelines.storage.warehouse import Warehouse
from tests.kept_workspaces import rows_of
from tests.killed import end_here, in_child

_UPGRADES = "pipelines.storage.upgrades"
STAGES = ("copying", "copied", "half migrated", "all but committed", "committed")


def at_call(number: int, real: Callable[..., Any]) -> Callable[..., Any]:
    """The function, but for the call of that number, at which the process is killed."""
    calls = iter(range(1, 10_000))

    def called(*given: Any, **named: Any) -> Any:
        if next(calls) == number:
            end_here()
        return real(*given, **named)

    return called


def killed_at(stage: str, path: Path) -> None:
    """Open a warehouse, and end at a stage."""
    from pipelines.storage import upgrades

    names = {
        "copying": ("put_in_place", end_here),
        "copied": ("bring_up_to_date", end_here),
        "half migrated": ("_complete", at_call(len(upgrades.TABLES) // 2, upgrades._complete)),
        "all but committed": ("_complete", at_call(len(upgrades.TABLES), upgrades._complete)),
        "committed": ("kept_copies", end_here),
    }
    name, instead = names[stage]
    where = "pipelines.storage.warehouse" if stage in ("copied", "committed") else _UPGRADES
    with patch(f"{where}.{name}", instead):
        Warehouse(path).close()


def said(path: Path, before: dict[str, pl.DataFrame], after: dict[str, pl.DataFrame]) -> dict[str, object]:
    """Which state the tables are in, and the files there."""
    now = rows_of(path)
    states = {"before": before, "after": after}
    found = [
        name for name, rows in states.items() if rows.keys() == now.keys() and all(rows[t].equals(now[t]) for t in now)
    ]
    return {"tables": found, "files": sorted(one.name for one in path.parent.iterdir())}


def main(older: Path, folder: Path) -> None:
    """Each stage on a copy of its own."""
    homes = {stage: folder / stage.replace(" ", "_") for stage in ("whole", *STAGES)}
    for home in homes.values():
        home.mkdir(parents=True)
        shutil.copy(older, home / "warehouse.duckdb")
    before = rows_of(older)
    whole = homes["whole"] / "warehouse.duckdb"
    in_child(lambda: Warehouse(whole).close())
    after = rows_of(whole)
    told = {}
    for stage in STAGES:
        path = homes[stage] / "warehouse.duckdb"
        ended = in_child(lambda: killed_at(stage, path))  # noqa: B023 - the child is waited for before they move on
        killed = said(path, before, after)
        in_child(lambda: Warehouse(path).close())  # noqa: B023
        told[stage] = {"killed": not ended, "then": killed, "again": said(path, before, after)}
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
