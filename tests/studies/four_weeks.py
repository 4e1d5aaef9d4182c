"""Four weeks of `vansnap serve` within minutes: `python -m tests.studies.four_weeks [--write]`.

Four vans of two depots deliver every Sunday, and the schedule runs on Mondays at 05:00. Every process has a clock of its own
(`other_clock.c`, compiled here by the machine's C compiler), which this one moves on: by six hours at a time where nothing is due,
as it runs where something is. What waits by a clock that only counts (pauses of seconds, the hourly look at messages) does not
notice. In between the server is stopped, killed in the middle of a run, killed and down over a Monday, and killed while it waits. What is
published in the end is held against four runs by hand.
"""

import json
import os
import resource
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pipelines.weekly.flows import run_weekly
from pipelines.weekly.serving import SERVING, running_server
from pipelines.workspace.last_runs import STARTED, last_runs
from pipelines.workspace.log import MOST_BYTES, log_path
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.kept_workspaces import DELIVERED
from tests.killed import in_child
from tests.pipelines.test_flow import free_port
from tests.same_tables import differences
from tests.studies.endure import ROOT
from tests.studies.results import write_section

BEGIN = datetime(2026, 2, 8, 18, tzinfo=UTC)  # a Sunday
MONDAYS = [datetime(2026, 2, 9, 5, tzinfo=UTC) + timedelta(weeks=number) for number in range(4)]
END = BEGIN + timedelta(days=28)
WEEKS = [f"2026-W{number:02}" for number in (6, 7, 8, 9)]
BEFORE = [f"2026-W{number:02}" for number in (2, 3, 4, 5)]
SETTINGS = "[intake]\nworkers = 1\n"
STEP, PAUSE_S, SETTLING_S = timedelta(hours=6), 0.3, 2.0
PATIENCE_S = 900.0
FILLED = json.dumps({"at": "2026-01-01T00:00:00.000+00:00", "event": "filled", "with": "x" * 420}) + "\n"


class Clock:
    """The clock of every process of this study but this one."""

    def __init__(self, folder: Path) -> None:
        library, self._file = folder / "other_clock.so", folder / "ahead"
        source = Path(__file__).with_name("other_clock.c")
        subprocess.run(["cc", "-shared", "-fPIC", "-O2", "-o", library, source, "-ldl"], check=True)
        self._file.write_bytes(bytes(struct.calcsize("l")))
        self.set(BEGIN)
        self.environment = os.environ | {"LD_PRELOAD": str(library), "CLOCK_AHEAD": str(self._file)}

    def set(self, moment: datetime) -> None:
        """Make it a moment."""
        self._ahead = moment - datetime.now(UTC)
        with self._file.open("r+b") as file:  # mapped by every process: never another file
            file.write(struct.pack("l", round(self._ahead.total_seconds())))

    def now(self) -> datetime:
        """What it shows."""
        return datetime.now(UTC) + self._ahead

    def pass_until(self, moment: datetime) -> None:
        """Let the days go by."""
        while (now := self.now()) < moment:
            self.set(min(now + STEP, moment))
            time.sleep(PAUSE_S)


def below(process: int) -> list[int]:
    """A process and what it has started that runs."""
    try:
        children = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii").split()
    except OSError:
        return []
    return [process, *(one for child in children for one in below(int(child)))]


def megabytes(process: int) -> float:
    """Memory of a process and what it has started [MB]."""
    pages = sum(int(Path(f"/proc/{one}/statm").read_text(encoding="ascii").split()[1]) for one in below(process))
    return pages * resource.getpagesize() / 1e6


def deliver(workspace: Workspace, *weeks: str) -> None:
    """Drop deliveries into the inbox."""
    for path in sorted((DELIVERED / "inbox").iterdir()):
        if path.name[:8] in weeks:
            shutil.copy2(path, workspace.inbox)


def new_home(root: Path) -> Workspace:
    """A workspace with the deliveries until the first week."""
    workspace = make_workspace(root, {"settings.toml": SETTINGS})
    shutil.copytree(DELIVERED / "register", workspace.register, dirs_exist_ok=True)
    deliver(workspace, *BEFORE, WEEKS[0])
    return workspace


