"""A copy that was restored tells nobody unless it is to, and a workspace that lost its settings is told from none."""

from pathlib import Path

import pytest

from pipelines import cli
from pipelines.commands.backup import back_up, restore
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, recording, row, run_intake
from tests.pipelines import told_home


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    made = make_home(tmp_path / "home")
    deliver(made.inbox / "first", [row("w.csv", at="2026-03-02T09:01:00Z")], {"w.csv": recording(1)})
    run_intake(made)
    return made


def test_a_copy_of_a_workspace_that_tells_people_says_so_and_can_be_run_without(
    home: Workspace, tmp_path: Path, post: told_home.Post, capsys: pytest.CaptureFixture[str]
) -> None:
    silent, place = str(tmp_path / "silent"), str(tmp_path / "backups")
    back_up(home, silent)
    assert "--tell-nobody" not in restore(tmp_path / "quiet", silent)
    told_home.name(home, told_home.ANN)
    back_up(home, place)
    copy = tmp_path / "copy"
    assert restore(copy, place).splitlines()[-1].startswith("where this is a copy, give that run --tell-nobody")
    assert "--tell-nobody" not in restore(copy, place)  # back in place: people are to be told
    (copy / "warehouse.duckdb").unlink()
    assert cli.run(["weekly", "--home", str(copy), "--tell-nobody"]) == 2
    assert post.texts() == []
    assert cli.run(["weekly", "--home", str(copy)]) == 2
    assert len(post.texts()) == 1
    assert "warehouse.duckdb is missing" in capsys.readouterr().err


def test_a_workspace_without_its_settings_is_told_from_none(
    home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home.settings_path.unlink()
    for command in ("weekly", "orders", "status"):
        assert cli.run([command, "--home", str(home.root)]) == 2
        said = capsys.readouterr().err
        assert f"vansnap restore --from PLACE --home {home.root}" in said
        assert "vansnap init" not in said
    home.settings_path.write_text("")
    assert cli.run(["status", "--home", str(home.root)]) == 0
