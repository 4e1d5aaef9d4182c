"""Small workspaces as versions leave them: `python tests/reference/workspaces/make_workspaces.py NAME [TREE]`.

`NAME` is the folder to fill, version and day of the tree; `TREE` a checked-out tree of that version, default the one this file
is in. Every version takes the same deliveries, those in `delivered/`, through nothing but its own command line: judged as of
an earlier week, decided on, judged again. `deliveries` in place of a name writes `delivered/` anew with the sample fleet; the
workspaces of versions gone by then keep what they took in.

Run it with the interpreter of `.venv`; a tree from before must run with the packages installed there.
"""

import csv
import io
import json
import os
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

HERE = Path(__file__).parent
DELIVERED = HERE / "delivered"
HOME = Path("/tmp/kept-workspace")  # the published file names its folder: the same one for all
EARLIER = "2026-W09"
LARGEST = 350_000  # bytes of one archive
LEFT_OUT = ("orchestrator", ".lock", "models", "reports", "waveforms/delivered")
"""What no run reads, and the deliveries, which are those of `delivered/`: `unpacked` puts them back."""
DECISIONS = (  # the first order of the earlier week waits, the second, where there is one, is done
    (
        {
            "state": "postponed",
            "at": "2026-03-03T09:05:00+01:00",
            "until": "2026-05-04",
            "reason": "van is needed until May",
        },
    ),
    (
        {"state": "accepted", "at": "2026-03-03T09:00:00+01:00"},
        {
            "state": "done",
            "at": "2026-03-06T18:00:00+01:00",
            "found": "airflow_under_reading",
            "parts": "air-mass sensor",
            "hours": "1.5",
            "cost": "150",
        },
    ),
)


def make_deliveries() -> None:
    """Write `delivered/`: four vans over ten weeks, three of them with a fault, one repaired."""
    import numpy as np

    from sample_fleet.deliver import Mix, write_fleet
    from sample_fleet.make_small import planted
    from sample_fleet.scenario import Scenario
    from sample_fleet.simulate import Recording

    shutil.rmtree(DELIVERED, ignore_errors=True)
    faults = {
        0: planted("airflow_under_reading", 1.0, 4, repaired=8),
        1: planted("unmetered_air", 0.9, 4),
        2: planted("airflow_under_reading", 0.8, 7),
    }
    scenario = Scenario(
        vans=4,
        weeks=10,
        repeats=1,
        depot_of=(0, 0, 1, 1),
        visit_every=(1,),
        planted=faults,
        cold_visits=0.0,
        spoiled=0.0,
        recordings=(Recording(128.0, 5.0),) * 3,
    )
    write_fleet(DELIVERED, scenario, np.random.default_rng(5), mix=Mix(csv=0.0, slate=0.0, ledger=0.0, zipped=1.0))
    for other in DELIVERED.glob("truth*"):
        other.unlink()


def run(tree: Path, *arguments: str) -> None:
    """One command of the version's own program."""
    command = [sys.executable, "-c", "from pipelines.cli import main; main()", *arguments]
    subprocess.run(command, cwd=tree, env=os.environ | {"PYTHONPATH": str(tree)}, check=True)


def decided() -> Path | None:
    """The decisions as a workshop's CSV, with the orders that this version proposed; None where it proposed none."""
    import duckdb

    with duckdb.connect(str(HOME / "published.duckdb"), read_only=True) as published:
        orders = [
            str(order) for (order,) in published.execute("SELECT order_id FROM work_orders ORDER BY rank").fetchall()
        ]
    if not orders:
        return None
    decisions = zip(orders, DECISIONS, strict=False)
    rows = [{"order_id": order, "person": "foreman", **one} for order, told in decisions for one in told]
    text = io.StringIO()
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(text, names)
    writer.writeheader()
    writer.writerows(rows)
    path = HOME.with_name("kept-decisions.csv")
    path.write_text(text.getvalue(), encoding="utf-8")
    return path


def make_workspace(name: str, tree: Path) -> None:
    """Live through the two runs with a version's program, and pack what is left."""
    shutil.rmtree(HOME, ignore_errors=True)
    run(tree, "init", str(HOME))  # with the settings of that version
    for part in ("register", "inbox"):
        shutil.copytree(DELIVERED / part, HOME / part, dirs_exist_ok=True)
    run(tree, "weekly", "--week", EARLIER, "--home", str(HOME))
    told = decided()
    if told is not None:
        run(tree, "decide", "--from", str(told), "--home", str(HOME))
    run(tree, "weekly", "--home", str(HOME))
    folder = HERE / name
    folder.mkdir(exist_ok=True)
    with tarfile.open(folder / "workspace.tar.xz", "w:xz", preset=9) as packed:
        for path in sorted(HOME.rglob("*")):
            inside = path.relative_to(HOME).as_posix()
            if not any(inside == one or inside.startswith(f"{one}/") for one in LEFT_OUT):
                packed.add(path, inside, recursive=False, filter=_anyone)
    size = (folder / "workspace.tar.xz").stat().st_size
    print(json.dumps({"name": name, "bytes": size}))
    if size > LARGEST:
        sys.exit(f"{name} takes {size} bytes, more than {LARGEST}")


def _anyone(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Without the name of who made it."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    return member


if __name__ == "__main__":
    if sys.argv[1] == "deliveries":
        make_deliveries()
    else:
        make_workspace(sys.argv[1], Path(sys.argv[2]).resolve() if len(sys.argv) > 2 else HERE.parents[2])
