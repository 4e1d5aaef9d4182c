"""What the machines of a cluster hand each other: in folders, in memory, and in S3 as an emulator has it."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from data_contracts.errors import InputError, WorkspaceError
from pipelines.storage.identity import identity_of
from pipelines.storage.shared import SharedStorage
from pipelines.storage.warehouse import open_warehouse
from pipelines.weekly import read_captures, steps
from pipelines.weekly.track_on_cluster import TrackingOnCluster
from pipelines.workspace.cluster_settings import ClusterSettings
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace
from tests.pipelines.small_home import first_deliveries
from tests.pipelines.tracked_fleet import VISITS, judged

distributed = pytest.importorskip("distributed")

SECRET = "not-to-be-told"


@pytest.fixture(scope="module")
def bucket() -> Iterator[str]:
    """Of an S3 that ends with the tests; who may use it is said by the environment."""
    s3fs, server = pytest.importorskip("s3fs"), pytest.importorskip("moto.server")
    emulator = server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    emulator.start()
    host, port = emulator.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_ACCESS_KEY_ID", "testing")
        patch.setenv("AWS_SECRET_ACCESS_KEY", SECRET)
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        s3fs.S3FileSystem.clear_instance_cache()
        s3fs.S3FileSystem().mkdir("vans")
        yield "s3://vans/shared"
        s3fs.S3FileSystem.clear_instance_cache()
    emulator.stop()


@pytest.fixture(scope="module")
def workers(bucket: str) -> Iterator[ClusterSettings]:
    """Two, with the environment that says who may use the bucket."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50, host="127.0.0.1"
    ) as local:
        yield ClusterSettings(scheduler=local.scheduler_address, storage=bucket)


@pytest.fixture(params=["folder", "memory", "s3"])
def storage(request: pytest.FixtureRequest, tmp_path: Path) -> SharedStorage:
    places = {"folder": str(tmp_path / "shared"), "memory": f"memory://{tmp_path.name}"}
    place = places.get(request.param) or request.getfixturevalue("bucket") + "/" + tmp_path.name
    return SharedStorage(place)


def test_a_file_is_there_whole_until_it_is_forgotten(storage: SharedStorage) -> None:
    assert not storage.holds("one")
    storage.forget()
    storage.write("one", b"first")
    storage.write("one", b"second")
    storage.write("two", b"")
    assert storage.holds("one")
    assert (storage.read("one"), storage.read("two")) == (b"second", b"")
    storage.forget("one")
    storage.forget("one")
    assert (storage.holds("one"), storage.holds("two")) == (False, True)
    with pytest.raises(OSError, match=r"^[^\n]*one[^\n]*$") as refused:
        storage.read("one")
    assert str(refused.value).startswith(storage.place)
    storage.forget()
    assert not storage.holds("two")


def test_a_write_that_fails_leaves_nothing_in_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space left"):
        SharedStorage(str(tmp_path / "shared")).write("one", b"first")
    assert not [*(tmp_path / "shared").iterdir()]


