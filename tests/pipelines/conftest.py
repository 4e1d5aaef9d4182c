"""What several tests of papers share."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipelines.workspace.cluster_settings import ClusterSettings
from tests.pipelines import told_home
from tests.published_sample import make_workspace
from tests.sample_papers import WEEK, Paper


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("said") / "home"
    weeks = make_workspace(home, vans_per_depot=4, weeks=16, finished_at=datetime(2026, 3, 27, 6, tzinfo=UTC))
    assert weeks[-1] == WEEK
    return home


@pytest.fixture
def paper(sample: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Paper:
    return Paper(sample, tmp_path / "home", monkeypatch)


@pytest.fixture(scope="session")
def told_sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return told_home.made(tmp_path_factory.mktemp("told") / "home")


@pytest.fixture(scope="module")
def cluster() -> Iterator[ClusterSettings]:
    """Two workers that come back when they end; a batch that ended two is given to no third."""
    dask, distributed = pytest.importorskip("dask"), pytest.importorskip("distributed")
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50, host="127.0.0.1"
        ) as local,
    ):
        yield ClusterSettings(scheduler=local.scheduler_address)


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> told_home.Post:
    """What would be sent to people, kept in place of it."""
    made = told_home.Post()
    monkeypatch.setattr("pipelines.notify.after_run.send", made)
    return made
