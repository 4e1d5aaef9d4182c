"""A full disk: one line that names the file, exit 2, nothing half-made left, and what was there as it was.

The disk is made full by the largest file a process may write (RLIMIT_FSIZE), in a process of its own.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
from collections import namedtuple
from contextlib import nullcontext
from functools import partial
from pathlib import Path

import duckdb
import pytest

from data_contracts.errors import NoRoomError, WorkspaceBusyError
from pipelines.storage import room
from pipelines.storage import warehouse as warehouses
from pipelines.storage.publish import publish, published_run
from pipelines.storage.room import ask_for_room, is_full, room_for, size_of
from pipelines.storage.warehouse import Warehouse, clear_spilled
from pipelines.weekly.flows import may_pass, run_weekly
from pipelines.weekly.on_schedule import _hold, scheduled_run
from pipelines.workspace.drafts import draft_of
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, recording, row
from tests.pipelines.small_home import copied_home

DRIVER = """
import json, resource, sys
from pathlib import Path
from data_contracts.errors import VansnapError
from pipelines.cli import run
from pipelines.storage.publish import publish
from pipelines.storage.warehouse import open_warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace

def attempt(what, limit):
    home = Path(what["home"])
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        if "run" in what:
            return run([*what["run"], "--home", str(home)])
        if "publish" in what:
            with open_warehouse(Workspace(home)) as warehouse:
                publish(warehouse, Workspace(home).published_path, week=what["publish"])
        else:
            steps.intake(home)
        return 0
    except Exception as error:
        from pipelines.commands.failures import exit_code
        return exit_code(error, ["--home", str(home)])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))

import pipelines.weekly.judging, models.tracking.assess, pipelines.commands.decide  # caches are written before the disk is full
for line in sys.stdin:
    what = json.loads(line)
    code = attempt(what, what["limit"])
    print("\\nended " + json.dumps(code), flush=True)
    print("ended", file=sys.stderr, flush=True)