class Served:
    """A workspace that is served, and what was seen of it."""

    def __init__(self, folder: Path) -> None:
        self.clock, self.told, self.workspace = Clock(folder), folder / "told", new_home(folder / "home")
        log = log_path(self.workspace)
        log.parent.mkdir(parents=True)
        log.write_text(
            FILLED * (MOST_BYTES // len(FILLED)), encoding="utf-8"
        )  # as after years: full with the next line
        self.memory: list[tuple[float, float]] = []
        self.left_running = 0

    def start(self, runs: int) -> None:
        """Serve it, and wait until so many runs have ended, with those that are made up for."""
        begun = self.clock.now()
        command = [sys.executable, "-m", "pipelines.cli", "serve", "--home", str(self.workspace.root)]
        with self.told.open("ab") as told:
            self.serving = subprocess.Popen(
                [*command, "--port", str(free_port())], cwd=ROOT, env=self.clock.environment, stdout=told, stderr=told
            )
        self.wait(lambda: running_server(self.workspace), "a server")
        self.wait(lambda: self._quiet_after(runs), f"run {runs}")
        self.wait(lambda: self._scheduled_since(begun), "the schedule")
        time.sleep(SETTLING_S)
        self.at_start = megabytes(self.serving.pid)

    def _quiet_after(self, runs: int) -> bool:
        """Whether so many runs are on record and none has begun that has not ended."""
        return len(self.runs()) >= runs and not (self.workspace.reports / STARTED).exists()

    def _scheduled_since(self, moment: datetime) -> bool:
        """Whether this life has put up its schedule, which it does once nothing is left to make up for, and its Mondays are planned."""
        kept = sqlite3.connect(f"file:{self.workspace.orchestrator / 'prefect.db'}?mode=ro", uri=True)
        with closing(kept):
            (put_up,) = kept.execute("SELECT max(created) FROM deployment_schedule").fetchone()
            (planned,) = kept.execute("SELECT max(created) FROM flow_run WHERE state_type = 'SCHEDULED'").fetchone()
        return (
            bool(put_up and planned)
            and planned > put_up
            and datetime.fromisoformat(put_up).replace(tzinfo=UTC) > moment
        )

    def end(self, number: int) -> None:
        """End it by a signal."""
        self.memory.append((self.at_start, megabytes(self.serving.pid)))
        started = below(self.serving.pid)
        self.serving.send_signal(number)
        self.serving.wait()
        end = time.monotonic() + 20.0
        while (left := [one for one in started if Path(f"/proc/{one}").exists()]) and time.monotonic() < end:
            time.sleep(0.2)
        self.left_running += len(left)

    def wait(self, what: Callable[[], object], why: str) -> None:
        """Wait until something is so."""
        end = time.monotonic() + PATIENCE_S
        while not what():
            if time.monotonic() > end or self.serving.poll() is not None:
                raise RuntimeError(f"{why} did not come: {self.told.read_text(encoding='utf-8')[-2000:]}")
            time.sleep(0.1)

    def due(self, number: int) -> None:
        """Let the days go by until a Monday's run is over."""
        self.clock.pass_until(MONDAYS[number] - timedelta(seconds=15))
        self.wait(lambda: self._quiet_after(number + 1), f"run {number + 1}")
        time.sleep(SETTLING_S)

    def runs(self, event: str = "run") -> list[dict[str, Any]]:
        """What the log says, oldest first."""
        path = log_path(self.workspace)
        files = sorted(path.parent.glob(f"{path.name}*"), reverse=True)
        told = (json.loads(line) for file in files for line in file.read_text(encoding="utf-8").splitlines())
        return [one for one in told if one["event"] == event]


def live(served: Served) -> bool:
    """Four weeks; whether the run that was killed was said to have failed before it was made up for."""
    clock, workspace = served.clock, served.workspace
    served.start(0)
    served.due(0)
    clock.pass_until(MONDAYS[0] + timedelta(days=2))
    served.end(signal.SIGINT)
    clock.pass_until(MONDAYS[0] + timedelta(days=3))
    served.start(1)
    clock.pass_until(MONDAYS[1] - timedelta(hours=12))
    deliver(workspace, WEEKS[1])
    clock.pass_until(MONDAYS[1] - timedelta(seconds=15))
    served.wait((workspace.reports / STARTED).exists, "run 2")
    time.sleep(1.5)
    served.end(signal.SIGKILL)
    told_failed = last_runs(workspace.root).failing
    clock.pass_until(MONDAYS[1] + timedelta(hours=2))
    served.start(2)
    clock.pass_until(MONDAYS[2] - timedelta(days=2))
    served.end(signal.SIGKILL)  # with the Monday already planned
    clock.pass_until(MONDAYS[2] - timedelta(hours=12))
    deliver(workspace, WEEKS[2])
    clock.pass_until(MONDAYS[2] + timedelta(days=1))
    served.start(3)
    clock.pass_until(MONDAYS[3] - timedelta(hours=12))
    deliver(workspace, WEEKS[3])
    clock.pass_until(MONDAYS[3] - timedelta(hours=7))
    served.end(signal.SIGKILL)
    clock.pass_until(MONDAYS[3] - timedelta(hours=1))
    served.start(3)
    served.due(3)
    clock.pass_until(END)
    served.end(signal.SIGINT)
    return told_failed


def by_hand(root: Path) -> None:
    """The same weeks, run by hand."""
    workspace = new_home(root)
    for number, monday in enumerate(MONDAYS):
        if number:
            deliver(workspace, WEEKS[number])
        run_weekly(workspace, None, quiet=True, now=monday)


def seen(served: Served, told_failed: bool, hand: Path) -> list[str]:
    """What four weeks left, a line each."""
    workspace, runs = served.workspace, served.runs()
    ended = [(datetime.fromisoformat(run["at"]), run["good"], run.get("week")) for run in runs]
    once = sum(
        [(good, week) for at, good, week in ended if monday <= at < monday + timedelta(weeks=1)] == [(True, wanted)]
        for monday, wanted in zip(MONDAYS, WEEKS, strict=True)
    )
    late = [f"{run['due'][:10]}" for run in served.runs("run_missed")]
    drafts = [path.name for path in workspace.root.rglob(".*.part*")]
    stands = [path.name for path in (workspace.reports / STARTED, workspace.orchestrator / SERVING) if path.exists()]
    check = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", "check", "--home", str(workspace.root)],
        cwd=ROOT, env=served.clock.environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    log = log_path(workspace)
    sizes = [file.stat().st_size for file in log.parent.glob(f"{log.name}*")]
    differs = differences(workspace.published_path, hand / "published.duckdb")
    memory = "; ".join(f"{start:.0f} to {end:.0f}" for start, end in served.memory)
    database = (workspace.orchestrator / "prefect.db").stat().st_size / 1e6
    lines = [
        f"Mondays: {once} of {len(MONDAYS)} have one run on record, good and of the week that was due; {len(runs)} runs are on record in all.",
        f"Made up for at the next start: {' and '.join(late) or 'none'} (the first killed in its run, said to have failed until then: "
        f"{'yes' if told_failed else 'no'}; the second with nothing serving, killed days before).",
        f"Published in the end, against four runs by hand: {len(differs)} differences{': ' + differs[0] if differs else ''}.",
        f"Memory of the server and what it starts, at start and end of each of its {len(served.memory)} lives: {memory} MB; history of "
        f"runs {database:.1f} MB.",
        f"Log, full at the begin: {len(sizes)} files, the largest {max(sizes) / 1e6:.2f} MB, every run still in it.",
        f"Left over: {served.left_running} processes, {len(drafts)} drafts, {', '.join(stands) or 'no note of a run or server'}; `check` "
        f"ended with {check.returncode}.",
    ]
    if differs or check.returncode or once < len(MONDAYS) or len(runs) > len(MONDAYS):
        print("\n".join([*differs, *map(repr, runs), check.stdout, served.told.read_text(encoding="utf-8")[-4000:]]))
    return lines


def main() -> None:
    """Live through it, and say what was seen."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="vansnap-weeks-") as made:
        served = Served(Path(made))
        told_failed = live(served)
        in_child(lambda: by_hand(Path(made) / "hand"))
        lines = seen(served, told_failed, Path(made) / "hand")
    lines = [
        "### Four weeks of `vansnap serve`",
        "",
        f"`python -m tests.studies.four_weeks`, {(time.monotonic() - began) / 60:.0f} minutes for 28 days: stopped once, killed three times, stopped in the end.",
        "",
        *(f"* {line}" for line in lines),
    ]
    print("\n".join(lines))
    if "--write" in sys.argv[1:]:
        write_section("four_weeks", lines)


if __name__ == "__main__":
    main()
