"""`make fuzz`, or `python -m tests.fuzz --tries 2000 --seed 1 parquet vans`: a table, and every finding with its file kept.

Each reader is tried in a process of its own, which a finding of memory may end; the same seed gives the same files.
"""

import argparse
import multiprocessing
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.fuzz.targets import targets
from tests.fuzz.trying import reader

READERS = 2
"""Processes at once."""


def main() -> int:
    """Try, print; 1 where anything was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("readers", nargs="*", help="which; all by default")
    parser.add_argument("--tries", type=int, default=2000, help="files for a quick reader, fewer for slow ones")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=None, help="begin no try after so many")
    parser.add_argument("--keep", type=Path, default=None, help="folder for files that led to a finding")
    asked = parser.parse_args()
    until = None if asked.minutes is None else time.monotonic() + 60.0 * asked.minutes
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        evidence = warranty_file(Path(folder))
        known = targets(Path(folder) / "sound", evidence)
        unknown = [name for name in asked.readers if name not in known]
        if unknown:
            print(f"no reader {unknown[0]!r}: choose from {', '.join(known)}", file=sys.stderr)
            return 2
        print(f"{'reader':<16}{'tries':>8}{'refused':>9}{'slowest s':>11}{'grew MB':>9}{'findings':>10}")
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(READERS, mp_context=context, max_tasks_per_child=1) as pool:
            running = {
                name: pool.submit(reader, name, asked.seed, asked.tries, until, asked.keep, evidence)
                for name in asked.readers or known
            }
            outcomes = {}
            for name, future in running.items():
                outcomes[name] = found = future.result()
                print(
                    f"{name:<16}{found.tries:>8}{found.refused:>9}{found.slowest_s:>11.2f}{found.growth_mb:>9.0f}{len(found.findings):>10}",
                    flush=True,
                )
    total = sum(found.tries for found in outcomes.values())
    wrong = [f"{name}, try {finding}" for name, found in outcomes.items() for finding in found.findings]
    print(f"{total} files of seed {asked.seed}: {len(wrong)} findings", *wrong, sep="\n")
    return 1 if wrong else 0


def warranty_file(folder: Path) -> Path:
    """A sound one, of the small fleet judged once."""
    from pipelines.cli import run
    from tests.pipelines.small_home import run_steps, small_home

    home = small_home(folder / "home")
    run_steps(home)
    out = folder / "evidence.zip"
    assert run(["evidence", "V002", "--out", str(out), "--home", str(home.root)]) == 0
    return out


if __name__ == "__main__":
    sys.exit(main())
