"""A small workspace with a register, and deliveries made of seeded recordings, for tests of intake."""

import csv
import zipfile
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipelines.intake.accounts import DeliveryAccount
from pipelines.intake.take_in import take_in
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import load_register
from pipelines.workspace.workspace import Workspace, make_workspace

NOW = datetime(2026, 4, 1, 6, 0, tzinfo=UTC)

FAMILIES = """\
[brook-20]
displacement_l = 2.0
cylinders = 4
aspiration = "natural"
max_free_rpm = 6100
[brook-20.airflow_sensor]
kind = "volts"
transfer_v = [0.2, 1.0, 2.0, 3.0, 4.0, 4.9]
transfer_g_s = [0.5, 4.0, 14.0, 33.0, 66.0, 120.0]
[brook-20.main_peak]
expected_v = 4.15
[brook-20.lambda_sensor]
kind = "none"
"""
VANS = "van_id,family,depot,in_service_on,warranty_until\n" + "".join(
    f"V00{n},brook-20,north,2024-01-01,2027-01-01\n" for n in (1, 2, 3)
)

Row = Mapping[str, object]


def make_home(folder: Path, *, families: str = FAMILIES, vans: str = VANS) -> Workspace:
    """A workspace with three vans of one family."""
    files = {"settings.toml": "", "register/families.toml": families, "register/vans.csv": vans}
    return make_workspace(folder, files)


def recording(seed: int, samples: int = 1200) -> pl.DataFrame:
    """A canonical recording that no other seed gives."""
    rng = np.random.default_rng(seed)
    volts = np.round((1.0 + 0.1 * rng.standard_normal(samples)) * 819.2) / 819.2
    return pl.DataFrame({"time_s": np.arange(samples) / 1000.0, "airflow_v": volts})


def put_recording(path: Path, frame: pl.DataFrame) -> None:
    """Write a recording in the format its name says."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".parquet":
        frame.write_parquet(path)
    else:
        frame.write_csv(path)


def row(file: str, van: str = "V001", at: str = "2026-03-02T09:15:00+01:00", **more: object) -> dict[str, object]:
    """One manifest row."""
    return {"file": file, "van_id": van, "captured_at": at, **more}


def deliver(
    folder: Path, rows: Sequence[Row], files: Mapping[str, bytes | pl.DataFrame], *, zipped: bool = False
) -> Path:
    """Write a delivery; a zipped one holds the folder, as a zip of a folder does."""
    folder.mkdir(parents=True)
    for name, content in files.items():
        if isinstance(content, bytes):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(content)
        else:
            put_recording(folder / name, content)
    columns = list(dict.fromkeys(column for r in rows for column in r)) or ["file", "van_id", "captured_at"]
    with (folder / "manifest.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    if not zipped:
        return folder
    archive = folder.with_name(folder.name + ".zip")
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(folder.rglob("*")):
            packed.write(path, path.relative_to(folder.parent))
            if path.is_file():
                path.unlink()
    for path in sorted(folder.rglob("*"), reverse=True):
        path.rmdir()
    folder.rmdir()
    return archive


def run_intake(workspace: Workspace, *, now: datetime = NOW, workers: int = 1) -> list[DeliveryAccount]:
    """One intake, as the weekly run does it."""
    register = load_register(workspace.register)
    with Warehouse(workspace.warehouse_path) as warehouse:
        return take_in(workspace, warehouse, register, now=now, workers=workers)


def ask(workspace: Workspace, sql: str) -> pl.DataFrame:
    """Rows of a warehouse that is there, opened to be read: in half the time that opening it to write takes."""
    with duckdb.connect(str(workspace.warehouse_path), read_only=True) as warehouse:
        warehouse.execute("SET TimeZone = 'UTC'")
        return warehouse.sql(sql).pl()


def counts(account: DeliveryAccount) -> tuple[int, int, int, int, int]:
    """rows, held, superseded, duplicates, quarantined."""
    return account.rows, account.held, account.superseded, account.duplicates, account.quarantined
