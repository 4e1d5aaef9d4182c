"""A file is there whole or not at all, whatever happens while it is written."""

import os
from pathlib import Path

import pytest

from pipelines.storage import atomic_files
from pipelines.storage.atomic_files import write_atomically


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

    monkeypatch.setattr(atomic_files.os, "fsync", watched)
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

    monkeypatch.setattr(atomic_files.os, "fsync", full)
    with pytest.raises(OSError, match="no room on the disk"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomically(tmp_path / "gone" / "x", b"")
