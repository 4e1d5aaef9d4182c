"""Do the tests bite? A seeded sample of mutations of the code, and how many of them a room's quick tests notice.

`make mutate`, or `python -m tests.mutation --sample 25 --seed 3 models/work`. mutmut makes the mutants of a copy of the
checkout and finds the tests that call each mutated function; the quickest files of them are run on the mutant, for so many
seconds. Killed is a mutant on which one fails; slower tests may notice more. Compiled functions, which mutmut leaves alone, and
pipelines are mutated by `tests.mutation.by_hand`. Left out are changes of letter case in text of several
words (sentences, SQL), of `strict` in `zip`, which only guards against slips of the programmer, and the mutants of
`EQUIVALENT`, which behave like the original.
"""

import argparse
import ast
import configparser
import contextlib
import difflib
import functools
import itertools
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.mutation.cheapest_first import SECONDS
from tests.mutation.of_kernels import mutate_kernels
from tests.mutation.of_pipelines import LEFT_OUT, PIPELINES, PIPELINES_S, mutate_pipelines
from tests.mutation.room import CHECKOUT, COLUMNS, Room
from tests.mutation.trying import environment
from tests.studies.results import write_section

ROOMS = {
    "models/tracking": ("tests/unit/models/tracking",),
    "models/causes": ("tests/unit/models/causes",),
    "models/work": ("tests/unit/models/work",),
}
"""Each room, and the tests that have to notice its mutants."""
EQUIVALENT: dict[str, str] = {}
"""A mutant's changed line as it stands after the change, and why it behaves like the original."""


def copy_checkout(folder: Path) -> None:
    """The files of the checkout as they are now, but for ignored ones."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=CHECKOUT,
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    for name in filter(None, listed.split("\0")):
        if (CHECKOUT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(CHECKOUT / name, folder / name)


def configure(folder: Path, room: str) -> None:
    """Tell mutmut what to mutate, and which tests to run."""
    settings = {
        "source_paths": ["models", "pipelines"],
        "only_mutate": [f"{room}/*"],
        "also_copy": ["data_contracts", "dashboards", "sample_fleet", "README.md"],
        "pytest_add_cli_args_test_selection": ROOMS[room],
        "pytest_add_cli_args": [
            "-p",
            "no:cacheprovider",
            "-p",
            "tests.mutation.cheapest_first",
        ],
        "process_isolation": "forkserver",  # polars and numba do not survive a fork of a process that used them
        "timeout_constant": "30.0",
        "timeout_multiplier": "4.0",
    }
    parser = configparser.ConfigParser()
    parser["mutmut"] = {
        name: told if isinstance(told, str) else "\n".join(["", *told]) for name, told in settings.items()
    }
    with (folder / "setup.cfg").open("w", encoding="utf-8") as file:
        parser.write(file)


def mutmut(folder: Path, *names: str, children: int) -> None:
    """Run some mutants in the copy."""
    command = [str(Path(sys.executable).parent / "mutmut"), "run", "--max-children", str(children), *names]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=environment(folder))
    if done.returncode:
        said = [line.rpartition("\r")[2] for line in (done.stdout + done.stderr).split("\n")]  # not mutmut's spinner
        sys.exit("mutmut failed:\n" + "\n".join(said)[-6000:])


def longest_function(room: str) -> str:
    """Name of the first mutant of the longest function of a room, as mutmut calls it."""
    functions = [
        (node.end_lineno - node.lineno, ".".join(path.relative_to(CHECKOUT).with_suffix("").parts) + f".x_{node.name}")
        for path in sorted((CHECKOUT / room).rglob("*.py"))
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.end_lineno is not None and not node.decorator_list
    ]
    return max(functions)[1] + "__mutmut_1"


def whole_files(folder: Path, budget: float) -> None:
    """Let every test of a file stand for each function that any of them calls; the quickest files, as far as the time goes.

    What a shared fixture calls is noted for the first test that uses it, while the others check what came of it.
    """
    path = folder / "mutants" / "mutmut-stats.json"
    stats = json.loads(path.read_text(encoding="utf-8"))
    seconds = json.loads((folder / "mutants" / SECONDS).read_text(encoding="utf-8"))
    known = list(stats["duration_by_test"])
    for function, tests in stats["tests_by_mangled_function_name"].items():
        quickest = sorted({test.split("::")[0] for test in tests}, key=lambda file: seconds.get(file, 0.0))
        spent = itertools.accumulate(seconds.get(file, 0.0) for file in quickest)
        files = {file for n, (file, until) in enumerate(zip(quickest, spent, strict=True)) if n == 0 or until <= budget}
        stats["tests_by_mangled_function_name"][function] = [t for t in known if t.split("::")[0] in files]
    path.write_text(json.dumps(stats), encoding="utf-8")


def results_of(folder: Path) -> dict[str, int | None]:
    """Exit code of the tests on every mutant; None for one that was not tried."""
    found: dict[str, int | None] = {}
    for meta in sorted((folder / "mutants").rglob("*.meta")):
        found |= json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]
    return found


@functools.cache
def _functions(path: Path) -> dict[str, list[str]]:
    """Source lines of the functions of a file of mutants."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    return {
        node.name: lines[node.lineno - 1 : node.end_lineno]
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef)
    }


def change_of(folder: Path, mutant: str) -> tuple[str, str]:
    """What a mutant changed: its lines before and after."""
    module, _, name = mutant.rpartition(".")
    functions = _functions(folder / "mutants" / Path(*module.split(".")).with_suffix(".py"))
    original = functions[re.sub(r"__mutmut_\d+$", "__mutmut_orig", name)]
    lines = list(difflib.unified_diff(original[1:], functions[name][1:], n=0, lineterm=""))[2:]
    before, after = (" ".join(line[1:].strip() for line in lines if line.startswith(sign)) for sign in "-+")
    return before, after


