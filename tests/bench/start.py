"""What starting takes: commands with nothing or one capture to work on, kernels compiled at set-up, each in a process of its own.

The first run of each reads its files for the first time. A week with nothing new goes through all steps; what it takes beside them is the
overhead of a run. Seconds are of this machine; the last column, in units of a Python that only starts, travels.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SMALL = Path("sample_fleet/small_fleet")
RECORDING = SMALL / "inbox" / "2026-W11-north" / "waveforms" / "00318-V007.parquet"
RUNS = 4


def main() -> None:
    """Measure and print."""
    from pipelines.workspace.workspace import make_workspace

    vansnap = [sys.executable, "-m", "pipelines.cli"]
    read = ["read", str(RECORDING), "--family", "brook-20", "--register", str(SMALL / "register")]
    print(f"starting, first run and least of {RUNS - 1} more")
    print(f"{'command':<28}{'first s':>9}{'seconds':>9}{'processor s':>13}{'starts':>8}")
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        families = (SMALL / "register" / "families.toml").read_text("utf-8")
        vans = (SMALL / "register" / "vans.csv").read_text("utf-8")
        make_workspace(home, {"settings.toml": "", "register/families.toml": families, "register/vans.csv": vans})
        deliver_one(home)
        weekly = [*vansnap, "weekly", "--home", str(home)]
        run(weekly)  # takes the capture in, so that there is nothing new
        unit = 0.0
        for name, command in (
            ("python that only starts", [sys.executable, "-c", ""]),
            ("libraries of reading alone", [sys.executable, "-c", "import numba, polars, scipy.special"]),
            ("vansnap --version", [*vansnap, "--version"]),
            ("vansnap read", [*vansnap, *read]),
            ("vansnap weekly, nothing new", weekly),
        ):
            first, _ = run(command)
            rest = [run(command) for _ in range(RUNS - 1)]
            seconds, busy = (min(one) for one in zip(*rest, strict=True))
            unit = unit or busy
            print(f"{name:<28}{first:>9.2f}{seconds:>9.2f}{busy:>13.2f}{busy / unit:>8.0f}", flush=True)
        steps = json.loads((home / "reports" / "step_times.json").read_text("utf-8"))
        print(f"of the last weekly its steps: {sum(steps.values()):.2f} s", flush=True)


def deliver_one(home: Path) -> None:
    """A delivery of the recording that is also read."""
    from tests.deliveries import deliver, row

    at = "2026-03-10T09:00:00Z"
    deliver(home / "inbox" / "d1", [row("a.parquet", van="V007", at=at)], {"a.parquet": RECORDING.read_bytes()})


def run(command: list[str]) -> tuple[float, float]:
    """Seconds and processor seconds of a command."""
    before, begun = os.times(), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    seconds, after = time.perf_counter() - begun, os.times()
    return seconds, after.children_user + after.children_system - before.children_user - before.children_system


if __name__ == "__main__":
    main()
