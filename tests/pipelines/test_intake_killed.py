"""Killed at any point, intake run again comes to the state of a run nobody disturbed."""

import subprocess
import sys
from pathlib import Path

import polars as pl

from pipelines.commands.check import audit
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, recording, row

ROOT = Path(__file__).parents[2]
TRIALS = 6


def state(home: Path) -> tuple[dict[str, pl.DataFrame], list[str]]:
    """Every table intake writes, and every file of the workspace beside the warehouse."""
    workspace = Workspace(home)
    tables = ("deliveries", "manifest_rows", "recordings", "waveforms", "quarantine")
    with Warehouse(workspace.warehouse_path) as warehouse:
        assert audit(workspace, warehouse) == []
        found = {table: warehouse.query(f"SELECT * FROM {table} ORDER BY ALL") for table in tables}
    files = sorted(str(p.relative_to(home)) for p in home.rglob("*") if p.is_file() and "warehouse" not in p.name)
    return found, files


def test_killed_intake_run_again_is_as_if_never_killed(tmp_path: Path) -> None:
    template = make_home(tmp_path / "template")
    for number in range(6):
        seeds = range(number * 12, number * 12 + 12)
        rows = [row(f"{s}.parquet", at=f"2026-03-02T09:{s % 60:02d}:{s // 60:02d}Z") for s in seeds]
        if number == 3:
            rows[0]["van_id"] = "V900"  # waits
            rows[1]["file"] = "none.parquet"
        if number == 4:
            rows += [
                row("36.parquet", at="2026-03-02T09:36:00Z"),
                row("24.parquet", at="2026-03-02T09:24:00Z", note="mended"),
            ]
        files = {f"{s}.parquet": recording(s) for s in seeds}
        if number == 4:
            files |= {"36.parquet": recording(36), "24.parquet": recording(24)}
        deliver(template.inbox / f"d{number}", rows, files, zipped=number % 2 == 1)
    homes = tmp_path / "homes"
    homes.mkdir()
    command = [sys.executable, "-m", "tests.killed_intake", str(template.root), str(homes), str(TRIALS), "20260302"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=480, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= TRIALS // 2  # runs that were really cut off
    tables, files = state(homes / "whole")
    assert tables["quarantine"].height == 3  # one of them a file that no row names
    assert tables["recordings"]["state"].value_counts().height == 2
    for trial in range(TRIALS):
        cut_tables, cut_files = state(homes / f"trial{trial}")
        assert cut_files == files
        for name, table in tables.items():
            assert cut_tables[name].equals(table), name
