"""A file is there whole or not at all, whatever happens while it is written."""

import os
import platform
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace import drafts
from pipelines.workspace.drafts import clear_drafts, clear_drafts_of, draft_of
from tests.killed import in_child


def test_a_file_is_replaced_by_a_whole_one_that_is_on_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "cards.json"
    path.write_bytes(b"old")
    synced: list[tuple[str, bytes]] = []
    real = os.fsync

    def watched(descriptor: int) -> None:
        synced.append((str(Path(f"/proc/self/fd/{descriptor}").readlink()), path.read_bytes()))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", watched)
    write_atomically(path, b"new")
    assert path.read_bytes() == b"new"
    draft, folder = synced
    assert draft[0].endswith(".part")
    assert draft[1] == b"old"
    assert folder == (str(tmp_path), b"new")
    assert list(tmp_path.iterdir()) == [path]


def test_a_write_that_fails_leaves_what_was_there_and_no_draft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "cards.json"
    path.write_bytes(b"old")

    def full(descriptor: int) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="no room on the disk"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomically(tmp_path / "gone" / "x", b"")


def test_drafts_of_killed_writers_go_and_those_of_living_ones_and_other_machines_stay(tmp_path: Path) -> None:
    path = tmp_path / "decision.json"
    for moment in range(1, 40):
        in_child(lambda: written_for_ever(path), kill_after_s=0.01 * moment)
        if left := list(tmp_path.glob(".*.part")):
            break
    (killed,) = left
    living = draft_of(path)
    elsewhere = tmp_path / f".decision.json.{'0' * 8}-{os.getpid()}.part"
    old = tmp_path / ".cards.json.77.part"  # as earlier versions named them
    for draft in (living, elsewhere, old):
        draft.write_bytes(b"half")
    os.utime(old, (0, 0))
    clear_drafts([tmp_path, tmp_path / "not there"])
    assert set(tmp_path.glob(".*.part")) == {living, elsewhere}
    assert not killed.exists()


def test_the_same_process_number_in_another_container_is_another_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, theirs = tmp_path / "decision.json", tmp_path / "pid"
    theirs.symlink_to("pid:[4026532999]")  # as Linux names a namespace: namespaces(7)
    number = ended_process()
    monkeypatch.setattr(os, "getpid", lambda: number)
    ours = draft_of(path)
    with monkeypatch.context() as inside:
        inside.setattr(drafts, "_PROCESSES", theirs)
        living = draft_of(path)
    assert ours != living
    for draft in (ours, living):
        draft.write_bytes(b"half")
    clear_drafts([tmp_path])
    assert list(tmp_path.glob(".*.part")) == [living]
    os.utime(living, (0, 0))
    clear_drafts([tmp_path])
    assert not living.exists()


def test_a_machine_without_namespaces_is_known_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drafts, "_BOOT", tmp_path / "none")
    names = []
    for node in ("one", "other"):
        monkeypatch.setattr(platform, "node", lambda node=node: node)
        names.append(draft_of(tmp_path / "x").name)
    assert len({*names}) == 2


def test_drafts_of_one_file_all_go_with_their_logs_and_no_others(tmp_path: Path) -> None:
    path = tmp_path / "warehouse.duckdb"
    draft = draft_of(path)
    gone = [draft, draft.with_name(f"{draft.name}.wal"), tmp_path / f".{path.name}.{'0' * 8}-77.part"]
    stay = [draft_of(path.with_name(f"{path.name}.before-upgrade-1")), draft_of(tmp_path / "other"), path]
    for one in (*gone, *stay):
        one.write_bytes(b"x")
    clear_drafts_of(path)
    assert {*tmp_path.iterdir()} == {*stay}


def ended_process() -> int:
    """Number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def written_for_ever(path: Path) -> None:
    """Write a file as a writer does that is killed before its draft is in place."""
    draft_of(path).write_bytes(b"half")
    time.sleep(60)