"""
Ended = namedtuple("Ended", "code said told")


def attempts(*asked: dict[str, object]) -> list[Ended]:
    """What each attempt came to, all in one process."""
    given = "".join(json.dumps(one) + "\n" for one in asked)
    ended = subprocess.run(
        [sys.executable, "-c", DRIVER], input=given, capture_output=True, text=True, timeout=300, check=True
    )
    told = ended.stderr.split("ended\n")
    parts = ended.stdout.split("\nended ")
    codes = [int(part.split("\n")[0]) for part in parts[1:]]
    said = [parts[0], *(part.partition("\n")[2] for part in parts[1:])]
    return [Ended(*one) for one in zip(codes, said, told, strict=False)]


def files(home: Workspace) -> set[str]:
    """Files of a workspace, without those of a lock and of how runs went."""
    left_out = {".lock"}
    return {str(p.relative_to(home.root)) for p in home.root.rglob("*") if p.is_file() and p.name not in left_out}


def test_every_write_that_finds_no_room_says_so_and_leaves_nothing(judged_small: Workspace, tmp_path: Path) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    with duckdb.connect(str(home.published_path), read_only=True) as published:
        order = published.execute("SELECT order_id FROM work_orders WHERE state = 'proposed' ORDER BY 1").fetchone()
        week = published.execute("SELECT max(week) FROM runs").fetchone()
    assert order is not None
    assert week is not None
    before, content = files(home), home.published_path.read_bytes()
    decide = ["decide", order[0], "accepted", "--person", "foreman"]
    refused, publishing, stands, now = attempts(
        {"home": str(home.root), "run": decide, "limit": 64},
        {"home": str(home.root), "publish": week[0], "limit": 200_000},
        {"home": str(home.root), "run": decide, "limit": 20_000},
        {"home": str(home.root), "run": ["decide", order[0], "booked", "--person", "foreman"], "limit": 10**10},
    )
    assert refused.code == 2
    assert f"no room on the disk to write {home.decisions}" in refused.told
    assert "make room, then run again" in refused.told
    assert refused.told.count("\n") == 1

    assert publishing.code == 2
    assert f"no room on the disk to write {home.published_path}: needs" in publishing.told
    assert "MB are free" in publishing.told
    assert stands.code == 0
    assert "accepted (written down, and it stands" in stands.said
    assert "no room on the disk to write" in stands.said
    assert now.code == 0
    assert files(home) - before == {name for name in files(home) - before if name.startswith("decisions/taken/")}
    assert home.published_path.read_bytes() != content  # the last decision is published, and the one that stood
    with duckdb.connect(str(home.published_path), read_only=True) as published:
        found = published.execute('SELECT state FROM order_events WHERE order_id = ? ORDER BY "at"', order).fetchall()
    assert found == [("accepted",), ("booked",)]


def test_an_intake_that_finds_no_room_is_done_by_the_next(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1, samples=60_000)})
    shutil.copytree(home.inbox / "one", tmp_path / "one")
    for limit in (2_000, 60_000):
        ended, again = attempts(
            {"home": str(home.root), "step": "intake", "limit": limit},
            {"home": str(home.root), "step": "intake", "limit": 10**10},
        )
        assert ended.code == 2, ended
        assert "no room on the disk to write" in ended.told
        assert ended.told.count("\n") == 1
        assert again.code == 0, again
        assert not [name for name in files(home) if name.endswith((".part", ".wal"))]
        assert [path.name for path in home.delivered.iterdir()][-1:] == ["one.tar.zst"]
        shutil.rmtree(home.root)
        home = make_home(tmp_path / "home")
        shutil.copytree(tmp_path / "one", home.inbox / "one")


def test_room_is_asked_for_before_a_run_begins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = make_home(tmp_path / "home")
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1)})
    ask_for_room(home)
    Usage = namedtuple("Usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(10**9, 10**9 - 10**6, 10**6))
    with pytest.raises(NoRoomError, match=r"needs about 33\.6 MB, 1\.0 MB are free: make room"):
        ask_for_room(home)
    assert size_of(home.inbox) > 20_000


def test_a_week_is_asked_room_for_as_large_as_the_warehouse_and_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home")
    with home.warehouse_path.open("wb") as file:
        file.truncate(10**9)
    for free, enough in ((1_500_000_000, False), (1_540_000_000, True)):
        monkeypatch.setattr(room, "free_at", lambda path, free=free: free)
        with nullcontext() if enough else pytest.raises(NoRoomError, match=r"needs about 1,5\d\d\.\d MB"):
            ask_for_room(home)


@pytest.mark.parametrize("by_schedule", [False, True])
def test_room_is_asked_for_once_what_a_killed_run_left_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, by_schedule: bool
) -> None:
    home = make_home(tmp_path / "home")
    left = draft_of(home.root / "shapes.parquet")
    left = left.with_name(left.name.replace(f"-{os.getpid()}.part", f"-{_ended()}.part"))
    spilled = home.root / "warehouse.duckdb.tmp" / "duckdb_temp_storage_DEFAULT-0.tmp"
    spilled.parent.mkdir()
    for file in (left, spilled):
        file.write_bytes(bytes(1000))
    asked = []

    def no_room_at_all(path: Path) -> int:
        asked.append((left.exists(), spilled.parent.exists()))
        return 0

    monkeypatch.setattr(room, "free_at", no_room_at_all)
    with home.held(), pytest.raises(WorkspaceBusyError):  # what another run has drafted is let be
        run_weekly(home, None, quiet=True)
    assert not asked
    assert left.exists()
    begin = partial(run_weekly, home, None, quiet=True)
    if by_schedule:
        begin = partial(scheduled_run, home.root, _hold, lambda: pytest.fail("it began"), None)
    with pytest.raises(NoRoomError, match="nothing was begun"):
        begin()
    assert asked == [(False, False)]


def _ended() -> int:
    """Number of a process that has ended."""
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        pass
    return process.pid


def test_of_what_was_spilled_only_files_of_the_database_go_and_no_link_is_followed(tmp_path: Path) -> None:
    path = tmp_path / "warehouse.duckdb"
    clear_spilled(path)
    elsewhere = tmp_path / "elsewhere"
    for folder in (tmp_path / "warehouse.duckdb.tmp", elsewhere):
        folder.mkdir()
        for name in ("duckdb_temp_storage_DEFAULT-0.tmp", "duckdb_temp_block-7.block", "notes.txt"):
            (folder / name).touch()
    clear_spilled(path)
    assert [one.name for one in (tmp_path / "warehouse.duckdb.tmp").iterdir()] == ["notes.txt"]
    shutil.rmtree(tmp_path / "warehouse.duckdb.tmp")
    (tmp_path / "warehouse.duckdb.tmp").symlink_to(elsewhere)
    clear_spilled(path)
    assert len(list(elsewhere.iterdir())) == 3


SPILLS = """
import duckdb, os, signal, sys, threading, time
from pathlib import Path