def test_a_place_that_no_package_knows_is_one_line_and_the_work_is_done_here(
    workers: ClusterSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("models.tracking.parts.AT_A_TIME", VISITS)
    told: list[str] = []
    on = TrackingOnCluster(workers.model_copy(update={"storage": "nowhere://vans/x"}), threads=1, say=told.append)
    assert judged(on.tell).trends.height
    on.forget()
    assert len(told) == 1
    assert "nowhere" in told[0]


def test_tracking_over_s3_is_that_of_one_machine(workers: ClusterSettings, monkeypatch: pytest.MonkeyPatch) -> None:
    alone, told = judged(), list[str]()
    monkeypatch.setattr("models.tracking.parts.AT_A_TIME", VISITS)
    on = TrackingOnCluster(workers, threads=1, say=told.append)
    found = judged(on.tell)
    assert told == []
    assert found.trends.equals(alone.trends, null_equal=True)
    assert found.states.equals(alone.states, null_equal=True)
    storage = SharedStorage(workers.storage)
    assert storage.holds("")
    on.forget()
    assert not storage.holds("")


def test_captures_read_over_s3_are_those_read_here(
    workers: ClusterSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(read_captures, "_LEAST_RECORDINGS", 7)
    monkeypatch.setattr(read_captures, "_POOL_FROM", 1)
    handed: list[Any] = []
    given = read_captures.ChunksHanded.hand

    def noted(self: Any, names: Any) -> None:
        names = list(names)
        handed.append(names)
        given(self, names)

    monkeypatch.setattr(read_captures.ChunksHanded, "hand", noted)
    rows: list[Any] = []
    for place in ("", f'[cluster]\nscheduler = "{workers.scheduler}"\nstorage = "{workers.storage}"\n'):
        home, _ = first_deliveries(tmp_path / f"home-{len(rows)}")
        home.settings_path.write_text("[intake]\nworkers = 1\n" + place, encoding="utf-8")
        steps.intake(home.root, quiet=True)
        assert steps.read_captures(home.root) > 7
        assert bool(handed) == bool(place)
        with open_warehouse(home) as warehouse:
            rows.append(
                [warehouse.query(f"SELECT * FROM {name} ORDER BY ALL") for name in ("captures", "readings", "shapes")]
            )
    for alone, shared in zip(*rows, strict=True):
        assert alone.equals(shared, null_equal=True)
    assert "cluster:" not in capfd.readouterr().err
    own = (home.root / ".workspace").read_text(encoding="utf-8")
    assert not SharedStorage(f"{workers.storage}/{own}").holds("")


def test_a_worker_reads_the_chunk_that_was_handed_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    batches: list[Any] = []

    def noted(work: Any, some: list[Any], **more: Any) -> Iterator[Any]:
        batches.extend(more["handed"](batch) for batch in some)
        yield from map(work, some)

    monkeypatch.setattr(read_captures, "in_order", noted)
    monkeypatch.setattr(read_captures.ChunksHanded, "forget", lambda self, say: None)
    monkeypatch.setattr(read_captures, "_POOL_FROM", 1)
    home, _ = first_deliveries(tmp_path / "home")
    shared = tmp_path / "shared"
    home.settings_path.write_text(f'[cluster]\nworkers = 1\nstorage = "{shared}"\n', encoding="utf-8")
    steps.intake(home.root, quiet=True)
    steps.read_captures(home.root)
    batch = replace(batches[0], waveforms=tmp_path / "nowhere")
    here = replace(batch, waveforms=home.waveforms, storage="")
    for found, alone in zip(read_captures._read_batch(batch), read_captures._read_batch(here), strict=True):
        assert found.equals(alone, null_equal=True)
    chunk = next(one for one in shared.rglob(batch.recordings[0]["chunk"]))
    chunk.write_bytes(chunk.read_bytes()[:-1] + b"x")
    with pytest.raises(OSError, match="not what was written"):
        read_captures._read_batch(batch)
    with pytest.raises(WorkspaceError, match="missing"):
        read_captures._read_batch(replace(batch, storage=""))


def test_a_bucket_that_is_not_there_tells_no_secret(workers: ClusterSettings) -> None:
    told: list[str] = []
    settings = workers.model_copy(update={"storage": "s3://no-such-bucket/x"})
    on = TrackingOnCluster(settings, threads=1, say=told.append)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("models.tracking.parts.AT_A_TIME", VISITS)
        judged(on.tell)
    assert len(told) == 1
    assert "no-such-bucket" in told[0]
    assert SECRET not in told[0]
    assert SECRET in os.environ.values()


@pytest.mark.parametrize("place", [f"s3://key:{SECRET}@vans/x", f"s3://vans/x?key={SECRET}"])
def test_settings_with_a_secret_in_the_place_are_refused_without_it(place: str, tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(f'[cluster]\nworkers = 1\nstorage = "{place}"\n', encoding="utf-8")
    with pytest.raises(InputError, match="said by the environment, not by settings") as refused:
        load_settings(path)
    assert SECRET not in str(refused.value)
    assert "cluster.storage is s3://…" in str(refused.value)


@pytest.mark.parametrize("place", ["s3:/vans", "s3://", "s3:vans/x", "gs:///"])
def test_a_place_that_is_neither_folder_nor_url_is_refused(place: str, tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(f'[cluster]\nworkers = 1\nstorage = "{place}"\n', encoding="utf-8")
    with pytest.raises(InputError, match="give a folder, or a URL such as s3://bucket/folder"):
        load_settings(path)


def test_an_empty_name_of_a_workspace_is_given_anew(tmp_path: Path) -> None:
    """Under it the whole storage would be this workspace's to empty."""
    (tmp_path / ".workspace").write_text("\n", encoding="utf-8")
    own = identity_of(Workspace(tmp_path))
    assert len(own) == 32
    assert identity_of(Workspace(tmp_path)) == own


@pytest.mark.parametrize(
    ("storage", "place"),
    [("", "{home}/partitions"), ("s3://vans/x/", "s3://vans/x/own"), ("../y", "{home}/../y/own"), ("/z", "/z/own")],
)
def test_each_workspace_has_its_own_folder_in_a_storage(storage: str, place: str, tmp_path: Path) -> None:
    settings = ClusterSettings(workers=1, storage=storage).within(Workspace(tmp_path), "own")
    assert settings.storage == place.format(home=tmp_path)
