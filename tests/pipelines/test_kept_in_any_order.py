"""Deliveries in any order, late, corrected, twice, cut off in between, some samples kept no longer: a rebuild gives the same."""

import random
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import polars as pl
import pytest

from pipelines.commands.check import check_workspace
from pipelines.commands.rebuild import rebuild
from pipelines.retention.step import retain
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.deliveries import NOW, deliver, make_home, recording, row
from tests.same_tables import LEFT_OUT

TABLES = ("deliveries", "manifest_rows", "recordings", "waveforms", "quarantine", "captures", "readings", "shapes")
WHERE_CUT = (
    "pipelines.intake.take_in.write_waveforms",
    "pipelines.intake.filing.pack",
    "pipelines.intake.filing.shutil.rmtree",
    "pipelines.weekly.steps.note_intake",
    "pipelines.retention.remove.ledger.write_entry",
    "pipelines.retention.step.delete_removed",
    "pipelines.retention.remove._empty_delivery",
    "pipelines.retention.remove.ledger.finish",
)


class CutOffError(BaseException):
    """A run that ends here."""


def tables(home: Workspace) -> dict[str, pl.DataFrame]:
    with Warehouse(home.warehouse_path) as warehouse:
        return {
            name: warehouse.query(f"SELECT * FROM {name} ORDER BY ALL").drop(LEFT_OUT.get(name, ()), strict=False)
            for name in TABLES
        }


def moment(number: int) -> str:
    """Winter, then spring: the first are due at the end of March with a month kept."""
    return (datetime(2026, 1, 5, 9, tzinfo=UTC) + timedelta(days=11 * number)).strftime("%Y-%m-%dT%H:%M:%SZ")


def live(home: Workspace, seed: int, *, cuts: bool) -> None:
    """Some days of it: what is delivered depends on the seed alone, where it is cut off on nothing that is compared."""
    rng, cut = random.Random(seed), random.Random(seed + 1)
    for day in range(4):
        for number in range(rng.randint(1, 3)):
            picked = rng.sample(range(8), rng.randint(1, 4))
            rows = [
                row(
                    f"{n}.csv",
                    f"V00{n % 3 + 1}",
                    moment(n),
                    **({"coolant_c": rng.choice(["70", "85"])} if rng.random() < 0.5 else {}),
                )
                for n in picked
            ]
            if rng.random() < 0.3:
                rows.append(row("none.csv", at=moment(3)))
            folder = home.inbox / f"d{rng.randint(0, 9)}-{day}{number}"
            deliver(folder, rows, {f"{n}.csv": recording(n) for n in picked}, zipped=rng.random() < 0.4)
        at = NOW + timedelta(days=day)
        work: list[Callable[[], object]] = [
            lambda at=at: steps.intake(home.root, now=at),
            lambda: steps.read_captures(home.root),
            lambda at=at: retain(home.root, now=at),
        ]
        for step in work:
            if cuts and cut.random() < 0.7:
                with patch(cut.choice(WHERE_CUT), side_effect=CutOffError), suppress(CutOffError):
                    step()
            step()


# In which something is due; the first two are cut off everywhere that all four are.
@pytest.mark.parametrize("seed", [1, 2, *(pytest.param(seed, marks=pytest.mark.study) for seed in (4, 5))])
def test_a_rebuild_gives_the_same_and_a_cut_changes_nothing(tmp_path: Path, seed: int) -> None:
    homes = [make_home(tmp_path / name) for name in ("left alone", "cut off")]
    for home in homes:
        home.settings_path.write_text("[intake]\nworkers = 1\n[retention]\nraw_months = 1\n", encoding="utf-8")
        live(home, seed, cuts=home is homes[1])
    alone, cut = (tables(home) for home in homes)
    assert alone["waveforms"]["removed_on"].drop_nulls().len()
    for name in TABLES:
        assert alone[name].equals(cut[name]), name
    for home, before in zip(homes, (alone, cut), strict=True):
        found = [line for line in check_workspace(home) if not line.startswith("in quarantine")]
        assert found == []
        home.warehouse_path.unlink()
        rebuild(home)
        after = tables(home)
        for name in TABLES:
            assert after[name].equals(before[name]), name
        assert [line for line in check_workspace(home) if not line.startswith("in quarantine")] == []