folder = Path(sys.argv[1] + ".tmp")

def killed():
    while not folder.is_dir() or not any(one.stat().st_size for one in folder.iterdir()):
        time.sleep(0.01)
    os.kill(os.getpid(), signal.SIGKILL)

connection = duckdb.connect(sys.argv[1], config={"memory_limit": "60MB", "threads": 2})
threading.Thread(target=killed, daemon=True).start()
connection.execute(sys.argv[2])
"""
SORTING = "CREATE TABLE sorted AS SELECT hash(i)::VARCHAR AS v, i, hash(i + 1)::VARCHAR AS t FROM range(6000000) t(i) ORDER BY v"


def test_what_a_database_spilled_before_it_was_killed_is_known_by_its_names(tmp_path: Path) -> None:
    path = tmp_path / "warehouse.duckdb"
    ended = subprocess.run([sys.executable, "-c", SPILLS, str(path), SORTING], timeout=100, check=False)
    assert ended.returncode == -signal.SIGKILL
    assert (tmp_path / "warehouse.duckdb.tmp").is_dir()
    clear_spilled(path)
    assert not (tmp_path / "warehouse.duckdb.tmp").exists()


def test_a_disk_too_full_to_spill_is_full_and_little_memory_is_not(tmp_path: Path) -> None:
    little = {"memory_limit": "60MB", "threads": 2}
    path = tmp_path / "full.duckdb"
    with (
        duckdb.connect(str(path), config=little | {"max_temp_directory_size": "1MB"}) as full,
        pytest.raises(NoRoomError, match="make room, then run again"),
        room_for(path),
    ):
        full.execute(SORTING)
    with duckdb.connect(config={"memory_limit": "20MB", "threads": 2, "temp_directory": ""}) as small:
        with pytest.raises(duckdb.OutOfMemoryException) as told:
            small.execute(SORTING)
        assert not is_full(told.value)


def test_where_the_bound_of_memory_does_not_do_the_week_is_published_without_it(
    judged_small: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    week, before = published_run(home.published_path, whole=False), size_of(home.published_path)
    assert week is not None
    home.published_path.unlink()
    monkeypatch.setattr(warehouses, "LITTLE_MEMORY", 1_000)
    with Warehouse(home.warehouse_path) as warehouse:
        with pytest.raises(duckdb.OutOfMemoryException), warehouse.little_memory():
            warehouse.query("SELECT * FROM readings ORDER BY ALL")
        publish(warehouse, home.published_path, week=week[0])
    assert published_run(home.published_path) == week
    assert size_of(home.published_path) == pytest.approx(before, rel=0.2)
    assert not list(home.root.glob(".*.part*"))


def test_a_full_disk_is_known_by_what_led_to_an_error_and_is_not_tried_again() -> None:
    full = OSError(28, "No space left on device")
    for error in (full, duckdb.IOException("IO Error: Could not write file: No space left on device")):
        assert is_full(error)
        assert not may_pass(error)
        wrapped = ValueError("something else")
        wrapped.__cause__ = error
        assert is_full(wrapped)
    for other in (OSError(5, "Input/output error"), duckdb.IOException("IO Error: Could not set lock"), None):
        assert not is_full(other)
