"""Write the small committed fleet: `python -m sample_fleet.make_small [FOLDER]`.

Every state a weekly run can leave a van, an order or the fleet in is planted here, as small as it can be; `truth_states.csv`
says which. Decisions are those a workshop would tell between two runs, by van, since an order's name is the run's to give.
"""

import shutil
import sys
from dataclasses import replace
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from sample_fleet.deliver import Mix, write_fleet
from sample_fleet.families import built_in_families, family_table
from sample_fleet.parameters import HEALTHY
from sample_fleet.register import write_csv
from sample_fleet.scenario import LOCAL_TIME, FaultPlan, Scenario
from sample_fleet.simulate import Recording

SEED = 20260105
WEEKS = 14
# Run as of the first week, tell the decisions, run as of the last.
FIRST_RUN, LAST_RUN = "2026-W11", "2026-W15"
NORTH, MILL, SOUTH = 0, 3, 4
DEPOTS = (NORTH, MILL, SOUTH, NORTH, MILL, NORTH, NORTH, NORTH, NORTH, SOUTH, NORTH, MILL, SOUTH, SOUTH, NORTH, MILL, SOUTH, NORTH)


def planted(cause: str, severity: float, week: int, *, repaired: int | None = None, mended: bool = True) -> FaultPlan:
    """A fault that comes at once in a week counted from 0, and is repaired on the Friday of another."""

    def at(number: int, day: int, hour: int) -> datetime:
        monday = datetime.combine(Scenario().start, time(hour), LOCAL_TIME)
        return monday + timedelta(weeks=number, days=day)

    done = None if repaired is None else at(repaired, 4, 18)
    return FaultPlan(cause, severity, at(week, 0, 0), "step", 1.0, 1.0, replace(HEALTHY, slow_edge=1.0), done, mended)


FAULTS = {
    2: planted("unmetered_air", 0.9, 6, repaired=11),
    3: planted("airflow_under_reading", 0.9, 6, repaired=11, mended=False),
    6: planted("airflow_under_reading", 1.0, 11),
    8: planted("lambda_slow", 0.95, 6),
    9: planted("unmetered_air", 0.9, 11),
    13: planted("exhaust_restricted", 0.5, 11),
    15: planted("fuel_delivery_weak", 0.9, 5, repaired=9),
}


def tables(rng: np.random.Generator) -> dict[str, dict[str, Any]]:
    """The register's families; two of them hold only what has to be there."""
    made = {name: family_table(vehicle, rng) for name, vehicle in built_in_families().items()}
    for key in ("throttle_open_pct", "lambda_banks", "lambda_response"):
        del made["heath-12"][key], made["dale-25"][key]
    made["dale-25"] |= {"lambda_sensor": {"kind": "none"}, "main_peak": {}}
    del made["dale-25"]["airflow_sensor"]["range_v"]
    return made


def small_scenario(rng: np.random.Generator) -> Scenario:
    """What the small fleet lives through."""
    return Scenario(
        vans=len(DEPOTS),
        weeks=WEEKS,
        repeats=2,
        depot_of=DEPOTS,
        instruments=1,
        visit_every=(1,),
        planted=FAULTS,
        recorder_shift_v=0.05,
        written={"mill": 0.0, "south": 0.5},
        cold_visits=0.0,
        spoiled=0.03,
        long_share=0.85,
        recordings=(Recording(256.0, 6.0), Recording(1024.0, 2.0)),
        tables=tables(rng),
    )


def main() -> None:
    """Replace the small fleet beside this module, or in the folder named."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("small_fleet")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    rng = np.random.default_rng(SEED)
    write_fleet(folder, small_scenario(rng), rng, mix=Mix(csv=0.03, slate=0.15, ledger=0.1, zipped=0.6))


if __name__ == "__main__":
    main()
