"""The weekly flow under the orchestrator, once: private home, quiet, the same result as the steps."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.pipelines.small_home import small_home


@pytest.mark.orchestrator
def test_weekly_runs_the_flow_quietly(tmp_path: Path) -> None:
    workspace = small_home(tmp_path / "home")
    command = [sys.executable, "-c", "from pipelines.cli import main; main()", "weekly", "--home", str(workspace.root)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=400, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "published" in done.stdout
    assert workspace.published_path.is_file()
    assert any(workspace.orchestrator.iterdir())
