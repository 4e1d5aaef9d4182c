"""What tracking finds in vans that are recorded at idle alone, and that it leaves healthy ones in peace.

Fleets of readings (tests/readings_fleet.py) are judged three times: with every snap; with nothing but what idle tells, as of
recordings of idle alone; and with every third van so. Run with `python -m tests.studies.idle_only [--seeds N] [--first S]`;
prints the table of RESULTS.md.
"""

import argparse
from collections import defaultdict

import polars as pl

from data_contracts.signals import QUANTITIES
from data_contracts.states import IDLE_ONLY
from data_contracts.tables import REPAIRS, polars_schema
from models.tracking.assess import TrackingSettings
from tests.readings_fleet import families, make_fleet
from tests.studies.tracking_run import Share, false_alarms, weekly_states

FROM_WEEK, EVERY = 10, 3
_OF_SNAPS = [q.name for q in QUANTITIES.values() if q.need.snap and q.need.channel != "manifest"]


def idle_alone(frame: pl.DataFrame, which: pl.Expr) -> pl.DataFrame:
    """The captures of some vans as if they had been recorded at idle alone."""
    gone = [name + end for name in _OF_SNAPS for end in ("", "_u") if name + end in frame.columns]
    reasons = pl.lit([IDLE_ONLY], dtype=pl.List(pl.String))
    return frame.with_columns(
        *(pl.when(~which).then(pl.col(name)).alias(name) for name in gone),
        grade=pl.when(which).then(pl.lit("repeat")).otherwise("grade"),
        grade_reasons=pl.when(which).then(reasons).otherwise("grade_reasons"),
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=1)
    told = parser.parse_args()
    third = pl.col("van_id").rank("dense") % 3 == 0
    kinds = {"every snap": pl.lit(value=False), "idle alone": pl.lit(value=True), "every third van idle alone": third}
    healthy: dict[str, list[Share]] = defaultdict(list)
    found: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for seed in range(told.first, told.first + told.seeds):
        fleet = make_fleet(vans=60, weeks=40, repeats=2, faulty=0.3, seed=seed)
        no_repairs, weeks = pl.DataFrame(schema=polars_schema(REPAIRS)), fleet.weeks[FROM_WEEK::EVERY]
        for kind, which in kinds.items():
            frame = idle_alone(fleet.frame, which)
            states, _ = weekly_states(frame, families(), no_repairs, weeks, TrackingSettings(trend_weeks=1))
            well = fleet.truth.filter(pl.col("fault") == "").select("van_id")
            healthy[kind].append(false_alarms(states, well.join(states.select("van_id", "week"), on="van_id")))
            listed = set(states.filter("listed")["van_id"])
            for row in fleet.truth.filter(pl.col("fault") != "").iter_rows(named=True):
                found[kind, row["fault"]].append(row["van_id"] in listed)
    faults = sorted({fault for _, fault in found})
    print(f"| recorded | healthy van-weeks listed | {' | '.join(faults)} |")
    print("| --- " * (len(faults) + 2) + "|")
    for kind, shares in healthy.items():
        whole = Share(sum(share.hits for share in shares), sum(share.of for share in shares))
        cells = [f"{sum(found[kind, fault])} of {len(found[kind, fault])}" for fault in faults]
        print(f"| {kind} | {whole} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
