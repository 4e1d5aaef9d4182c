"""The published file can be read after every run, whatever lies beside it."""

from pathlib import Path

from pipelines.storage.publish import published_run
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.pipelines.small_home import copied_home


def test_a_log_that_another_program_left_beside_the_published_file_blocks_nothing(
    judged_small: Workspace, tmp_path: Path
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    log = home.published_path.with_name("published.duckdb.wal")
    log.write_bytes(b"of another file")
    week = steps.resolve_week(home.root, None)
    assert steps.publish_week(home.root, week, steps.track(home.root, week))
    assert not log.exists()
    assert published_run(home.published_path) is not None
