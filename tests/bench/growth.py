"""How a whole `weekly` grows with the fleet: 1,000, 3,000 and 10,000 vans with four captures each, from their delivery to the published file.

Vans, register and recordings are copies of a sample fleet's (many_vans.py), recordings thinned to 500 samples a second; each copy differs in one
sample, else it would be told to be the same, and is on disk before the run begins. BENCH_VANS names other sizes, BENCH_FORMAT=csv another form of file. Processor time is of all processes of the run; memory is the peak
of the process that writes and of the largest of the others. The exponent is that of processor time from the smallest fleet to the
largest: 1 is growth in proportion.
"""

import csv
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.bench.processes import processor_time

SIZES = (1000, 3000, 10_000)
VISITS, SNAPS = 2, 2
THINNED_HZ = 500.0
STEPS = ("intake", "reading", "tracking", "publish")
LOOK_S = 0.2
_TOLD = ("coolant_c", "intake_air_c", "barometer_kpa", "humidity_pct", "altitude_m", "odometer_km", "closed_loop")


class Run(NamedTuple):
    """What a run took: seconds, processor seconds, and the peaks of the writer and of the largest other process. [MB]"""

    seconds: float
    busy: float
    writer: float
    other: float


def main() -> None:
    """Measure and print."""
    sizes = [int(size) for size in os.environ.get("BENCH_VANS", "").split(",") if size] or list(SIZES)
    print(
        f"growth of weekly, {VISITS * SNAPS} captures a van at {THINNED_HZ:.0f} Hz, {_ending()}; seconds of each step"
    )
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
            captures = int(_here("deliver", str(sample), str(home), str(vans)))
            os.sync()
            run = watched([sys.executable, "-m", "pipelines.cli", "weekly", "--home", str(home), "--json"])
            busy[vans] = run.busy
            steps = json.loads((home / "reports" / "step_times.json").read_text())
            kept = sum(path.stat().st_size for path in (home / "waveforms").rglob("*.parquet"))
            sizes_mb = [kept, *((home / name).stat().st_size for name in ("warehouse.duckdb", "published.duckdb"))]
            print(
                f"{vans:>8}{captures:>10}{run.seconds:>9.1f}{run.busy:>13.1f}"
                + "".join(f"{steps[step]:>10.1f}" for step in STEPS)
                + f"{run.writer:>11.0f}{run.other:>10.0f}"
                + "".join(f"{size / 1e6:>14.0f}" for size in sizes_mb),
                flush=True,
            )
    if len(sizes) > 1:
        least, most = min(sizes), max(sizes)
        exponent = math.log(busy[most] / busy[least]) / math.log(most / least)
        print(f"exponent of processor time: {exponent:.2f}")


def _ending() -> str:
    return os.environ.get("BENCH_FORMAT", "parquet")


def _here(*words: str) -> str:
    command = [sys.executable, "-m", "tests.bench.growth", *words]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


def deliver_fleet(sample: Path, home: Path, vans: int) -> int:
    """A workspace of so many vans with a delivery of each copy of the sample fleet in its inbox; the captures delivered."""
    import polars as pl

    from pipelines.workspace.workspace import make_workspace
    from tests.bench.many_vans import depot_of, name_of
    from tests.deliveries import deliver

    workspace = make_workspace(home, {"settings.toml": ""})
    (workspace.register / "families.toml").write_bytes((sample / "register" / "families.toml").read_bytes())
    with (sample / "register" / "vans.csv").open(newline="", encoding="utf-8") as file:
        known = list(csv.DictReader(file))
    copies = -(-vans // len(known))
    with (workspace.register / "vans.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(known[0]))
        writer.writeheader()
        for copy in range(copies):
            for row in known:
                named = {"van_id": name_of(row["van_id"], copy), "depot": depot_of(row["depot"], copy)}
                writer.writerow(row | named)
    recordings = list(_recordings(sample))
    for copy in range(copies):
        rows, files = [], {}
        for number, (row, columns) in enumerate(recordings):
            name = f"{number}.{_ending()}"
            rows.append({"file": name, **row, "van_id": name_of(row["van_id"], copy)})
            files[name] = pl.DataFrame(_told_apart(columns, copy))
        deliver(workspace.inbox / f"d{copy:05d}", rows, files)
    return copies * len(recordings)


def _recordings(sample: Path) -> Iterator[tuple[dict[str, object], dict[str, object]]]:
    """Manifest row and columns of the snaps of each van's newest visits."""
    import duckdb

    from pipelines.storage.waveforms import read_chunk

    with duckdb.connect(str(sample / "published.duckdb"), read_only=True) as asked:
        rows = asked.sql(
            f"""
            SELECT chunk, row_group, waveform_id, van_id, captured_at, captures.rate_hz, {", ".join(_TOLD)}
            FROM captures JOIN waveforms USING (waveform_id)
            QUALIFY dense_rank() OVER (PARTITION BY van_id ORDER BY visit DESC) <= {VISITS}
                AND row_number() OVER (PARTITION BY visit ORDER BY captured_at, capture_id) <= {SNAPS}
            ORDER BY van_id, captured_at
            """
        ).pl()
    for row in rows.iter_rows(named=True):
        path = sample / "waveforms" / row["chunk"]
        held = read_chunk(path, [row["row_group"]], {row["waveform_id"]})[row["waveform_id"]]
        every = max(round(row["rate_hz"] / THINNED_HZ), 1)
        told = {name: row[name] for name in _TOLD if row[name] is not None}
        columns = {"time_s": held.time_s[::every]} | {name: held.channels[name][::every] for name in held.channels}
        yield {"van_id": row["van_id"], "captured_at": row["captured_at"].isoformat(), **told}, columns


def _told_apart(columns: dict[str, object], copy: int) -> dict[str, object]:
    """The same recording with one sample of its first signal at that of another."""
    import numpy as np

    if copy == 0:
        return columns
    name = next(name for name in columns if name != "time_s")
    samples = np.array(columns[name])
    there = copy % (samples.size // 8)  # ahead of the opening
    samples[there] = np.unique(samples)[copy // (samples.size // 8) + 1]
    return columns | {name: samples}


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
    return Run(seconds, sum(busy.values()), peaks.pop(run.pid, 0.0), max(peaks.values(), default=0.0))


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


if __name__ == "__main__":
    print(deliver_fleet(Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4])))
