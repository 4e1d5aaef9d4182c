"""Write the year of readings anew: `python -m tests.pipelines.make_year [FOLDER]` (minutes); see year/README.md."""

import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np

from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.workspace import make_workspace
from sample_fleet.deliver import write_fleet
from sample_fleet.scenario import Scenario

SCENARIO = Scenario(
    vans=12,
    weeks=52,
    repeats=1,
    depots=2,
    fault_share=0.5,
    causes=("lambda_slow", "airflow_under_reading", "unmetered_air", "fuel_delivery_weak", "intake_restricted"),
    profiles=("step",),
    severity=(0.8, 1.0),
    onset_weeks=(0.2, 0.5),
    repair_share=1.0,
    cold_visits=0.0,
    spoiled=0.0,
    long_share=1.0,
)
SEED = 3


def main() -> None:
    """Simulate, take in and read the year; keep its register, truth, captures and readings."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("year")
    (folder / "register").mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as room:
        workspace = make_workspace(Path(room) / "home", {"settings.toml": EXAMPLE_FILES["settings.toml"]})
        write_fleet(workspace.root, SCENARIO, np.random.default_rng(SEED))
        with workspace.held():
            steps.intake(workspace.root)
            steps.read_captures(workspace.root)
        with Warehouse(workspace.warehouse_path) as warehouse:
            for name in ("captures", "readings"):
                table = warehouse.query(f"SELECT * FROM {name} ORDER BY capture_id")
                table.write_parquet(folder / f"{name}.parquet", compression="zstd")
        shutil.copy(workspace.root / "truth.csv", folder / "truth.csv")
        for name in ("families.toml", "vans.csv"):
            shutil.copy(workspace.register / name, folder / "register" / name)


if __name__ == "__main__":
    main()
