"""Mutants of pipelines, each tried on the quickest test files that run the changed line."""

import itertools
import json
import random
import subprocess
import sys
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.mutation.by_hand import mutants_of, mutated, span_of
from tests.mutation.room import Room
from tests.mutation.trying import PYTEST, environment, try_mutant

PIPELINES = "pipelines"
PIPELINES_S = 60.0
"""Processor time of the test files of one mutant, with what their processes import. [s]"""
LEFT_OUT = ("intake_killed", "wheel")
"""Tests whose runs are processes of their own, which would not see a mutant."""


def mutate_pipelines(folder: Path, sample: int, rng: random.Random, *, children: int) -> Room:
    """Try a sample of mutants of pipelines."""
    _judge_small_fleet(folder)
    sources = {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8") for path in (folder / PIPELINES).rglob("*.py")
    }
    every = [(name, n) for name in sorted(sources) for n in range(mutants_of(sources[name], compiled=False))]
    room = Room(len(every))
    chosen = rng.sample(every, min(sample, len(every)))
    with ThreadPoolExecutor(children) as pool:
        run = lines_run(folder, pool)
        tests = [_tests_of(sources[name], name, number, run) for name, number in chosen]
        changes = [mutated(sources[name], number, compiled=False) for name, number in chosen]
        tasks = zip(chosen, changes, tests, strict=True)
        codes = list(pool.map(lambda one: try_mutant(folder, one[0], one[1][0], one[2], environment(folder)), tasks))
    for (name, _), (_, before, after), code in zip(chosen, changes, codes, strict=True):
        room.note(code, name, before, after)
    return room


def lines_run(folder: Path, pool: ThreadPoolExecutor) -> Mapping[str, tuple[float, Mapping[str, set[int]]]]:
    """Per test file that touches pipelines, quickest first: processor time, and which lines of which file it runs. [s]"""
    files = [
        str(test.relative_to(folder))
        for test in sorted((folder / "tests").rglob("test_*.py"))
        if test.stem.removeprefix("test_") not in LEFT_OUT and PIPELINES in test.read_text(encoding="utf-8")
    ]
    told = dict(zip(files, pool.map(lambda file: _lines_of(folder, file), files), strict=True))
    found = {
        name: (one["seconds"], {file: set(lines) for file, lines in one["lines"].items()}) for name, one in told.items()
    }
    return dict(sorted(found.items(), key=lambda item: item[1][0]))


def _lines_of(folder: Path, test: str) -> dict[str, Any]:
    out = folder / "lines" / (test.replace("/", ".") + ".json")
    out.parent.mkdir(exist_ok=True)
    if out.exists():  # a folder is kept for code that stays as it is
        kept: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        return kept
    command = [*PYTEST, test]
    told = environment(folder) | {"VANSNAP_LINES_RUN": str(out)}
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=told)
    if done.returncode not in (0, 5):
        out.unlink(missing_ok=True)
        sys.exit(f"{test} fails on the code as it is:\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
    found: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    return found


def _tests_of(
    source: str, name: str, number: int, run: Mapping[str, tuple[float, Mapping[str, set[int]]]]
) -> list[str]:
    """The quickest test files that run a mutant's statement, as far as the time goes; at least one."""
    first, last = span_of(source, number)
    files = [test for test, (_, lines) in run.items() if lines.get(name, set()) & set(range(first, last + 1))]
    spent = itertools.accumulate(run[test][0] for test in files)
    return [test for n, (test, until) in enumerate(zip(files, spent, strict=True)) if n == 0 or until <= PIPELINES_S]


def _judge_small_fleet(folder: Path) -> None:
    """Judge the small fleet once, by the code as it is."""
    if not (folder / "judged").exists():
        code = (
            "from pathlib import Path; from tests.pipelines.small_home import judged_small_home as j; j(Path('judged'))"
        )
        subprocess.run(
            [sys.executable, "-c", code], cwd=folder, check=True, env=environment(folder), capture_output=True
        )
