"""Seconds and peak memory of one tracking pass, and how they grow.

Run with `python -m tests.studies.tracking_bench [VANS ...]`; each size in a process of its own.
"""

import resource
import subprocess
import sys
import time
import warnings


def one(vans: int) -> None:
    """Draw, judge, print."""
    from models.assess import TrackingSettings, assess
    from tests.readings_fleet import families, make_fleet, no_repairs

    warnings.simplefilter("ignore")
    small = make_fleet(vans=30, weeks=6, seed=1)
    assess(small.frame, families=families(), repairs=no_repairs(), week=small.weeks[-1])  # compiled code loaded
    fleet = make_fleet(vans=vans, weeks=52, seed=1)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    begun, processor = time.perf_counter(), time.process_time()
    settings = TrackingSettings(trend_weeks=1)
    result = assess(fleet.frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1], settings=settings)
    seconds, busy = time.perf_counter() - begun, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    listed = result.states.filter(result.states["urgency"] != "healthy").height
    print(
        f"| {vans} | {fleet.frame.height} | {seconds:.1f} | {busy:.1f} | {before:.1f} | {peak:.1f} | {listed} |",
        flush=True,
    )


def main(sizes: list[int]) -> None:
    """One process per size."""
    print("| vans | captures of 52 weeks | seconds | processor seconds | GiB before | GiB peak | listed |\n| --- | --- | --- | --- | --- | --- | --- |", flush=True)  # fmt: skip
    for size in sizes:
        subprocess.run([sys.executable, "-m", "tests.studies.tracking_bench", "one", str(size)], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        one(int(sys.argv[2]))
    else:
        main([int(size) for size in sys.argv[1:]] or [2500, 5000, 10000])
