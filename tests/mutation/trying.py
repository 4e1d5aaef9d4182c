"""One mutant of our own and its tests: the files stay as they are, the changed module is imported in place of one of them."""

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

PYTEST = (
    *(sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "tests.mutation.in_process"),
    *("-m", "not browser and not orchestrator and not study"),
)
"""Without tests that start browsers or servers, which would not see a mutant."""
LONGEST_S = 600.0
"""After that a mutant is out of time. [s]"""


def environment(folder: Path) -> dict[str, str]:
    """Of the processes that run tests: where compiled functions and the judged small fleet are kept."""
    kept = {"NUMBA_CACHE_DIR": folder / "compiled", "VANSNAP_JUDGED_SMALL": folder / "judged"}
    return os.environ | {
        name: str(path) for name, path in kept.items() if name != "VANSNAP_JUDGED_SMALL" or path.exists()
    }


def try_mutant(
    folder: Path, place: tuple[str, int], changed: str, tests: Sequence[str], told: Mapping[str, str]
) -> int:
    """Run the tests of one mutant.

    Parameters
    ----------
    folder : Path
        Copy of the checkout.
    place : (str, int)
        File within it, and the number of the mutation.
    changed : str
        The whole file, changed.
    tests : sequence of str
        Test files, run in this order until one fails.
    told : mapping of str to str
        Environment.

    Returns
    -------
    int
        Exit code, by `STATUS` of `room.py`.
    """
    if not tests:
        return 5
    module = ".".join(Path(place[0]).with_suffix("").parts)
    source = folder / "changed" / f"{module}-{place[1]}.py"
    source.parent.mkdir(exist_ok=True)
    source.write_text(changed, encoding="utf-8")
    told = {**told, "VANSNAP_MUTANT": f"{module}={source}"}
    try:
        command = [*PYTEST, *tests]
        done = subprocess.run(command, cwd=folder, capture_output=True, timeout=LONGEST_S, check=False, env=told)
    except subprocess.TimeoutExpired:
        return 36
    return done.returncode
