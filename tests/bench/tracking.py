"""One tracking pass over a year of readings: seconds, peak memory and how they grow with the fleet.

Each size runs in a process of its own, so that its peak is its own. Seconds are of this machine; the last columns, relative to
the smallest fleet, travel: 1.0 per van is growth in proportion.
"""

import os
import subprocess
import sys

SIZES = (2500, 5000, 10_000)
WEEKS = 52


def main() -> None:
    """Measure and print."""
    sizes = [int(size) for size in os.environ.get("BENCH_VANS", "").split(",") if size] or list(SIZES)
    print(f"tracking, {WEEKS} weeks, one core, one pass over all readings")
    print(f"{'vans':>8}{'captures':>12}{'seconds':>10}{'processor s':>13}{'MB growth':>11}{'s/van':>8}{'MB/van':>8}")
    base: tuple[float, float] | None = None
    for vans in sizes:
        command = [sys.executable, "-m", "tests.bench.tracking", str(vans)]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        captures, seconds, busy, grown = (float(word) for word in done.stdout.split())
        each = busy / vans, grown / vans
        base = base or each
        print(
            f"{vans:>8}{captures:>12.0f}{seconds:>10.1f}{busy:>13.1f}{grown:>11.0f}{each[0] / base[0]:>8.2f}{each[1] / base[1]:>8.2f}",
            flush=True,
        )


def one(vans: int) -> None:
    """Draw, judge, print captures, seconds, processor seconds and growth of the peak. [MB]"""
    import resource
    import time
    import warnings

    from models.assess import TrackingSettings, assess
    from tests.readings_fleet import families, make_fleet, no_repairs

    warnings.simplefilter("ignore")
    small = make_fleet(vans=30, weeks=6, seed=1)
    assess(small.frame, families=families(), repairs=no_repairs(), week=small.weeks[-1])  # compiled code loaded
    fleet = make_fleet(vans=vans, weeks=WEEKS, seed=1)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun, processor = time.perf_counter(), time.process_time()
    settings = TrackingSettings(trend_weeks=1)
    assess(fleet.frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1], settings=settings)
    seconds, busy = time.perf_counter() - begun, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(fleet.frame.height, seconds, busy, (peak - before) / 1024.0)


if __name__ == "__main__":
    one(int(sys.argv[1]))
