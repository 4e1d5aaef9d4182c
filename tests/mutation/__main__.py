"""Do the tests bite? A seeded sample of mutations of the code, and how many of them a room's quick tests notice.

`make mutate`, or `python -m tests.mutation --sample 25 --seed 3 models/work`. mutmut makes the mutants of a copy of the
checkout, finds the tests that call each mutated function, and runs them on the mutant. A mutant counts as killed when one
of them fails or it runs out of time. Compiled functions are mutated by `tests.mutation.kernels`, for mutmut leaves decorated
functions alone. Not counted: a change of letter case in text for people or SQL, which means nothing, and the mutants of
`EQUIVALENT`, which behave like the original.
"""

import argparse
import contextlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tests.mutation.kernels import mutants_of, mutated
from tests.studies.results import write_section

CHECKOUT = Path(__file__).parents[2]
ROOMS = {
    "models/tracking": ("tests/unit/models/tracking/",),
    "models/causes": ("tests/unit/models/causes/",),
    "models/work": ("tests/unit/models/work/",),
    "pipelines": ("tests/pipelines/",),
}
"""Each room, and the tests that have to notice its mutants."""
KERNELS = {
    "models/tracking/charts/recursion.py": ("test_recursion.py", "test_alarms.py"),
    "models/tracking/charts/alarms.py": ("test_alarms.py", "../test_assess.py"),
    "models/tracking/charts/onset.py": ("test_onset.py",),
}
"""Files of compiled functions, and their tests in tests/unit/models/tracking/charts."""
ANY_MUTANT = "models.work.watchlist.x_watchlist__mutmut_1"
STATUS = {0: "survived", 5: "no tests", 33: "no tests", 36: "timeout", -24: "timeout", 24: "timeout", 152: "timeout"}
COLUMNS = ("killed", "timeout", "survived", "no tests")

EQUIVALENT: dict[str, str] = {}
"""A mutant's changed line, as it stands after the change, and why it behaves like the original."""


@dataclass
class Room:
    """What became of a room's sample: per status the mutants, each with its change."""

    mutants: int
    found: dict[str, list[str]] = field(default_factory=lambda: {status: [] for status in COLUMNS})
    equivalent: int = 0

    @property
    def tried(self) -> int:
        """Mutants that count."""
        return sum(map(len, self.found.values()))

    @property
    def killed(self) -> float:
        """Share noticed, by a failing test or by running out of time."""
        return (len(self.found["killed"]) + len(self.found["timeout"])) / max(self.tried, 1)


def copy_checkout(folder: Path) -> None:
    """The tracked files, as they are now, and those not tracked yet."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=CHECKOUT, capture_output=True, check=True, text=True,
    ).stdout  # fmt: skip
    for name in filter(None, listed.split("\0")):
        if (CHECKOUT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(CHECKOUT / name, folder / name)


def mutmut(folder: Path, *arguments: str) -> str:
    """Run mutmut in the copy; its output."""
    command = [str(Path(sys.executable).parent / "mutmut"), *arguments]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(f"mutmut {arguments[0]} failed:\n{(done.stdout + done.stderr)[-4000:]}")
    return done.stdout


def whole_files(folder: Path) -> None:
    """Let every test of a file stand for each function that any of them calls, and only tests of the function's room.

    What a shared fixture calls is noted for the first test that uses it, while the others check what came of it.
    """
    path = folder / "mutants" / "mutmut-stats.json"
    stats = json.loads(path.read_text(encoding="utf-8"))
    known = list(stats["duration_by_test"])
    for function, tests in stats["tests_by_mangled_function_name"].items():
        files = {test.split("::")[0] for test in tests if test.startswith(ROOMS[room_of(function)])}
        stats["tests_by_mangled_function_name"][function] = [t for t in known if t.split("::")[0] in files]
    path.write_text(json.dumps(stats), encoding="utf-8")


def room_of(mutant: str) -> str:
    """The room of a mutant or a mutated function."""
    return next(room for room in ROOMS if mutant.startswith(room.replace("/", ".") + "."))


def results_of(folder: Path) -> dict[str, int | None]:
    """Exit code of the tests on every mutant; None for one that was not tried."""
    found: dict[str, int | None] = {}
    for meta in sorted((folder / "mutants").rglob("*.meta")):
        found |= json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
    return found


def change_of(folder: Path, mutant: str) -> tuple[str, str]:
    """What a mutant changed: a line before and after."""
    lines = mutmut(folder, "show", mutant).splitlines()
    before, after = ([line[1:].strip() for line in lines if re.match(rf"\{sign}(?!\{sign})", line)] for sign in "-+")
    return " ".join(before), " ".join(after)


def means_nothing(before: str, after: str) -> bool:
    """Whether only the letter case of some text of several words changed."""
    return (
        before.lower() == after.lower()
        and before != after
        and bool(re.search(r"""["'][^"']*\s[^"']*["']|["']{3}""", before))
    )


