"""Write the small committed fleet: `python -m sample_fleet.make_small [FOLDER]`.

Every state a weekly run can leave a van, an order or the fleet in is planted here, as small as it can be; `truth_states.csv`
says which. Decisions are those a workshop would record between two runs, by van, since the run names the orders.
"""

import shutil
import sys
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

SEED = 2
WEEKS = 14
# Run as of the first week, record the decisions, run as of the last.
FIRST_RUN, LAST_RUN = "2026-W11", "2026-W15"
_DEPOT = {"n": 0, "h": 1, "m": 3, "s": 4}  # north, harbour, mill, south
DEPOTS = tuple(_DEPOT[letter] for letter in "nmhnmnnnnsnmssnmsn")  # of V001, V002 and so on


def planted(
    cause: str,
    severity: float,
    week: int,
    *,
    repaired: int | None = None,
    mended: bool = True,
    again: int | None = None,
) -> FaultPlan:
    """A fault that comes at once in a week counted from 0, is repaired on the Friday of another, and may come back."""

    def at(number: int, day: int, hour: int) -> datetime:
        monday = datetime.combine(Scenario().start, time(hour), LOCAL_TIME)
        return monday + timedelta(weeks=number, days=day)

    return FaultPlan(
        cause,
        severity,
        at(week, 0, 0),
        "step",
        ramp_days=1.0,
        active_share=1.0,
        details=HEALTHY,
        repaired=None if repaired is None else at(repaired, 4, 18),
        mended=mended,
        again=None if again is None else at(again, 0, 0),
    )


# By van, counted from 0. The first is mended and comes back in the last week: one visit is no alarm yet, and a van that had an
# alarm of late does not calibrate the anomaly it is then judged by, so that it can stand for its anomaly alone.
FAULTS = {
    0: planted("airflow_under_reading", 1.0, 4, repaired=8, again=13),
    2: planted("unmetered_air", 0.9, 6, repaired=11),
    3: planted("airflow_under_reading", 0.9, 6, repaired=11, mended=False),
    6: planted("airflow_under_reading", 1.0, 11),
    8: planted("lambda_slow", 0.95, 6),
    9: planted("unmetered_air", 0.9, 11),
    15: planted("fuel_delivery_weak", 0.9, 6, repaired=10),
    17: planted("exhaust_restricted", 0.4, 10),
}

# What people recorded between the two runs, each on the van's open order.
DECISIONS: tuple[dict[str, Any], ...] = (
    {"van_id": "V003", "state": "accepted", "at": "2026-03-17T09:00:00+01:00"},
    {
        "van_id": "V003",
        "state": "done",
        "at": "2026-03-27T18:00:00+01:00",
        "found": "unmetered_air",
        "parts": "inlet hose",
        "hours": 1.5,
        "cost": 35,
    },
    {
        "van_id": "V004",
        "state": "done",
        "at": "2026-03-27T18:00:00+01:00",
        "found": "airflow_under_reading",
        "parts": "air-mass sensor",
        "hours": 1.2,
        "cost": 150,
    },
    {
        "van_id": "V009",
        "state": "postponed",
        "at": "2026-03-17T09:05:00+01:00",
        "until": "2026-05-04",
        "reason": "van is needed until May",
    },
)
# What the last run must publish about each van; vans without a fault are healthy.
STATES: tuple[tuple[str, str], ...] = (
    ("now", "V004"),
    ("now", "V007"),
    ("now", "V010"),
    ("plan", "V009"),
    ("plan", "V018"),
    ("watch", "V001"),
    ("anomaly_alone", "V001"),
    ("repaired", "V016"),
    ("proven", "V003"),
    ("not_proven", "V004"),
    ("postponed", "V009"),
    ("learned", "unmetered_air"),
    ("learned", "airflow_under_reading"),
    ("shared_movement", "north"),
    ("empty_columns", "mill"),
    ("half_filled_columns", "south"),
    ("fewest_keys", "heath-12"),
    ("fewest_keys", "dale-25"),
)
DECIDED = ("van_id", "state", "at", "person", "reason", "until", "found", "parts", "hours", "cost", "note")


def tables() -> dict[str, dict[str, Any]]:
    """The register's families; two of them hold only what has to be there."""
    made = {name: family_table(vehicle, np.random.default_rng(SEED)) for name, vehicle in built_in_families().items()}
    for key in ("throttle_open_pct", "lambda_banks", "lambda_response"):
        del made["heath-12"][key], made["dale-25"][key]
    made["dale-25"] |= {"lambda_sensor": {"kind": "none"}, "main_peak": {}}
    del made["dale-25"]["airflow_sensor"]["range_v"]
    return made


def small_scenario() -> Scenario:
    """The small fleet's scenario."""
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
        needles_per_s=0.05,
        spoiled=0.03,
        long_share=0.72,
        recordings=(Recording(128.0, 6.0), Recording(512.0, 9.0), Recording(1024.0, 2.0)),
        tables=tables(),
    )


def main() -> None:
    """Replace the small fleet beside this module, or in the folder named."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("small_fleet")
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    write_fleet(
        folder, small_scenario(), np.random.default_rng(SEED), mix=Mix(csv=0.015, slate=0.1, ledger=0.1, zipped=0.7)
    )
    write_csv(folder / "decisions.csv", DECIDED, ({"person": "foreman"} | decision for decision in DECISIONS))
    healthy = [("healthy", f"V{number + 1:03d}") for number in range(len(DEPOTS)) if number not in FAULTS]
    states = [{"state": state, "subject": subject} for state, subject in (*STATES, *healthy)]
    write_csv(folder / "truth_states.csv", ("state", "subject"), states)


if __name__ == "__main__":
    main()
