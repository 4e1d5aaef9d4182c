"""Tracking by partition on workers of a cluster: the same findings as here, whatever becomes of workers, files and runs."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.tracking.assess import Assessment
from models.tracking.state.told import KINDS, Part, Piece, part_of
from pipelines.storage.record_file import from_parquet, to_parquet
from pipelines.weekly import read_captures
from pipelines.weekly.track_on_cluster import TrackingOnCluster, _found, _Partition
from pipelines.workspace.cluster_settings import ClusterSettings
from pipelines.workspace.workspace import Workspace
from sample_fleet.make_small import FIRST_RUN
from tests.pipelines.small_home import lay_decisions, run_steps, small_home
from tests.pipelines.tracked_fleet import VISITS, fleet, judged
from tests.same_tables import differences

distributed = pytest.importorskip("distributed")

LATE = "2026-W05-"
"""Deliveries that come in with the second run."""


@pytest.fixture(scope="module")
def alone() -> Assessment:
    """As one machine judges it, in one piece."""
    return judged()


@pytest.fixture
def small_pieces(alone: Assessment, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.tracking.parts.AT_A_TIME", VISITS)


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def on(cluster: ClusterSettings, told: list[str], tmp_path: Path, small_pieces: None) -> TrackingOnCluster:
    """The two workers, with a folder to share."""
    settings = cluster.model_copy(update={"storage": str(tmp_path / "shared")})
    return TrackingOnCluster(settings, threads=1, say=told.append)


def assert_same(found: Assessment, alone: Assessment) -> None:
    for name in ("captures", "trends", "states"):
        assert getattr(found, name).equals(getattr(alone, name), null_equal=True), name
    for name, table in vars(alone.residuals).items():
        other = getattr(found.residuals, name)
        if isinstance(table, np.ndarray):
            np.testing.assert_array_equal(other, table)
        else:
            assert other == table
    assert found.notices == alone.notices
    assert repr(found.model_cards) == repr(alone.model_cards)


def files_in(folder: Path, ending: str) -> dict[str, tuple[int, bytes]]:
    """When each was written, and what it holds."""
    return {one.name: (one.stat().st_mtime_ns, one.read_bytes()) for one in folder.glob(f"*-{ending}.parquet")}


def test_what_workers_find_is_what_one_machine_finds(
    on: TrackingOnCluster, told: list[str], tmp_path: Path, alone: Assessment
) -> None:
    assert fleet().frame["family"].n_unique() == 3
    assert alone.states["listed"].any()
    assert_same(judged(on.tell), alone)
    assert told == []
    assert len(files_in(tmp_path / "shared", "found")) > 4
    assert not files_in(tmp_path / "shared", "given")
    on.forget()
    assert not (tmp_path / "shared").exists()
    on.forget()
    assert told == []


def test_a_week_on_a_cluster_is_the_week_of_one_machine(
    cluster: ClusterSettings,
    small_pieces: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """The small fleet twice: repaired, corrected, decided on, and a week of it late."""
    monkeypatch.setattr(read_captures, "_LEAST_RECORDINGS", 50)
    monkeypatch.setattr(read_captures, "_POOL_FROM", 1)
    homes: list[Workspace] = []
    shared: list[int] = []
    given = TrackingOnCluster._given

    def counted(self: TrackingOnCluster, piece: Piece, names: list[str]) -> Any:
        shared.append(len(names) + 1)
        return given(self, piece, names)

    monkeypatch.setattr(TrackingOnCluster, "_given", counted)
    for scheduler in ("", cluster.scheduler):
        home = small_home(tmp_path / f"home-{len(homes)}")
        text = home.settings_path.read_text(encoding="utf-8")
        assert 'scheduler = ""' in text
        home.settings_path.write_text(text.replace('scheduler = ""', f'scheduler = "{scheduler}"'), encoding="utf-8")
        late = tmp_path / "late"
        late.mkdir()
        for delivery in sorted(home.inbox.glob(f"{LATE}*")):
            shutil.move(delivery, late)
        run_steps(home, FIRST_RUN)
        lay_decisions(home)
        for delivery in late.iterdir():
            shutil.move(delivery, home.inbox)
        late.rmdir()
        run_steps(home)
        homes.append(home)
        assert bool(shared) == bool(scheduler)
    assert differences(*(home.published_path for home in homes)) == []
    assert shared[-1] == max(shared) >= 4
    assert shared.count(1) == 2
    assert not (homes[1].root / "partitions").exists()
    assert "cluster:" not in capfd.readouterr().err


def test_a_worker_killed_in_mid_partition_changes_nothing(
    on: TrackingOnCluster, told: list[str], tmp_path: Path, cluster: ClusterSettings, alone: Assessment
) -> None:
    killed: list[int] = []

    def kill() -> None:
        while not files_in(tmp_path / "shared", "found"):
            time.sleep(0.01)
        with distributed.Client(cluster.scheduler, set_as_default=False) as client:
            killed.append(next(iter(client.run(os.getpid).values())))
            os.kill(killed[0], signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    found = judged(on.tell)
    killer.join()
    assert killed
    assert_same(found, alone)
    assert told == []


def test_a_run_killed_in_tracking_goes_on_where_it_stopped(
    on: TrackingOnCluster, told: list[str], tmp_path: Path, cluster: ClusterSettings, alone: Assessment
) -> None:
    shared = tmp_path / "shared"
    command = [sys.executable, "-m", "tests.pipelines.tracked_fleet", cluster.scheduler, str(shared)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    time.sleep(0.5)  # what its workers were at
    before = files_in(shared, "found")
    assert len(before) >= 2
    assert_same(judged(on.tell), alone)
    after = files_in(shared, "found")
    assert {name: after[name] for name in before} == before, "what was found is taken, not made again"
    assert len(after) > len(before)
    assert told == []
    on.forget()
    assert not shared.exists()


def pieces() -> list[Piece]:
    kept: list[Piece] = []

    def tell(work: Callable[[Piece], Part], some: list[Piece]) -> list[Part]:
        kept.extend(some)
        return [work(piece) for piece in some]

    judged(tell)
    return kept


def test_a_partition_done_twice_is_the_same_file(on: TrackingOnCluster, tmp_path: Path) -> None:
    names: list[str] = []
    partition = on._given(pieces()[1], names)
    assert partition == _Partition(str(tmp_path / "shared"), names[0])
    _found(partition)
    ((name, (_, once)),) = files_in(tmp_path / "shared", "found").items()
    assert name.startswith(names[0])
    (tmp_path / "shared" / name).unlink()
    _found(partition)
    twice = files_in(tmp_path / "shared", "found")
    assert twice[name][1] == once
    _found(partition)
    assert files_in(tmp_path / "shared", "found") == twice


def test_a_damaged_result_is_made_here_and_said(
    on: TrackingOnCluster, told: list[str], tmp_path: Path, alone: Assessment
) -> None:
    judged(on.tell)
    path = sorted((tmp_path / "shared").glob("*-found.parquet"))[1]
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert_same(judged(on.tell), alone)
    assert len(told) == 1
    assert "done on this machine instead" in told[0]


def test_a_worker_that_reads_something_else_leaves_the_tracking_here(
    on: TrackingOnCluster, told: list[str], alone: Assessment, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipelines.weekly.track_on_cluster._name", lambda content: "0" * 64)
    assert_same(judged(on.tell), alone)
    assert len(told) == 1
    assert "is not what was written" in told[0]


def test_no_scheduler_no_delay_and_nothing_written(
    told: list[str], tmp_path: Path, small_pieces: None, alone: Assessment, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipelines.weekly.batches._ANSWER_S", 0.5)
    nobody = ClusterSettings(scheduler="tcp://127.0.0.1:1", storage=str(tmp_path / "shared"))
    assert_same(judged(TrackingOnCluster(nobody, threads=2, say=told.append).tell), alone)
    assert len(told) == 1
    assert told[0].startswith("cluster: ")
    assert not (tmp_path / "shared").exists()


def test_a_piece_and_what_is_found_of_it_come_back_from_a_file_as_they_were(small_pieces: None) -> None:
    piece = pieces()[1]
    content = to_parquet(piece)
    again = from_parquet(content, KINDS)
    assert to_parquet(again) == content
    found = to_parquet(part_of(again))
    assert found == to_parquet(part_of(piece))
    assert to_parquet(from_parquet(found, KINDS)) == found
    assert to_parquet(piece) == content, "what is worked out of a piece leaves it as it was"


def test_a_file_names_only_records_that_its_reader_knows() -> None:
    with pytest.raises(ValueError, match="Partition was not expected"):
        from_parquet(to_parquet(_Partition("a", "b")), KINDS)
    with pytest.raises(TypeError, match="set can't be part"):
        to_parquet({1})
