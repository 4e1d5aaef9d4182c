"""Tracking by partition on workers of a cluster: the same findings as here, whatever becomes of workers, files and runs."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.tracking.assess import Assessment, TrackingSettings, assess
from models.tracking.state.told import KINDS, Part, Piece, part_of
from pipelines.storage.record_file import from_parquet, to_parquet
from pipelines.weekly import read_captures
from pipelines.weekly.track_on_cluster import TrackingOnCluster
from pipelines.workspace.cluster_settings import ClusterSettings
from pipelines.workspace.workspace import Workspace
from sample_fleet.make_small import FIRST_RUN
from tests.pipelines.small_home import lay_decisions, run_steps, small_home
from tests.readings_fleet import families, make_fleet, no_repairs
from tests.same_tables import differences

pytest.importorskip("distributed")

FLEET = make_fleet(vans=36, weeks=14, seed=3)
MOST_VISITS = 60


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.tracking.parts.AT_A_TIME", MOST_VISITS)


@pytest.fixture(scope="module")
def repairs() -> pl.DataFrame:
    """Every third van was repaired half-way."""
    middle = FLEET.frame["captured_at"].sort()[FLEET.frame.height // 2]
    vans = FLEET.frame["van_id"].unique().sort()[::3]
    done = pl.DataFrame(
        {"van_id": vans, "done_at": middle, "touches": [["main_peak_g_s", "trim_idle_pct"]] * len(vans)}
    )
    return pl.concat([no_repairs(), done.cast({"done_at": no_repairs().schema["done_at"]})], how="diagonal")


def judged(repairs: pl.DataFrame, tell: Any = None) -> Assessment:
    return assess(
        FLEET.frame, families=families(), repairs=repairs, week=FLEET.weeks[-1], settings=TrackingSettings(), tell=tell
    )


@pytest.fixture(scope="module")
def alone(repairs: pl.DataFrame) -> Assessment:
    """As one machine judges it, in one piece."""
    return judged(repairs)


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


class Told(list[str]):
    """Lines, and a cluster with a storage that say them."""

    def on(self, cluster: ClusterSettings, storage: Path) -> TrackingOnCluster:
        settings = cluster.model_copy(update={"storage": str(storage)})
        return TrackingOnCluster(settings, threads=1, say=self.append)


@pytest.fixture
def told() -> Told:
    return Told()


def test_what_workers_find_is_what_one_machine_finds(
    cluster: ClusterSettings, told: Told, tmp_path: Path, repairs: pl.DataFrame, alone: Assessment
) -> None:
    assert FLEET.frame["family"].n_unique() == 3
    on = told.on(cluster, tmp_path / "shared")
    assert_same(judged(repairs, on.tell), alone)
    assert told == []
    left = sorted((tmp_path / "shared").iterdir())
    assert len(left) > 4
    assert all(path.name.endswith("-found.parquet") for path in left)
    on.forget()
    assert not (tmp_path / "shared").exists()


def test_a_week_on_a_cluster_is_the_week_of_one_machine(
    cluster: ClusterSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The small fleet twice, with what came late, was corrected, repaired and decided in between."""
    monkeypatch.setattr(read_captures, "_BATCH", 50)
    monkeypatch.setattr(read_captures, "_POOL_FROM", 1)
    homes: list[Workspace] = []
    shared: list[int] = []
    given = TrackingOnCluster._given

    def counted(self: TrackingOnCluster, piece: Piece, names: list[str]) -> Any:
        shared.append(len(names))
        return given(self, piece, names)

    monkeypatch.setattr(TrackingOnCluster, "_given", counted)
    for scheduler in ("", cluster.scheduler):
        home = small_home(tmp_path / f"home-{len(homes)}")
        text = home.settings_path.read_text(encoding="utf-8")
        assert 'scheduler = ""' in text
        home.settings_path.write_text(text.replace('scheduler = ""', f'scheduler = "{scheduler}"'), encoding="utf-8")
        run_steps(home, FIRST_RUN)
        lay_decisions(home)
        run_steps(home)
        homes.append(home)
        assert bool(shared) == bool(scheduler)
    assert differences(*(home.published_path for home in homes)) == []
    assert max(shared) >= 3
    assert not (homes[1].root / "partitions").exists()
    assert "cluster:" not in capfd.readouterr().err


def pieces_of(repairs: pl.DataFrame) -> list[Piece]:
    kept: list[Piece] = []

    def tell(work: Callable[[Piece], Part], pieces: list[Piece]) -> list[Part]:
        kept.extend(pieces)
        return [work(piece) for piece in pieces]

    judged(repairs, tell)
    return kept


def test_a_piece_and_what_is_found_of_it_come_back_from_a_file_as_they_were(repairs: pl.DataFrame) -> None:
    piece = pieces_of(repairs)[1]
    content = to_parquet(piece)
    again = from_parquet(content, KINDS)
    assert to_parquet(again) == content
    found = to_parquet(part_of(again))
    assert found == to_parquet(part_of(piece))
    assert to_parquet(from_parquet(found, KINDS)) == found
    assert to_parquet(piece) == content, "what is worked out of a piece leaves it as it was"
