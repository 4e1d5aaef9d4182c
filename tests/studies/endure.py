"""Kills at random instants, each followed by the same call again: `make endure`, or `python -m tests.studies.endure`.

A trial takes one stage of a small workspace's life (`endure_life.py`), kills it with SIGKILL at an instant drawn from its length,
up to six times in a row, lets it come to its end, and holds every table and every file against those of a run nobody
disturbed. A difference is a table, file or finding that is not as there; an orphan a file that is too many, or a process
that outlives its run by more than half a minute. Counts go on where the last call left off, in the folder named by `--keep`, as long as the program's
code is the same. `--write` puts the figures into RESULTS.md.
"""

import argparse
import ctypes
import hashlib
import importlib
import json
import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.killed import in_child
from tests.studies import endure_life as life
from tests.studies.results import write_section

ROOT = Path(__file__).parents[2]
SEED = 20261130
IN_A_ROW = 6
_SUBREAPER = 36  # prctl(2): processes orphaned below this one become its children


def code_print() -> str:
    """Hash over the program's code: counts of another one are not added to."""
    digest = hashlib.sha256()
    for room in ("data_contracts", "models", "pipelines", "tests/studies/endure_life.py"):
        for path in sorted((ROOT / room).rglob("*.*") if (ROOT / room).is_dir() else [ROOT / room]):
            if path.suffix in (".py", ".sql", ".toml", ".csv", ".json"):
                digest.update(path.relative_to(ROOT).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def left_running(patience_s: float = 30.0) -> int:
    """Processes that outlive a killed run, which are this one's children now: they are given time, then ended and counted."""
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        try:
            if os.waitpid(-1, os.WNOHANG) == (0, 0):
                time.sleep(0.05)
        except ChildProcessError:
            return 0
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii").split()
    for child in map(int, children):
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    return len(children)


def state(root: Path) -> dict[str, str]:
    """What a workspace holds; asked in a child, so that this process never opens a database."""
    out = root.with_suffix(".json")
    in_child(lambda: life.write_state(root, out))
    found: dict[str, str] = json.loads(out.read_text(encoding="utf-8"))
    out.unlink()
    return found


class Rig:
    """Workspaces before each stage, their states after an undisturbed run of it, and how long that takes; kept in a folder."""

    def __init__(self, folder: Path, code: str) -> None:
        self.folder = folder
        self.before = {name: folder / f"before-{name}" for name in life.STAGES}
        self.after: dict[str, dict[str, str]] = {}
        self.length_s: dict[str, float] = {}
        kept = folder / "rig.json"
        if kept.exists() and (told := json.loads(kept.read_text(encoding="utf-8")))["code"] == code:
            self.after, self.length_s = told["after"], told["length_s"]
            return
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        self._live()
        told = {"code": code, "after": self.after, "length_s": self.length_s}
        kept.write_text(json.dumps(told), encoding="utf-8")

    def _live(self) -> None:
        """Every stage once, left alone."""
        root = self.folder / "lived"
        in_child(lambda: life.begun(root))
        for name, work in life.STAGES.items():
            if name == "migration":
                shutil.rmtree(root)
                in_child(lambda: life.older(root))
            shutil.copytree(root, self.before[name])
            began = time.monotonic()
            in_child(lambda: work(root))  # noqa: B023 - the child is waited for before they move on
            self.length_s[name] = time.monotonic() - began
            self.after[name] = state(root)
        shutil.rmtree(root)

    def trial(self, name: str, rng: random.Random) -> dict[str, Any]:
        """One stage, killed up to `IN_A_ROW` times and then left alone."""
        work: Callable[[Path], None] = life.STAGES[name]
        root = self.folder / "trial"
        shutil.rmtree(root, ignore_errors=True)  # of a call that was stopped
        shutil.copytree(self.before[name], root)
        try:
            kills, processes = 0, 0
            for _ in range(IN_A_ROW):
                ended = in_child(lambda: work(root), kill_after_s=rng.uniform(0.0, self.length_s[name]))
                kills += not ended
                processes += left_running()
                if ended:
                    break
            in_child(lambda: work(root))
            now, wanted = state(root), self.after[name]
        finally:
            shutil.rmtree(root, ignore_errors=True)
        differs = sorted(key for key in {*now, *wanted} if now.get(key) != wanted.get(key))
        orphans = [key for key in differs if key not in wanted and key.startswith(("file: ", "object: "))]
        return {"kills": kills, "differs": differs, "orphans": len(orphans) + processes}


def counted(counts: dict[str, Any]) -> list[str]:
    """The table for RESULTS.md."""
    lines = [
        "## Endurance",
        "",
        f"`make endure`, seed {counts['seed']}, {counts['trials']} trials, code {counts['code']}: SIGKILL at an instant drawn "
        f"uniformly from the length of the stage, up to {IN_A_ROW} times in a row, then the same call left alone; all tables of the "
        "warehouse and the published file, all files, and what `check` finds, against a run nobody disturbed.",
        "",
        "| stage | kills | trials | differences | orphans |",
        "| --- | --- | --- | --- | --- |",
    ]
    names = ("kills", "trials", "differences", "orphans")
    for stage, one in counts["stages"].items():
        lines.append(f"| {stage} | " + " | ".join(str(one[name]) for name in names) + " |")
    total = {name: sum(one[name] for one in counts["stages"].values()) for name in names}
    lines.append("| all | " + " | ".join(f"{total[name]}" for name in names) + " |")
    return [*lines, *([""] if counts["seen"] else []), *(f"* {line}" for line in counts["seen"][:20])]


def main() -> None:
    """Go on counting until there are enough kills, or the time is up."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", type=Path, default=ROOT / "build" / "endure", help="folder of the counts")
    parser.add_argument("--kills", type=int, default=500, help="until there are so many")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="or so long")
    parser.add_argument("--write", action="store_true", help="write the figures into RESULTS.md")
    given = parser.parse_args()
    ctypes.CDLL(None).prctl(_SUBREAPER, 1, 0, 0, 0)
    file = given.keep / "counts.json"
    given.keep.mkdir(parents=True, exist_ok=True)
    counts = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    if counts.get("code") != code_print():
        zero = {"kills": 0, "trials": 0, "differences": 0, "orphans": 0}
        stages = {name: dict(zero) for name in life.STAGES}
        counts = {"seed": SEED, "code": code_print(), "trials": 0, "stages": stages, "seen": []}
    began = time.monotonic()
    rig: Rig | None = None
    while _kills(counts) < given.kills and time.monotonic() - began < given.seconds:
        rig = rig or Rig(given.keep.resolve() / "rig", counts["code"])
        name = list(life.STAGES)[counts["trials"] % len(life.STAGES)]
        told = rig.trial(name, random.Random(f"{counts['seed']}:{counts['trials']}"))
        one = counts["stages"][name]
        one["kills"] += told["kills"]
        one["trials"] += 1
        one["differences"] += len(told["differs"])
        one["orphans"] += told["orphans"]
        counts["seen"] += [f"trial {counts['trials']}, {name}: {line}" for line in told["differs"]]
        counts["trials"] += 1
        file.write_text(json.dumps(counts, indent=1), encoding="utf-8")
        if told["differs"]:
            print(f"trial {counts['trials'] - 1}, {name}: {told['differs'][:5]}", flush=True)
    print("\n".join(counted(counts)))
    if given.write:
        write_section("endure", counted(counts))


def _kills(counts: dict[str, Any]) -> int:
    return sum(int(one["kills"]) for one in counts["stages"].values())


if __name__ == "__main__":
    # So that no forked child has to. Decoders load this module too, and must not: one whose run was killed would be at it for long.
    for library in ("great_expectations", "scipy.stats", "sklearn.ensemble", "skops.io"):
        importlib.import_module(library)
    main()
