"""A clock that was set back stops a run that would publish a week long past; a person can go on."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.kept_workspaces import NAMES, unpacked


def last_run_at(home: Workspace, at: datetime) -> None:
    with Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("UPDATE runs SET finished_at = ?", [at])


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return unpacked(NAMES[-1], tmp_path / "home")


def test_a_clock_before_the_last_run_stops_a_run_in_one_line(home: Workspace) -> None:
    now = datetime.now(UTC)
    last_run_at(home, now + timedelta(days=40))
    with pytest.raises(InputError, match=r"clock says .* but the last run ended .* --week") as caught:
        steps.resolve_week(home.root, None)
    assert "\n" not in str(caught.value)
    assert steps.resolve_week(home.root, "2026-W11") == "2026-W11"
    last_run_at(home, now + steps.CLOCK_SLACK / 2)
    assert steps.resolve_week(home.root, None) == "2026-W11"


def test_after_a_week_was_named_runs_go_on(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    last_run_at(home, datetime.now(UTC) + timedelta(days=4000))
    monkeypatch.setattr(steps, "judge_week", lambda *_: None)
    steps.track(home.root, steps.resolve_week(home.root, "2026-W11"))
    assert steps.resolve_week(home.root, None) == "2026-W11"
