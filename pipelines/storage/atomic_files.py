"""Files that are there whole or not at all: written beside their place, synced to disk, then renamed."""

import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pipelines.storage.room import room_for
from pipelines.workspace.drafts import draft_of

_AT_ONCE = 8
"""Files that are written side by side. Of our choosing."""


def write_atomically(path: Path, content: bytes) -> None:
    """Write a file; it is on disk, whole, once this returns.

    Parameters
    ----------
    path : Path
        File to write or replace; its folder must exist.
    content : bytes
        All of it.

    Raises
    ------
    OSError
        If it can't be written; what was there before stays. A `NoRoomError` names the file and the room it needs.
    """
    _write(path, content)
    sync_folder(path.parent)


def _write(path: Path, content: bytes) -> None:
    draft = draft_of(path)
    try:
        with room_for(path, len(content)):
            draft.write_bytes(content)
            _sync(draft)
            draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


def write_all_atomically(files: Mapping[Path, bytes]) -> None:
    """Write several files side by side, since a disk that is waited for can take many at once; all are on disk once this returns.

    Parameters
    ----------
    files : mapping of Path to bytes
        Content by place; the folders must exist.

    Raises
    ------
    OSError
        If one can't be written; others may be there by then. A `NoRoomError` names the file and the room it needs.
    """
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for written in [pool.submit(_write, path, content) for path, content in files.items()]:
            written.result()
    for folder in {path.parent for path in files}:
        sync_folder(folder)


def put_in_place(draft: Path, path: Path) -> None:
    """Sync a written draft to disk and rename it, so that a reader sees the old file or the new one.

    Parameters
    ----------
    draft : Path
        In the folder of `path`, closed.
    path : Path
        Its place.
    """
    _sync(draft)
    draft.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Sync renames within a folder to disk.

    Parameters
    ----------
    folder : Path
        The folder.
    """
    _sync(folder)


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