def mutate_code(folder: Path, rooms: list[str], sample: int, rng: random.Random, children: int) -> dict[str, Room]:
    """Run the sample of each room through mutmut."""
    mutmut(folder, "run", "--max-children", str(children), ANY_MUTANT)
    whole_files(folder)
    names = sorted(results_of(folder))
    found = {room: Room(sum(room_of(name) == room for name in names)) for room in rooms}
    chosen: dict[str, tuple[str, str]] = {}
    for room in rooms:
        shuffled = [name for name in names if room_of(name) == room]
        rng.shuffle(shuffled)
        kept = 0
        for name in shuffled:
            if kept == sample:
                break
            change = change_of(folder, name)
            if means_nothing(*change):
                continue
            if change[1] in EQUIVALENT:
                found[room].equivalent += 1
                continue
            chosen[name], kept = change, kept + 1
    mutmut(folder, "run", "--max-children", str(children), *chosen)
    codes = results_of(folder)
    for name, (before, after) in chosen.items():
        status = STATUS.get(codes[name], "killed")  # type: ignore[arg-type]
        found[room_of(name)].found[status].append(f"{name}\n  - {before}\n  + {after}")
    return found


@contextlib.contextmanager
def changed(path: Path, text: str) -> Iterator[None]:
    """A file with another text for a while."""
    kept = path.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    try:
        yield
    finally:
        path.write_text(kept, encoding="utf-8")


def mutate_kernels(folder: Path, sample: int, rng: random.Random) -> Room:
    """Run a sample of mutants of the compiled functions, each in a process of its own."""
    sources = {name: (CHECKOUT / name).read_text(encoding="utf-8") for name in KERNELS}
    all_of = [(name, number) for name, source in sources.items() for number in range(mutants_of(source))]
    room = Room(len(all_of))
    shuffled = rng.sample(all_of, len(all_of))
    for name, number in shuffled:
        if room.tried == sample:
            break
        text, change = mutated(sources[name], number)
        if change.split("  ->  ")[1] in EQUIVALENT:
            room.equivalent += 1
            continue
        tests = [str(Path("tests/unit/models/tracking/charts") / test) for test in KERNELS[name]]
        with changed(folder / name, text):
            try:
                command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
                code = subprocess.run(command, cwd=folder, capture_output=True, timeout=600, check=False).returncode
            except subprocess.TimeoutExpired:
                code = 36
        room.found[STATUS.get(code, "killed")].append(f"{name} {change}")
    return room


def table(found: dict[str, Room], *, seed: int, command: str) -> list[str]:
    """The section of RESULTS.md."""
    total, killed = (
        sum(getattr(room, name) * (room.tried if name == "killed" else 1) for room in found.values())
        for name in ("tried", "killed")
    )
    lines = [
        "## Mutations",
        "",
        f"{datetime.now(UTC):%Y-%m-%d}, `{command}`: {killed:.0f} of {total} noticed ({killed / max(total, 1):.0%}), seed {seed}.",
        "Of each room's mutants a sample drawn anew by the seed; tests are the room's own quick ones.",
        "",
        "| room | mutants | sampled | killed | out of time | survived | no test | noticed |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, room in found.items():
        counts = " | ".join(str(len(room.found[status])) for status in COLUMNS)
        lines.append(f"| {name} | {room.mutants} | {room.tried} | {counts} | {room.killed:.0%} |")
    return lines


def main() -> int:
    """Mutate, try, tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("rooms", nargs="*", default=list(ROOMS), choices=[*ROOMS, []], metavar="room")
    parser.add_argument("--sample", type=int, default=50, help="mutants of each room (50)")
    parser.add_argument("--kernels", type=int, default=15, help="mutants of compiled functions (15)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="mutants tried at once")
    parser.add_argument("--folder", type=Path, help="keep the copy here, and use it again")
    parser.add_argument("--write", action="store_true", help="write the table into tests/studies/RESULTS.md")
    told = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = told.folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="mutate-")))
        copy_checkout(folder)
        found: dict[str, Room] = {}
        if told.sample:
            found |= mutate_code(folder, told.rooms, told.sample, random.Random(told.seed), told.children)
        if told.kernels and "models/tracking" in told.rooms:
            found["compiled functions of models/tracking"] = mutate_kernels(
                folder, told.kernels, random.Random(told.seed)
            )
    for name, room in found.items():
        for status in ("survived", "no tests"):
            for mutant in room.found[status]:
                print(f"{status}: {mutant}")
        print(f"== {name}: {room.killed:.0%} of {room.tried} noticed, {room.equivalent} equivalent left out\n")
    command = "python -m tests.mutation " + " ".join(word for word in sys.argv[1:] if word != "--write")
    lines = table(found, seed=told.seed, command=command.strip())
    print("\n".join(lines))
    if told.write:
        write_section("mutation", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())
