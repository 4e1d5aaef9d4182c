"""The demo: a sample fleet in a new workspace, and the weekly job on it."""

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import InputError
from data_contracts.plurals import counted
from data_contracts.weeks import week_before, week_end, week_start
from pipelines.weekly.progress import bar
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.workspace import make_workspace

_MARK = "truth.csv"  # only a demo workspace knows what was planted


def run_demo(home: Path, *, vans: int, weeks: int, seed: int, fresh: bool) -> str:
    """Build the sample fleet and run the weekly flow on it.

    Parameters
    ----------
    home : Path
        Workspace to make.
    vans, weeks, seed : int
        Size and seed of the sample fleet.
    fresh : bool
        Replace an earlier demo there.

    Returns
    -------
    str
        What happened and how to open the board.

    Raises
    ------
    InputError
        If the folder exists and is not an earlier demo to be replaced.
    """
    from pipelines.weekly.flows import run_weekly
    from sample_fleet.demo import write_demo

    if (home / _MARK).exists() and (home / "settings.toml").exists():
        if not fresh:
            raise InputError(
                f"{home} holds an earlier demo: open it with `vansnap board --home {home}`, or add --fresh to replace it"
            )
        shutil.rmtree(home)
    settings = {"settings.toml": EXAMPLE_FILES["settings.toml"]}
    workspace = make_workspace(home, settings)
    with bar("building the fleet") as progress:
        write_demo(workspace.root, seed, vans=vans, weeks=weeks, progress=progress)
    newest = max(delivery.name[:8] for delivery in workspace.inbox.iterdir())
    now = max(datetime.now(UTC), week_end(newest))  # a fleet of many weeks may end after today
    first = run_weekly(workspace, week_before(newest), quiet=False, now=now)  # so that the list can show what changed
    summary = replace(
        run_weekly(workspace, newest, quiet=False, now=now), intake=first.intake, captures_read=first.captures_read
    )
    found = _found(workspace.root, summary.week)
    return f"{summary.text()}\n{found}\nopen the board: vansnap board --home {home}   (or `make board`)"


def _found(root: Path, week: str) -> str:
    """How many of the list's top ten have a planted fault, by the generator's truth."""
    import polars as pl

    from pipelines.read_side.published import open_published

    truth = pl.read_csv(root / _MARK, infer_schema_length=None)
    listed = open_published(root).ask(
        "SELECT van_id, rank FROM watchlist WHERE week = $week ORDER BY rank LIMIT 10", {"week": week}
    )
    monday = week_start(week).isoformat()
    planted = truth.filter((pl.col("cause") != "none") & (pl.col("onset") <= monday))["van_id"]
    hits = listed["van_id"].is_in(planted.to_list()).sum()
    return f"of the {counted(listed.height, 'van', 'vans')} at the top of the list, {hits} carry a planted fault (truth.csv)"
