"""How a whole `weekly` grows with the fleet: 1,000, 3,000 and 10,000 vans with four captures each, from their delivery to the published file.

Vans, register and recordings are copies of a sample fleet's (many_deliveries.py), on disk before the run begins. BENCH_VANS names other sizes,
BENCH_VISITS and BENCH_SNAPS other numbers of visits a van and of captures a visit, BENCH_HZ to how many samples a second they are thinned, BENCH_LONGEST_S the longest recording that
is taken, BENCH_FORMAT another form of delivery (csv; zip, of Parquet, by which a large fleet is made in minutes). Processor time is of all processes
of the run; memory is the peak of the process that writes and of the largest of the others; a last line has every process. The exponent is that of
processor time from the smallest fleet to the largest: 1 is growth in proportion. Everything is below TMPDIR.
"""

import json
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from tests.bench.processes import processor_time

SIZES = (1000, 3000, 10_000)
STEPS = ("intake", "reading", "tracking", "publish")
LOOK_S = 0.2
TOLD_FROM_S = 1.0
"""Processes that took less processor time are told together."""


class Process(NamedTuple):
    """What one process took: processor seconds and its peak [MB]."""

    busy: float
    peak: float


class Run(NamedTuple):
    """What a run took: seconds by the clock, and each of its processes, that which writes ahead of the others."""

    seconds: float
    processes: list[Process]

    @property
    def busy(self) -> float:
        """Processor seconds of all."""
        return sum(process.busy for process in self.processes)


def main() -> None:
    """Measure and print."""
    from tests.bench.many_deliveries import asked

    sizes = [int(size) for size in os.environ.get("BENCH_VANS", "").split(",") if size] or list(SIZES)
    print(f"growth of weekly, {asked()}; seconds of each step")
    print(
        f"{'vans':>8}{'captures':>10}{'seconds':>9}{'processor s':>13}"
        + "".join(f"{step:>10}" for step in STEPS)
        + f"{'writer MB':>11}{'other MB':>10}{'waveforms MB':>14}{'warehouse MB':>14}{'published MB':>14}"
    )
    busy = {}
    with tempfile.TemporaryDirectory() as folder:
        from tests.bench.many_vans import sample_home

        sample = sample_home(Path(folder))
        for vans in sizes:
            home = Path(folder) / str(vans)
            captures = _delivered(sample, home, vans)
            os.sync()
            run = watched([sys.executable, "-m", "pipelines.cli", "weekly", "--home", str(home), "--json"])
            busy[vans] = run.busy
            steps = json.loads((home / "reports" / "step_times.json").read_text())
            kept = sum(path.stat().st_size for path in (home / "waveforms").rglob("*.parquet"))
            sizes_mb = [kept, *((home / name).stat().st_size for name in ("warehouse.duckdb", "published.duckdb"))]
            print(
                f"{vans:>8}{captures:>10}{run.seconds:>9.1f}{run.busy:>13.1f}"
                + "".join(f"{steps[step]:>10.1f}" for step in STEPS)
                + f"{run.processes[0].peak:>11.0f}{max((other.peak for other in run.processes[1:]), default=0.0):>10.0f}"
                + "".join(f"{size / 1e6:>14.0f}" for size in sizes_mb),
                flush=True,
            )
            told = [process for process in run.processes if process.busy >= TOLD_FROM_S]
            less = run.busy - sum(process.busy for process in told)
            print(
                "  its processes: "
                + ", ".join(f"{process.busy:.1f} s {process.peak:.0f} MB" for process in told)
                + f", {len(run.processes) - len(told)} others {less:.1f} s",
                flush=True,
            )
    if len(sizes) > 1:
        least, most = min(sizes), max(sizes)
        exponent = math.log(busy[most] / busy[least]) / math.log(most / least)
        print(f"exponent of processor time: {exponent:.2f}")


def _delivered(sample: Path, home: Path, vans: int) -> int:
    """Make a fleet's deliveries in a process of its own, whose memory is not held while the run is looked at; how many captures."""
    command = [sys.executable, "-m", "tests.bench.many_deliveries", str(sample), str(home), str(vans)]
    return int(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)


def watched(command: list[str]) -> Run:
    """Run a command, and look at it and its processes until it ends: those that a server of processes begins are reaped by none of ours."""
    begun = time.perf_counter()
    peaks: dict[int, float] = {}
    busy: dict[int, float] = {}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as run:
        while run.poll() is None:
            for process in _family(run.pid):
                peaks[process] = max(peaks.get(process, 0.0), _peak_mb(process))
                busy[process] = max(busy.get(process, 0.0), processor_time(process))
            time.sleep(LOOK_S)
    assert run.returncode == 0, f"{command}: {run.returncode}"
    seconds = time.perf_counter() - begun
    return Run(
        seconds, [Process(busy[process], peaks[process]) for process in sorted(busy, key=lambda one: one != run.pid)]
    )


def _family(root: int) -> set[int]:
    """A process and all that come from it."""
    parents = {}
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(file.parent.name)] = int(file.read_text().rpartition(")")[2].split()[1])
        except OSError:  # ended meanwhile
            continue
    found, size = {root}, 0
    while size < len(found):
        size = len(found)
        found |= {process for process, parent in parents.items() if parent in found}
    return found


def _peak_mb(process: int) -> float:
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM")), 0.0)
