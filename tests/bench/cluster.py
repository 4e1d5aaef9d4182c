"""Reading and tracking on workers of a cluster: by one worker and by two of this machine, start of the workers left out.

Every worker has one thread. The reference is the same work in this process, tracking with one thread as well. Of tracking, what goes
to the workers is timed by itself, with the files through which it goes and comes, and so is all of it.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from tests.bench.intake import make_home

DELIVERIES, CAPTURES = 12, 125
COPIES = 8
"""How often the recordings are read: they are few and reading is fast."""
VANS, WEEKS = 1000, 52
VISITS = 4000
"""Of a partition, a third of the usual, so that a fleet of this size has enough of them for two workers."""


def main() -> None:
    """Measure and print."""
    reading()
    tracking()


def reading() -> None:
    """Captures a second."""
    with tempfile.TemporaryDirectory() as folder:
        batches = batches_of(Path(folder))
        count = sum(len(batch.recordings) for batch in batches)
        print(f"cluster, {count} recordings of 2 s x 2 kHz x 2 channels in {len(batches)} batches")
        print(f"{'where':<18}{'captures/s':>12}{'of this process':>17}")
        seconds = {"this process": read_here(batches)}
        for workers in (1, 2):
            seconds[f"{workers} workers"] = read_on(workers, batches)
        for where, took in seconds.items():
            print(f"{where:<18}{count / took:>12.0f}{seconds['this process'] / took:>17.2f}", flush=True)
        print(f"two workers against one: {seconds['1 workers'] / seconds['2 workers']:.2f}")


def batches_of(home: Path) -> list[Any]:
    """What `read_new_captures` would hand out, several times over."""
    from pipelines.storage.standing_register import standing_register
    from pipelines.storage.warehouse import open_warehouse
    from pipelines.weekly import read_captures
    from pipelines.workspace.workspace import Workspace
    from tests.deliveries import run_intake

    make_home(home, "parquet", DELIVERIES, CAPTURES)
    workspace = Workspace(home)
    run_intake(workspace, workers=0)
    handed: list[Any] = []

    def noted(_work: Callable[[Any], Any], batches: list[Any], **_: Any) -> list[Any]:
        handed.extend(batches)
        return [read_captures._Result([], []) for _ in batches]

    given, read_captures.in_order = read_captures.in_order, noted  # type: ignore[assignment]
    try:
        with open_warehouse(workspace) as warehouse:
            register = standing_register(workspace, warehouse).register
            read_captures.read_new_captures(
                workspace, warehouse, register, workers=1, progress=lambda done, total: None
            )
    finally:
        read_captures.in_order = given
    assert sum(len(batch.recordings) for batch in handed) == DELIVERIES * CAPTURES
    return handed * COPIES


def read_here(batches: list[Any]) -> float:
    """Seconds of this process, kernels warm."""
    from pipelines.weekly.read_captures import _read_apart

    _read_apart(batches[0])
    begun = time.perf_counter()
    for batch in batches:
        _read_apart(batch)
    return time.perf_counter() - begun


def read_on(workers: int, batches: list[Any]) -> float:
    """Seconds of so many workers once each has read a batch."""
    from pipelines.weekly.batches import in_order
    from pipelines.weekly.own_version import reads_with
    from pipelines.weekly.read_captures import _read_apart
    from pipelines.workspace.cluster_settings import ClusterSettings

    warm = 3 * workers
    results = in_order(
        _read_apart, [*batches[:warm], *batches], version=reads_with, cluster=ClusterSettings(workers=workers)
    )
    for _ in range(warm):
        next(results)
    begun = time.perf_counter()
    assert sum(1 for _ in results) == len(batches)
    return time.perf_counter() - begun


class Took(NamedTuple):
    """Seconds of tracking: of what is shared out, of all, and of the processor in the thread that asks for what is shared out."""

    shared: float
    whole: float
    asking: float


def tracking() -> None:
    """Seconds of a fleet."""
    from models.tracking import parts
    from tests.readings_fleet import make_fleet

    parts.AT_A_TIME = VISITS
    fleet, small = make_fleet(vans=VANS, weeks=WEEKS, seed=1), make_fleet(vans=30, weeks=6, seed=1)
    track_here(small)  # compiled code loaded
    took = {"this process": track_here(fleet)}
    for workers in (1, 2):
        took[f"{workers} workers"] = track_on(workers, small, fleet)
    alone, one, two = took.values()
    print(f"cluster, tracking of {VANS} vans, {WEEKS} weeks, {fleet.frame.height} captures, every week told")
    print(f"{'where':<18}{'s, all':>9}{'s, shared out':>15}{'processor s, asker':>20}")
    for where, each in took.items():
        print(f"{where:<18}{each.whole:>9.1f}{each.shared:>15.1f}{each.asking:>20.2f}", flush=True)
    ratios = one.shared / two.shared, one.whole / two.whole, two.asking / alone.asking
    print(
        "two workers against one: {:.2f} of what is shared out, {:.2f} of all; asker against all here: {:.2f}".format(
            *ratios
        )
    )


def track_here(fleet: Any, tell: Any = None) -> Took:
    """Without workers, or with what shares the work out."""
    import warnings

    from models.tracking.assess import assess
    from tests.readings_fleet import families, no_repairs

    warnings.simplefilter("ignore")
    shared: list[float] = []

    def timed(work: Callable[[Any], Any], pieces: list[Any]) -> list[Any]:
        begun, busy = time.perf_counter(), time.thread_time()
        parts = list(tell(work, pieces) if tell is not None else map(work, pieces))
        shared.extend((time.perf_counter() - begun, time.thread_time() - busy))
        return parts

    begun = time.perf_counter()
    assess(fleet.frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1], tell=timed)
    return Took(shared[0], time.perf_counter() - begun, shared[1])


def track_on(workers: int, small: Any, fleet: Any) -> Took:
    """On so many workers once each has loaded what it computes with."""
    from distributed import LocalCluster

    from models.tracking import parts
    from pipelines.weekly.track_on_cluster import TrackingOnCluster
    from pipelines.workspace.cluster_settings import ClusterSettings

    with (
        tempfile.TemporaryDirectory() as folder,
        LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=None, silence_logs=50, host="127.0.0.1"
        ) as local,
    ):
        settings = ClusterSettings(scheduler=local.scheduler_address, storage=folder)
        said: list[str] = []
        on = TrackingOnCluster(settings, threads=1, say=said.append)
        parts.AT_A_TIME = 20
        track_here(small, on.tell)
        parts.AT_A_TIME = VISITS
        took = track_here(fleet, on.tell)
        assert not said, said
    return took
