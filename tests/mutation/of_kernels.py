"""Mutants of compiled functions, which mutmut passes over because they are decorated."""

import random
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.mutation.by_hand import mutants_of, mutated
from tests.mutation.room import Room
from tests.mutation.trying import PYTEST, environment, try_mutant

FOLDER = "models/tracking/charts"
TESTS = "tests/unit/models/tracking"
KERNELS = {
    "recursion": ("charts/test_recursion.py", "charts/test_alarms.py"),
    "alarms": ("charts/test_alarms.py", "test_assess.py"),
    "onset": ("charts/test_onset.py", "charts/test_first_signs.py"),
    "change_hypotheses": ("charts/test_onset.py", "charts/test_first_signs.py"),
}
"""Files of compiled functions, and their tests."""


def mutate_kernels(folder: Path, sample: int, rng: random.Random, *, children: int) -> Room:
    """Try a sample of mutants of the compiled functions."""
    sources = {stem: (folder / FOLDER / f"{stem}.py").read_text(encoding="utf-8") for stem in KERNELS}
    every = [(stem, n) for stem, source in sources.items() for n in range(mutants_of(source, compiled=True))]
    room = Room(len(every))
    chosen = rng.sample(every, min(sample, len(every)))
    tests = {stem: [f"{TESTS}/{test}" for test in names] for stem, names in KERNELS.items()}
    _compile(folder, sorted({test for names in tests.values() for test in names}))

    def tried(place: tuple[str, int]) -> tuple[int, str, str]:
        stem, number = place
        changed, before, after = mutated(sources[stem], number, compiled=True)
        told = environment(folder) | {"NUMBA_CACHE_DIR": str(_cache_for(folder, stem, number, sources))}
        code = try_mutant(folder, (f"{FOLDER}/{stem}.py", number), changed, tests[stem], told)
        shutil.rmtree(told["NUMBA_CACHE_DIR"])
        return code, before, after

    with ThreadPoolExecutor(children) as pool:
        for (stem, _), (code, before, after) in zip(chosen, pool.map(tried, chosen), strict=True):
            room.note(code, f"{FOLDER}/{stem}.py", before, after)
    return room


def _compile(folder: Path, tests: list[str]) -> None:
    """Compile what the tests call, as it is."""
    command = [*PYTEST, *tests]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, env=environment(folder))
    if done.returncode:
        sys.exit(f"the tests fail on the code as it is:\n{done.stdout[-3000:]}")


def _cache_for(folder: Path, stem: str, number: int, sources: dict[str, str]) -> Path:
    """Compiled functions but for those of the changed file and of files that call them: numba looks at the file alone."""
    calling = {name for name, source in sources.items() if re.search(rf"\.{stem} import", source)} | {stem}
    cache = folder / "caches" / f"{stem}-{number}"
    shutil.copytree(
        folder / "compiled", cache, ignore=lambda _, names: [name for name in names if name.split(".")[0] in calling]
    )
    return cache
