"""Intake speed: captures a second from the inbox into the warehouse, their deliveries packed and written into the journal, for each format,
by all cores.

Each is taken in by a process of its own, so that peak memory is that of one intake, start-up included; the reference is one pass of
hashing over the delivered bytes. Beside what a capture takes stands what it takes the libraries alone, in one process: open, hash, decode, and
compress as the archive does; no contract is checked, nothing is kept. Seconds are of this machine; the last columns, in units of that and of
the pass, travel.
"""

import gzip
import hashlib
import io
import os
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl

from tests.bench.processes import processor_time

LOADS = (
    ("parquet", 12, 125),
    ("csv", 12, 125),
    ("csv.gz", 12, 125),
    ("zip of parquet", 12, 125),
    ("zip of csv", 12, 125),
    ("parquet", 48, 125),
    ("csv", 48, 125),
    ("parquet", 300, 5),
)
"""Format, deliveries, captures in each."""
RATE_HZ, SAMPLES = 2000.0, 4000


def main() -> None:
    """Measure and print."""
    print(f"intake, {SAMPLES} samples of two channels at 12 bit, every core")
    print(
        f"{'deliveries':<28}{'captures/s':>12}{'processor ms each':>20}{'of libraries':>14}{'peak MB':>10}{'times':>8}{'hash passes':>14}"
    )
    for name, deliveries, captures in LOADS:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            size = make_home(home, name, deliveries, captures)
            count = deliveries * captures
            floor = float(_ask("libraries", str(home))) / count
            seconds, busy, peak = (float(word) for word in _ask("take", str(home)).split())
            told = f"{deliveries} x {captures} {name}"
            passes = seconds / hash_pass(size)
            print(
                f"{told:<28}{count / seconds:>12.0f}{busy / count * 1e3:>20.2f}{floor * 1e3:>14.2f}{peak:>10.0f}"
                f"{busy / count / floor:>8.1f}{passes:>14.0f}",
                flush=True,
            )


def make_home(home: Path, name: str, deliveries: int, captures: int) -> int:
    """A workspace with deliveries in its inbox; the bytes delivered."""
    from tests.deliveries import FAMILIES, VANS, deliver, make_workspace, row

    workspace = make_workspace(
        home, {"settings.toml": "", "register/families.toml": FAMILIES, "register/vans.csv": VANS}
    )
    ending = name.removeprefix("zip of ")
    for number in range(deliveries):
        seeds = range(number * captures, (number + 1) * captures)
        rows = [
            row(
                f"{s}.{ending}",
                van=f"V00{s % 3 + 1}",
                at=f"2026-03-{s // 720 + 1:02d}T{s % 720 // 60:02d}:{s % 60:02d}:00Z",
            )
            for s in seeds
        ]
        files = {f"{s}.{ending}": packed(recording(s), ending) for s in seeds}
        deliver(workspace.inbox / f"d{number:03d}", rows, files, zipped=name.startswith("zip"))
    return sum(path.stat().st_size for path in workspace.inbox.rglob("*") if path.is_file())


def recording(seed: int) -> pl.DataFrame:
    """A throttle snap in outline, with noise, as a recorder of 12 bit over 5 V writes it."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(SAMPLES) / RATE_HZ
    held = (time_s > 0.5) & (time_s < 1.0)
    air = np.where(held, 4.1, 1.1) + 0.02 * rng.standard_normal(SAMPLES)
    exhaust = np.where(held, 0.85, 0.45) + 0.01 * rng.standard_normal(SAMPLES)
    step = 5.0 / 4096
    return pl.DataFrame(
        {"time_s": time_s, "airflow_v": np.round(air / step) * step, "lambda_v": np.round(exhaust / step) * step}
    )


def packed(frame: pl.DataFrame, ending: str) -> pl.DataFrame | bytes:
    """A recording as `deliver` wants it."""
    if ending != "csv.gz":
        return frame
    return gzip.compress(frame.write_csv().encode(), 6)


def hash_pass(size: int) -> float:
    """Seconds of one SHA-256 over so many bytes."""
    block, begun = bytes(1 << 20), time.perf_counter()
    digest = hashlib.sha256()
    for _ in range(max(size >> 20, 1)):
        digest.update(block)
    return time.perf_counter() - begun


def take(home: str) -> None:
    """Take in; print seconds, processor seconds with those of its processes, and peak memory of this one [MB]."""
    from pipelines.weekly.steps import intake
    from tests.deliveries import NOW

    begun = time.perf_counter()
    rows = held = 0
    for account in intake(Path(home), now=NOW):
        rows, held = rows + account.rows, held + account.held
    seconds = time.perf_counter() - begun
    assert held == rows > 0, (held, rows)
    own = os.times()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    others = sum(processor_time(each, ended=True) for each in _children())  # those that decode are not ours to ask
    print(seconds, own.user + own.system + others, peak)


def libraries(home: str) -> None:
    """Open, hash, decode and compress every recording; print processor seconds, libraries loaded."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    codes: list[np.ndarray] = []
    begun = time.process_time()
    for name, content in _recordings(Path(home) / "inbox"):
        hashlib.sha256(content).hexdigest()
        raw = gzip.decompress(content) if name.endswith(".gz") else content
        frame = (pl.read_parquet if name.endswith(".parquet") else pl.read_csv)(io.BytesIO(raw))
        codes += [np.round(frame[c].to_numpy() * 4096 / 5.0).astype(np.int32) for c in ("airflow_v", "lambda_v")]
    table = pa.table({"codes": np.concatenate(codes)})
    delta = {"codes": "DELTA_BINARY_PACKED"}
    pq.write_table(table, io.BytesIO(), compression="zstd", use_dictionary=False, column_encoding=delta)
    print(time.process_time() - begun)


def _recordings(inbox: Path) -> Iterator[tuple[str, bytes]]:
    for path in inbox.rglob("*"):
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as packed_up:
                names = [name for name in packed_up.namelist() if Path(name).name[0].isdigit()]
                yield from ((name, packed_up.read(name)) for name in names)
        elif path.is_file() and path.name[0].isdigit():
            yield path.name, path.read_bytes()


def _children() -> list[int]:
    return [int(word) for file in Path("/proc/self/task").glob("*/children") for word in file.read_text().split()]


def _ask(*words: str) -> str:
    command = [sys.executable, "-m", "tests.bench.intake", *words]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout


if __name__ == "__main__":
    {"take": take, "libraries": libraries}[sys.argv[1]](sys.argv[2])
