"""Workspaces as earlier versions left them (tests/reference/workspaces), unpacked for a test."""

import shutil
import tarfile
from pathlib import Path

import duckdb
import polars as pl

from pipelines.workspace.workspace import Workspace

KEPT = Path(__file__).parent / "reference" / "workspaces"
DELIVERED = KEPT / "delivered"
NAMES = sorted(path.parent.name for path in KEPT.glob("*/workspace.tar.xz"))


def unpacked(name: str, root: Path) -> Workspace:
    """The workspace of a version in a new folder; the deliveries it had taken in are put back where it keeps them."""
    root.mkdir(parents=True)
    with tarfile.open(KEPT / name / "workspace.tar.xz") as packed:
        packed.extractall(root, filter="data")
    workspace = Workspace(root)
    workspace.delivered.mkdir(parents=True, exist_ok=True)
    for delivery in sorted((DELIVERED / "inbox").iterdir()):
        shutil.copy2(delivery, workspace.delivered / delivery.name)
    return workspace


def rows_of(path: Path) -> dict[str, pl.DataFrame]:
    """Every table of a file as it is, opened by nothing of ours."""
    with duckdb.connect(str(path), read_only=True) as file:
        names = [str(name) for (name,) in file.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
        return {name: file.sql(f'SELECT * FROM "{name}" ORDER BY ALL').pl() for name in sorted(names)}
