"""The workspace: made once, held by one run, free again when that run dies."""

import subprocess
import sys
from pathlib import Path

import pytest

from data_contracts.errors import InputError, WorkspaceBusyError, WorkspaceError
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.workspace import FOLDERS, make_workspace, open_workspace


def test_a_new_workspace_has_every_folder_and_opens(tmp_path: Path) -> None:
    made = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    assert {path.name for path in made.root.iterdir() if path.is_dir()} == set(FOLDERS)
    assert open_workspace(tmp_path / "home") == made


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(InputError, match="not empty"):
        make_workspace(tmp_path, EXAMPLE_FILES)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_folder_that_is_no_workspace_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WorkspaceError, match="vansnap init"):
        open_workspace(tmp_path)


def test_one_run_at_a_time_and_the_lock_dies_with_its_holder(tmp_path: Path) -> None:
    workspace = make_workspace(tmp_path / "home", EXAMPLE_FILES)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, time; from pathlib import Path; from pipelines.workspace.workspace import Workspace\n"
            "with Workspace(Path(sys.argv[1])).held():\n    print('held', flush=True); time.sleep(60)",
            str(workspace.root),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline().strip() == "held"
    with pytest.raises(WorkspaceBusyError, match=str(holder.pid)), workspace.held():
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with workspace.held():
        assert (workspace.root / ".lock").exists()
