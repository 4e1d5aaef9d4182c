"""Files that are there whole or not at all: written beside their place, synced to disk, then renamed."""

import hashlib
import os
import platform
import re
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pipelines.storage.room import room_for

_AT_ONCE = 8
"""Files that are written side by side. Of our choosing."""
_FORGOTTEN_S = 86400.0
"""Age from which a draft is left over whoever wrote it: drafts live for a moment. Of our choosing."""


def draft_of(path: Path) -> Path:
    """Where a file is drafted: beside its place, hidden, and named for this machine and process.

    Parameters
    ----------
    path : Path
        Final place of the file.
    """
    return path.with_name(f".{path.name}.{_machine()}-{os.getpid()}.part")


def clear_drafts(folders: Iterable[Path]) -> None:
    """Remove drafts whose writer was killed; those of other machines, as on a share, only once they are old.

    Parameters
    ----------
    folders : iterable of Path
        What lies in them; not what lies in folders below.
    """
    for folder in folders:
        for draft in (one for one in folder.glob(".*.part") if one.is_file()):
            named = re.search(r"\.([0-9a-f]{8})-(\d+)\.part$", draft.name)
            try:
                if named is not None and named[1] == _machine():
                    over = not _runs(int(named[2]))
                else:
                    over = time.time() - draft.stat().st_mtime > _FORGOTTEN_S
                if over:
                    draft.unlink()
            except (OSError, OverflowError):
                continue  # in its place by now, another account's, or nobody's number: no reason for a run to end


def _machine() -> str:
    return hashlib.sha256(platform.node().encode()).hexdigest()[:8]


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # somebody else's
        return True
    return True


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
