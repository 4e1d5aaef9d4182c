"""A fleet of three families, repaired half-way, that is tracked in small pieces: here, on a cluster, or by a run that is killed.

python -m tests.pipelines.tracked_fleet SCHEDULER STORAGE      ends itself, by SIGKILL, once two pieces are told of
"""

import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any

import polars as pl

from models.tracking import parts
from models.tracking.assess import Assessment, assess
from models.tracking.state.told import Part, Piece
from pipelines.weekly.track_on_cluster import TrackingOnCluster
from pipelines.workspace.cluster_settings import ClusterSettings
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs

VISITS = 30
"""Of a piece."""


@cache
def fleet() -> ReadingsFleet:
    return make_fleet(vans=36, weeks=14, seed=3)


@cache
def repairs() -> pl.DataFrame:
    """Every third van was repaired half-way."""
    captures = fleet().frame
    middle, vans = captures["captured_at"].sort()[captures.height // 2], captures["van_id"].unique().sort()[::3]
    done = pl.DataFrame({"van_id": vans, "touches": [["main_peak_g_s", "trim_idle_pct"]] * len(vans)})
    done = done.with_columns(done_at=pl.lit(middle, dtype=no_repairs().schema["done_at"]))
    return pl.concat([no_repairs(), done], how="diagonal")


def judged(tell: Any = None) -> Assessment:
    week = fleet().weeks[-1]
    return assess(fleet().frame, families=families(), repairs=repairs(), week=week, tell=tell)


def main(scheduler: str, storage: str) -> None:
    """Track on a cluster, and be killed."""
    parts.AT_A_TIME = VISITS
    on = TrackingOnCluster(ClusterSettings(scheduler=scheduler, storage=storage), threads=1, say=print)

    def tell(work: Callable[[Piece], Part], pieces: Sequence[Piece]) -> Iterator[Part]:
        for number, part in enumerate(on.tell(work, pieces)):
            if number == 2:
                os.kill(os.getpid(), signal.SIGKILL)
            yield part

    judged(tell)


if __name__ == "__main__":
    main(*sys.argv[1:])
