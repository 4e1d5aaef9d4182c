"""Compile ahead, once per machine, what reading, judging and simulating need: `python -m pipelines.weekly.prepare`."""

import multiprocessing
import shutil
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from importlib import resources
from pathlib import Path

from models.statistics.compiled import is_compiled

FIRST_USE = "compiling the reading, once on this machine: about a minute"


def reading_is_compiled() -> bool:
    """Whether this machine has compiled the reading as it is now."""
    from models.reading.air_trace.landmark_search import read_snaps
    from models.reading.lambda_trace.trace_flags import _see_rows

    return is_compiled(read_snaps) and is_compiled(_see_rows)


def say_first_use() -> None:
    """Say on stderr, on a terminal, why the first reading on a machine takes so long."""
    if sys.stderr.isatty() and not reading_is_compiled():
        print(FIRST_USE, file=sys.stderr, flush=True)


def prepare() -> None:
    """Compile what is not compiled yet, by a week of the small fleet and a few simulated recordings, side by side."""
    if reading_is_compiled():
        return
    print(FIRST_USE, flush=True)
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("forkserver")) as pool:
        for part in [pool.submit(_a_week), pool.submit(_a_simulation)]:
            part.result()


def _a_week() -> None:
    """Take in, read and judge the small fleet in a workspace that is thrown away."""
    from pipelines.weekly.steps import intake, read_captures, resolve_week, track
    from pipelines.workspace.workspace import make_workspace

    fleet = resources.files("sample_fleet") / "small_fleet"
    with tempfile.TemporaryDirectory() as folder, resources.as_file(fleet) as small:
        workspace = make_workspace(Path(folder) / "home", {"settings.toml": "[intake]\nworkers = 1\n"})
        shutil.copytree(small / "register", workspace.register, dirs_exist_ok=True)
        shutil.copytree(small / "inbox", workspace.inbox, dirs_exist_ok=True)
        intake(workspace.root, quiet=True, now=None)
        read_captures(workspace.root, quiet=True)
        track(workspace.root, resolve_week(workspace.root, None), quiet=True)


def _a_simulation() -> None:
    """Write the smallest demo fleet into a folder that is thrown away."""
    from pipelines.workspace.workspace import make_workspace
    from sample_fleet.demo import write_demo

    with tempfile.TemporaryDirectory() as folder:
        workspace = make_workspace(Path(folder) / "home", {"settings.toml": ""})
        write_demo(workspace.root, vans=5, weeks=2)


if __name__ == "__main__":
    prepare()
