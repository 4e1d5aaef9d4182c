"""Manifests are opened some at a time, by other processes ahead of what is committed: the same is held, and how far it is adds up."""

from pathlib import Path

import polars as pl
import pytest

from pipelines.intake import decoding
from pipelines.intake import take_in as module
from pipelines.intake.take_in import take_in
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import load_register
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, VANS, ask, deliver, make_home, recording, row

TABLES = ("deliveries", "manifest_rows", "recordings", "waveforms", "quarantine")


def taken_in(home: Workspace, workers: int) -> tuple[list[str], list[tuple[int, int]]]:
    """Deliveries told of, and the progress told."""
    told: list[tuple[int, int]] = []
    with Warehouse(home.warehouse_path) as warehouse:
        found = take_in(
            home,
            warehouse,
            load_register(home.register),
            now=NOW,
            workers=workers,
            progress=lambda done, total: told.append((done, total)),
        )
    return [account.delivery for account in found], told


def held_in(
    folder: Path, workers: int = 1
) -> tuple[list[str], list[tuple[int, int]], dict[str, pl.DataFrame], list[list[str]]]:
    """A home whose deliveries correct, repeat and wait for one another, taken in twice."""
    home = make_home(folder)
    deliver(home.inbox / "a", [row("1.csv"), row("2.csv", van="V009")], {"1.csv": recording(1), "2.csv": recording(2)})
    deliver(home.inbox / "b", [row("1.csv", coolant_c="80")], {"1.csv": recording(1)})
    deliver(home.inbox / "c", [row("1.csv", van="V002")], {"1.csv": recording(1)})
    (home.inbox / "d").mkdir()
    (home.inbox / "d" / "manifest.csv").write_text("odd\n", encoding="utf-8")
    deliver(
        home.inbox / "e",
        [row(f"{n}.csv", van="V003", at=f"2026-03-02T0{n}:00:00Z") for n in (3, 4)],
        {"3.csv": recording(3), "4.csv": recording(4)},
    )
    deliver(home.inbox / "f", [row("1.csv"), row("5.csv")], {"1.csv": recording(1), "5.csv": recording(3)})
    names, told = taken_in(home, workers)
    (home.register / "vans.csv").write_text(VANS + "V009,brook-20,north,2024-01-01,2027-01-01\n", encoding="utf-8")
    again, _ = taken_in(home, workers)
    tables = {table: ask(home, f"SELECT * FROM {table} ORDER BY ALL") for table in TABLES}
    return names, told, tables, [again]


@pytest.mark.parametrize(("rows", "workers"), [(1, 1), (3, 1), (1, 2)])
def test_a_few_rows_at_a_time_give_the_same(
    rows: int, workers: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    together = held_in(tmp_path / "together")
    opened: list[list[str]] = []
    open_some = module._opened

    def noted(*given: object) -> list[object]:
        some = open_some(*given)  # type: ignore[arg-type]
        opened.append([job.delivery for job in some])
        return some  # type: ignore[return-value]

    monkeypatch.setattr(module, "_ROWS_OPEN", rows)
    monkeypatch.setattr(module, "_opened", noted)
    monkeypatch.setattr(module, "_BATCH_ROWS", rows)
    monkeypatch.setattr(decoding, "_POOL_FROM", 1)
    apart = held_in(tmp_path / "apart", workers)
    first = [["a"], ["b"], ["c"], ["d", "e"], ["f"], []] if rows == 1 else [["a", "b"], ["c", "d", "e"], ["f"], []]
    assert opened[: len(first)] == first
    assert apart[0] == together[0] == ["a", "b", "c", "d", "e", "f"]
    assert apart[3] == together[3]
    assert [table for table in TABLES if not apart[2][table].equals(together[2][table])] == []
    assert len(together[2]["quarantine"]) >= 3
    assert apart[1][-1] == together[1][-1]
    assert apart[1][-1][0] == apart[1][-1][1]
    assert all(done <= total for done, total in apart[1])
