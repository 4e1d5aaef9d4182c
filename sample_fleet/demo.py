"""The demo fleet: 60 vans, 26 weeks, three repeats, by feet as real ones are."""

from pathlib import Path

import numpy as np

from sample_fleet.deliver import Progress, write_fleet
from sample_fleet.scenario import REAL_FEET, Scenario


def write_demo(
    workspace_root: Path, seed: int = 1, vans: int = 60, weeks: int = 26, progress: Progress | None = None
) -> None:
    """Fill an initialised workspace with the demo fleet.

    Parameters
    ----------
    workspace_root : Path
        The workspace; register/ and inbox/ are filled, the truth files are put beside them.
    seed : int
        The same seed gives the same files.
    vans, weeks : int
        Size.
    progress : callable, optional
        Called with captures done and in all.
    """
    scenario = Scenario(vans=vans, weeks=weeks, feet=REAL_FEET)
    write_fleet(workspace_root, scenario, np.random.default_rng(seed), progress=progress)
