"""Reading on workers of a cluster: captures a second by one worker and by two of this machine, start of the workers left out.

Every worker has one thread. The reference is the same batches read in this process.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.bench.intake import make_home

DELIVERIES, CAPTURES = 12, 125
COPIES = 8
"""How often the recordings are read: they are few and reading is fast."""


def main() -> None:
    """Measure and print."""
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
