"""Write the small committed fleet: `python -m sample_fleet.make_small [FOLDER]`."""

import shutil
import sys
from pathlib import Path

import numpy as np

from sample_fleet.deliver import Mix, write_fleet
from sample_fleet.scenario import Scenario

SMALL = Scenario(
    vans=6,
    weeks=4,
    depots=5,
    fault_share=0.34,
    causes=("airflow_under_reading", "lambda_slow", "unmetered_air", "fuel_delivery_weak"),
    profiles=("step",),
    severity=(0.8, 1.0),
    onset_weeks=(0.3, 0.5),
    repair_share=0.0,
    cold_visits=0.0,
    long_share=0.6,
)
SEED = 20260105


def main() -> None:
    """Replace the small fleet beside this module, or in the folder named."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("small_fleet")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    write_fleet(folder, SMALL, np.random.default_rng(SEED), mix=Mix(csv=0.05, slate=0.9, ledger=0.3, zipped=0.25))


if __name__ == "__main__":
    main()
