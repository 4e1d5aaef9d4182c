"""Odd circumstances, each tried on the small workspace of `endure_life.py`: `python -m tests.studies.circumstances [--write]`.

Two runs started at once, ten readers while weeks are published, and a run whose share knows no locks. The clock that was set back
is in `tests/pipelines/test_clock.py`.
"""

import errno
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.killed import in_child
from tests.studies import endure_life as life
from tests.studies.endure import ROOT, state
from tests.studies.results import write_section

PAIRS, READERS, PUBLISHED = 3, 10, 20


def weekly(home: Path) -> "subprocess.Popen[str]":
    """A run, started."""
    command = [sys.executable, "-c", "from pipelines.cli import main; main()", "weekly", "--home", str(home)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


def two_at_once(root: Path, folder: Path) -> str:
    """Two runs of one workspace, up to a second apart; what they leave against one run alone."""
    rng = random.Random(1)
    alone = folder / "alone"
    shutil.copytree(root, alone)
    if weekly(alone / "home").wait() != 0:
        raise RuntimeError("the run alone failed")
    wanted = state(alone)
    refused, differing = 0, 0
    for number in range(PAIRS):
        pair = folder / f"pair{number}"
        shutil.copytree(root, pair)
        first = weekly(pair / "home")
        time.sleep(rng.uniform(0.0, 1.0))
        ended = [[*one.communicate()[1].splitlines(), str(one.returncode)] for one in (first, weekly(pair / "home"))]
        codes = sorted(one[-1] for one in ended)
        refused += codes == ["0", "3"] and all(len(one) == 2 for one in ended if one[-1] == "3")
        found = state(pair)
        differing += any(found.get(key) != wanted.get(key) for key in {*found, *wanted})
    return (
        f"Two runs at once, {PAIRS} pairs up to a second apart: in {refused} the second ended with 3 and one line, in "
        f"{PAIRS - refused} it came when the first was done; {differing} left anything else than one run alone."
    )


def _read(home: Path, out: Path, stop: Path) -> None:
    """One reader: ask for week, list and orders of one opened file, again and again."""
    from pipelines.read_side.published import open_published

    asked, answers, errors = 0, set(), []
    while not stop.exists():
        try:
            published = open_published(home)
            week = published.ask("SELECT week FROM runs").item()
            rows = published.ask("SELECT count(*) FROM trends").item()
            answers.add((week, rows))
        except Exception as error:
            errors.append(f"{type(error).__name__}: {error}")
        asked += 1
    out.write_text(json.dumps({"asked": asked, "answers": sorted(answers), "errors": errors}), encoding="utf-8")


def _publish(home: Path, week: str) -> None:
    from pipelines.storage.publish import publish
    from pipelines.storage.warehouse import Warehouse

    with Warehouse(home / "warehouse.duckdb") as warehouse:
        publish(warehouse, home / "published.duckdb", week=week)


def _two_weeks(root: Path) -> None:
    for work in (life.STAGES["intake"], life.STAGES["reading"], life.STAGES["tracking"], life.STAGES["publishing"]):
        work(root)


def ten_readers(root: Path, folder: Path) -> str:
    """Readers while two weeks are published in turn; every answer has to be of one of the two, as a whole."""
    place = folder / "read"
    shutil.copytree(root, place)
    in_child(lambda: _two_weeks(place))
    home, stop = place / "home", folder / "stop"
    children = []
    for number in range(READERS):
        child = os.fork()
        if child == 0:
            _read(home, folder / f"reader{number}.json", stop)
            os._exit(0)
        children.append(child)
    for number in range(PUBLISHED):
        in_child(lambda: _publish(home, (life.BEFORE, life.AFTER)[number % 2]))  # noqa: B023 - waited for
    stop.touch()
    for child in children:
        os.waitpid(child, 0)
    told: list[dict[str, Any]] = [
        json.loads((folder / f"reader{number}.json").read_text(encoding="utf-8")) for number in range(READERS)
    ]
    answers = {tuple(one) for reader in told for one in reader["answers"]}
    errors = [line for reader in told for line in reader["errors"]]
    asked = sum(int(reader["asked"]) for reader in told)
    return (
        f"Ten readers while two weeks were published {PUBLISHED} times in turn: {asked} times opened and asked, {len(errors)} errors"
        f"{' (' + errors[0] + ')' if errors else ''}, {len(answers)} different answers (2 are right)."
    )


def _but_the_notes(root: Path) -> dict[str, str]:
    """What is there but the notes that runs failed."""
    return {
        key: value
        for key, value in state(root).items()
        if not any(note in key for note in ("last_runs", "/logs/", "/.lock"))
    }


def without_locks(root: Path, folder: Path) -> str:
    """A share whose file system refuses locks, in the ways that Linux does."""
    from pipelines.cli import run

    place = folder / "share"
    shutil.copytree(root, place)
    before = _but_the_notes(place)
    lines = []
    for number in (errno.ENOLCK, errno.EOPNOTSUPP, errno.EIO):
        with patch("fcntl.flock", side_effect=OSError(number, os.strerror(number))):
            lines.append(run(["weekly", "--home", str(place / "home")]))
    now = _but_the_notes(place)
    changed = sorted(key for key in {*now, *before} if now.get(key) != before.get(key))
    return (
        f"A share without locks ({len(lines)} ways in which it may say so): {sum(code == 2 for code in lines)} ended with 2 and one line, "
        f"{', '.join(changed) or 'nothing'} changed but the notes of it."
    )


def main() -> None:
    """Try each; a line each."""
    with tempfile.TemporaryDirectory(prefix="vansnap-odd-") as made:
        folder = Path(made)
        root = folder / "begun"
        in_child(lambda: life.begun(root))
        lines = [two_at_once(root, folder), ten_readers(root, folder), without_locks(root, folder)]
    lines = [
        "### Odd circumstances",
        "",
        "`python -m tests.studies.circumstances`",
        "",
        *(f"* {line}" for line in lines),
    ]
    print("\n".join(lines))
    if "--write" in sys.argv[1:]:
        write_section("circumstances", lines)


if __name__ == "__main__":
    main()
