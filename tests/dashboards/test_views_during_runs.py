"""What the views say while a run goes on."""

from pathlib import Path

import pytest

from dashboards.text import message
from pipelines.workspace.step_times import timed
from pipelines.workspace.workspace import open_workspace
from tests.dashboards.conftest import BOARD_VIEWS, View
from tests.published_sample import make_workspace


@pytest.mark.parametrize("name", BOARD_VIEWS)
def test_a_run_in_progress_shows(view: View, name: str, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    with open_workspace(tmp_path).held():
        app = view(name, tmp_path)
    assert not app.exception
    told = f"{message('state.running')} {message('state.run_before')}"
    assert told in [info.value for info in app.info]
    assert told not in [info.value for info in view(name, tmp_path).info]


def test_how_far_a_run_is_shows(view: View, tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=9)
    workspace = open_workspace(tmp_path)
    with workspace.held(), timed(workspace, "tracking"):
        told = [info.value for info in view("this_week", tmp_path).info]
    assert any("It judges the fleet, for" in words and message("state.run_before") in words for words in told)


def test_how_far_the_first_run_is_shows(view: View, tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("", encoding="utf-8")
    workspace = open_workspace(tmp_path)
    with workspace.held(), timed(workspace, "intake"):
        app = view("this_week", tmp_path)
    assert app.title[0].value == message("state.nothing_published")
    assert "It takes in recordings, for" in app.info[0].value
    assert message("state.run_before") not in app.info[0].value
