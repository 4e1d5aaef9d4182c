"""One tracking pass over a year of readings, or BENCH_WEEKS weeks: seconds, peak memory and how they grow with the fleet.

Each size is drawn in one process and tracked in another, so that the peak is that of tracking alone, reading its captures from a
file included. Seconds are of this machine; the last columns, relative to the smallest fleet, travel: 1.0 per van is growth in proportion.
As many threads share the work as a week's run would take, or `BENCH_THREADS`; processor seconds over seconds say how well.
With `BENCH_SHAPES=1` every capture has its aligned traces, as in a week's run, and they are in a file by van, as there.
With `BENCH_TOLD=every` the trends of every week are told, and they and what states are made of go through files, as in a week's run; else
those of one are, in memory.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl

from models.reading.aligned_traces import GRID

SIZES = (2500, 5000, 10_000)
WEEKS = int(os.environ.get("BENCH_WEEKS", "52"))
SHAPES = ".shapes"
"""After the name of the file of readings: its traces."""


def main() -> None:
    """Measure and print."""
    sizes = [int(size) for size in os.environ.get("BENCH_VANS", "").split(",") if size] or list(SIZES)
    drawn = "with shapes" if _with_shapes() else "without shapes"
    told = "every week told" if _every_week() else "one week told"
    print(f"tracking, {WEEKS} weeks, one pass over all readings, {told}, {drawn}, threads: {_threads()}")
    print(
        f"{'vans':>8}{'captures':>12}{'seconds':>10}{'processor s':>13}{'peak MB':>9}{'s/van':>8}{'MB/van':>8}{'listed':>8}"
    )
    base: tuple[float, float] | None = None
    for vans in sizes:
        with tempfile.TemporaryDirectory() as folder:
            file = str(Path(folder) / "readings.parquet")
            _ask("draw", str(vans), file)
            captures, seconds, busy, peak, listed = (float(word) for word in _ask("track", str(vans), file).split())
        each = busy / vans, peak / vans
        base = base or each
        print(
            f"{vans:>8}{captures:>12.0f}{seconds:>10.1f}{busy:>13.1f}{peak:>9.0f}"
            f"{each[0] / base[0]:>8.2f}{each[1] / base[1]:>8.2f}{listed:>8.0f}",
            flush=True,
        )


def _threads() -> int:
    from pipelines.weekly.judging import MOST_THREADS

    return int(os.environ.get("BENCH_THREADS", min(os.cpu_count() or 1, MOST_THREADS)))


def _with_shapes() -> bool:
    return os.environ.get("BENCH_SHAPES", "0") != "0"


def _every_week() -> bool:
    return os.environ.get("BENCH_TOLD", "one") == "every"


def _ask(*words: str) -> str:
    command = [sys.executable, "-m", "tests.bench.tracking", *words]
    shared = os.environ | {"POLARS_MAX_THREADS": str(_threads())}
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, env=shared).stdout


def draw(vans: int, file: str) -> None:
    """Draw readings of a fleet into a file."""
    from tests.readings_fleet import make_fleet

    frame = make_fleet(vans=vans, weeks=WEEKS, seed=1).frame
    frame.write_parquet(file)
    if _with_shapes():
        _shapes_of(frame).write_parquet(file + SHAPES, row_group_size=20_000)


def _shapes_of(frame: pl.DataFrame) -> pl.DataFrame:
    """Traces on the grid of the reading: a rise and a fall, of each van's own form, with noise; a tenth of the captures has none."""
    rng, step, parts = np.random.default_rng(2), np.linspace(0.0, 3.0, GRID), []
    for some in frame.sample(fraction=0.9, seed=1).select("capture_id", "van_id").sort("van_id").iter_slices(100_000):
        van = some["van_id"].str.tail(5).cast(pl.Float64).to_numpy()[:, None]
        level = 1.2 + np.sin(step + 0.1 * np.sin(van))
        traces = {
            name: (level * rng.normal(1.0, 0.03, level.shape)).astype(np.float32)
            for name in ("airflow", "lambda_signal")
        }
        parts.append(
            some.with_columns(pl.Series(name, each).arr.to_list().alias(name) for name, each in traces.items())
        )
    return pl.concat(parts)


def track(file: str) -> None:
    """Judge; print captures, seconds, processor seconds, peak of the process [MB] and vans listed."""
    from pipelines.workspace.few_heaps import few_heaps

    few_heaps()  # as a run does, before anything that starts threads is loaded

    import resource
    import time
    import warnings

    from data_contracts.tables import TRENDS, polars_schema
    from models.tracking.assess import TrackingSettings, assess
    from models.tracking.state.told import KINDS
    from pipelines.storage.records_aside import RecordsAside
    from pipelines.storage.rows_aside import RowsAside
    from tests.readings_fleet import families, make_fleet, no_repairs

    warnings.simplefilter("ignore")
    small, threads = make_fleet(vans=30, weeks=6, seed=1), _threads()
    assess(small.frame, families=families(), repairs=no_repairs(), week=small.weeks[-1])  # compiled code loaded
    begun, processor = time.perf_counter(), time.process_time()
    frame = pl.scan_parquet(file)
    shapes = pl.scan_parquet(file + SHAPES) if _with_shapes() else None
    captures, week = frame.select(pl.len(), pl.col("week").max()).collect().row(0)
    settings = TrackingSettings(trend_weeks=None if _every_week() else 1, threads=threads)
    known = {"families": families(), "repairs": no_repairs(), "week": week, "settings": settings, "shapes": shapes}
    with (
        RowsAside(Path(file + TRENDS.name), polars_schema(TRENDS)) as trends,
        RecordsAside(Path(file + "states")) as held,
    ):
        aside = {"keep": trends.add, "aside": lambda record: held.put(record, KINDS)} if _every_week() else {}
        judged = assess(frame, **known, **aside)
    seconds, busy = time.perf_counter() - begun, time.process_time() - processor
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(captures, seconds, busy, peak, judged.states.filter("listed").height)


if __name__ == "__main__":
    if sys.argv[1] == "draw":
        draw(int(sys.argv[2]), sys.argv[3])
    else:
        track(sys.argv[3])
