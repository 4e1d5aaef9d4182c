"""Whether seasons and altitude alone put vans on the list: healthy vans from the coast to the mountains, through two winters.

Run with `python -m tests.studies.tracking_seasons [--seeds N] [--first S] [--every W]`; prints the tables of RESULTS.md as
Markdown. No van has a fault, the weather swings half as much again as in the demo, and the depots lie between the sea and 1,500 m.
"""

import argparse
import warnings
from datetime import date

import polars as pl

from models.tracking.assess import TrackingSettings
from sample_fleet.scenario import Scenario
from tests.studies.sample_readings import read_fleet
from tests.studies.tracking_run import Share, weekly_states

SCENARIO = Scenario(
    fault_share=0.0, weeks=60, start=date(2025, 1, 6), weather=1.5, altitudes=(4.0, 300.0, 700.0, 1100.0, 1500.0)
)


def report(states: pl.DataFrame) -> str:
    """Share of van-weeks on the list over all, per quarter of the year and per depot, as Markdown."""
    states = states.with_columns(quarter=(pl.col("week").str.slice(6).cast(pl.Int32) - 1).floordiv(13).clip(0, 3) + 1)
    lines = [
        f"Healthy van-weeks on the list: {_share(states)} (setting 0.50 %).",
        "",
        "| part | share |",
        "| --- | --- |",
    ]
    for column, words in (("quarter", "weeks of quarter {}"), ("depot", "depot {}")):
        lines += [f"| {words.format(key)} | {_share(part)} |" for (key,), part in sorted(states.group_by(column))]
    return "\n".join(lines)


def _share(states: pl.DataFrame) -> Share:
    return Share(int(states["listed"].sum()), states.height)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--every", type=int, default=2)
    chosen = parser.parse_args()
    states = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for seed in range(chosen.first, chosen.first + chosen.seeds):
            fleet = read_fleet(SCENARIO, seed)
            weeks = fleet.weeks[:: -chosen.every][::-1]
            settings = TrackingSettings(trend_weeks=1)
            states.append(weekly_states(fleet.frame, fleet.families, fleet.repairs, weeks, settings, fleet.shapes)[0])
            print(f"seed {seed}: {_share(states[-1])}", flush=True)
    places = ", ".join(f"{altitude:.0f}" for altitude in SCENARIO.altitudes)
    print(f"Depots at {places} m: north, harbour, hill, mill, south.")
    print(report(pl.concat(states)))


if __name__ == "__main__":
    main()
