"""One reader against so many damaged files: what ends in no line, takes too long, grows, or tells in more than a line."""

import gc
import random
import resource
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from tests.fuzz.mutations import mutated
from tests.fuzz.targets import Target, targets, told_by

LONGEST_S = 10.0
"""Of this process, however busy the machine is; what is read apart has bounds of its own. [s]"""
MOST_GROWTH = 1024.0
"""Of the process's peak over all tries of a reader. [MB]"""


@dataclass
class Outcome:
    """What came of a reader's tries.

    Attributes
    ----------
    tries, refused : int
        Files read, and those of them it told something of.
    slowest_s, growth_mb : float
        Processor time of the slowest file [s]; growth of the process's peak memory over all of them [MB].
    findings : list of str
        What a user must not meet, with the try's number first.
    """

    tries: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    growth_mb: float = 0.0
    findings: list[str] = field(default_factory=list)


def tried(
    name: str, target: Target, seed: int, tries: int, *, until: float | None = None, keep: Path | None = None
) -> Outcome:
    """Damage a reader's sound files, each try by a generator of its own, and note what goes wrong.

    Parameters
    ----------
    name : str
        The reader's name; with seed and the try's number it fixes the file.
    target : Target
        The reader.
    seed, tries : int
    until : float, optional
        Moment of `time.monotonic` after which no try begins. [s]
    keep : Path, optional
        Folder for files that lead to a finding.
    """
    outcome = Outcome()
    before = peak_mb()
    for number in range(tries):
        if until is not None and time.monotonic() > until:
            break
        content = damaged(name, target, seed, number)
        begun = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            lines, fault = _read(target, Path(folder), content)
        took = time.process_time() - begun
        outcome.tries += 1
        outcome.refused += bool(lines)
        outcome.slowest_s = max(outcome.slowest_s, took)
        faults = [fault] if fault else [f"not one line: {line!r}" for line in lines if not line.isprintable()]
        if took > LONGEST_S:
            faults.append(f"took {took:.0f} s")
        outcome.findings += [f"{number}: {each[:300]}" for each in faults]
        if faults and keep is not None:
            (keep / f"{name.replace(' ', '-')}-{seed}-{number}").write_bytes(content)
    gc.collect()
    outcome.growth_mb = peak_mb() - before
    if outcome.growth_mb > MOST_GROWTH:
        outcome.findings.append(f"grew by {outcome.growth_mb:.0f} MB")
    return outcome


def reader(name: str, seed: int, tries: int, until: float | None, keep: Path | None, evidence: Path) -> Outcome:
    """`tried` by name, in a process of its own; a slow reader's share of the tries."""
    with tempfile.TemporaryDirectory() as folder:
        target = targets(Path(folder), evidence)[name]
        return tried(name, target, seed, max(int(tries * target.share), 1), until=until, keep=keep)


def damaged(name: str, target: Target, seed: int, number: int) -> bytes:
    """The file of one try."""
    rng = random.Random(f"{name} {seed} {number}")
    return mutated(rng.choice(target.sound), rng, target.sound)


def peak_mb() -> float:
    """Highest memory this process and its ended children have held. [MB]"""
    return max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024.0


def _read(target: Target, folder: Path, content: bytes) -> tuple[list[str], str]:
    """Lines told, and what no user should see: an error of another kind, or no end."""
    try:
        with _alarm(6 * LONGEST_S), warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)  # nor is one of numpy's for users
            return told_by(target, folder, content), ""
    except TimeoutError:
        return [], "no end"
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        return [], f"{type(error).__name__}: {error} ({Path(place.filename).name} {place.lineno})"


@contextmanager
def _alarm(seconds: float) -> Iterator[None]:
    def end(_signal: int, _frame: FrameType | None) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, end)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