def means_nothing(before: str, after: str) -> bool:
    """Whether only the letter case of text of several words changed, or whether a zip is strict."""
    loose = [re.sub(r",\s*strict=\w+|,(?=\s*\))", "", line) for line in (before, after)]
    text = before.lower() == after.lower() and bool(re.search(r"""["'][^"']*\s[^"']*["']""", before))
    return text or ("zip(" in before and loose[0] == loose[1])


def mutate_code(folder: Path, room: str, sample: int, rng: random.Random, *, children: int, budget: float) -> Room:
    """Try a sample of a room's mutants."""
    shutil.rmtree(folder / "mutants", ignore_errors=True)
    _functions.cache_clear()
    configure(folder, room)
    mutmut(folder, longest_function(room), children=children)
    whole_files(folder, budget)
    names = sorted(results_of(folder))
    found, chosen = Room(len(names)), dict[str, tuple[str, str]]()
    for name in rng.sample(names, len(names)):
        if len(chosen) == sample:
            break
        change = change_of(folder, name)
        if change[1] in EQUIVALENT:
            found.equivalent += 1
        elif not means_nothing(*change):
            chosen[name] = change
    mutmut(folder, *chosen, children=children)
    codes = results_of(folder)
    for name, (before, after) in chosen.items():
        code = codes[name]
        assert code is not None, name
        found.note(code, name, before, after)
    return found


def table(found: dict[str, Room], *, seed: int, seconds: float, command: str) -> list[str]:
    """The section of RESULTS.md."""
    noticed, tried = sum(room.noticed for room in found.values()), sum(room.tried for room in found.values())
    lines = [
        "## Mutations",
        "",
        f"{datetime.now(UTC):%Y-%m-%d}, `{command}`, seed {seed}: {noticed} of {tried} sampled mutants noticed "
        f"({noticed / max(tried, 1):.0%}).",
        "A mutant is one change of an operator, a comparison, a number, a word, an argument or an assignment. Each is tried on the",
        f"quickest test files of its own room, {seconds:g} s of processor time at most; slower tests may notice more. One of pipelines is",
        f"tried on the quickest test files that run its line, {PIPELINES_S:g} s at most, but for those that start servers,",
        f"browsers or runs of their own ({', '.join(LEFT_OUT)}).",
        "",
        "| room | mutants | sampled | " + " | ".join(COLUMNS) + " | noticed |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, room in found.items():
        counts = " | ".join(str(len(room.found[status])) for status in COLUMNS)
        lines.append(f"| {name} | {room.mutants} | {room.tried} | {counts} | {room.noticed / max(room.tried, 1):.0%} |")
    return lines


def tell(name: str, room: Room) -> None:
    """What no test noticed."""
    for status in ("survived", "no test"):
        for mutant in room.found[status]:
            print(f"{status}: {mutant}")
    left_out = f", {room.equivalent} that change nothing left out" if room.equivalent else ""
    print(f"== {name}: {room.noticed} of {room.tried} noticed{left_out}\n", flush=True)


def main(arguments: Sequence[str]) -> int:
    """Mutate, try, tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("rooms", nargs="*", metavar="room", help=f"all of {', '.join((*ROOMS, PIPELINES))}")
    parser.add_argument("--sample", type=int, default=40, help="mutants of each room (40)")
    parser.add_argument("--kernels", type=int, default=12, help="mutants of compiled functions (12)")
    parser.add_argument("--seed", type=int, default=1, help="another seed draws other mutants (1)")
    parser.add_argument(
        "--seconds", type=float, default=20.0, help="processor time of the test files of one mutant (20)"
    )
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="mutants tried at once")
    parser.add_argument(
        "--folder", type=Path, help="keep the copy here, and what is known of it while the code stays as it is"
    )
    parser.add_argument("--write", action="store_true", help="write the table into tests/studies/RESULTS.md")
    told = parser.parse_args(arguments)
    unknown = [room for room in told.rooms if room not in (*ROOMS, PIPELINES)]
    if unknown:
        parser.error(f"no room {unknown[0]!r}: choose from {', '.join((*ROOMS, PIPELINES))}")
    found: dict[str, Room] = {}
    with contextlib.ExitStack() as stack:
        folder = told.folder or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="mutate-")))
        copy_checkout(folder)
        for room in [room for room in ROOMS if room in (told.rooms or ROOMS)] if told.sample else ():
            found[room] = mutate_code(
                folder, room, told.sample, random.Random(told.seed), children=told.children, budget=told.seconds
            )
            tell(room, found[room])
        if told.sample and PIPELINES in (told.rooms or (PIPELINES,)):
            found[PIPELINES] = mutate_pipelines(folder, told.sample, random.Random(told.seed), children=told.children)
            tell(PIPELINES, found[PIPELINES])
        if told.kernels and "models/tracking" in (told.rooms or ROOMS):
            name = "compiled functions of models/tracking"
            found[name] = mutate_kernels(folder, told.kernels, random.Random(told.seed), children=told.children)
            tell(name, found[name])
    words = [word for word in arguments if word != "--write"]
    lines = table(found, seed=told.seed, seconds=told.seconds, command=" ".join(["python -m tests.mutation", *words]))
    print("\n".join(lines))
    if told.write:
        write_section("mutation", lines)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
