"""Room on the disk: asked for before a run, and told in one line where a write finds none."""

import errno
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from data_contracts.errors import NoRoomError
from pipelines.workspace.workspace import Workspace

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_SAID = re.compile("|".join(re.escape(os.strerror(number)) for number in sorted(_FULL)), re.IGNORECASE)
_TO_SPILL = "max_temp_directory_size"
"""What DuckDB names where rows that are too many for memory find no room on the disk: by default nine tenths of what is free."""
_SLACK = 32 * 1024**2
"""For logs, and what a run of few rows takes. Of our choosing. [bytes]"""


def is_full(error: BaseException | None) -> bool:
    """Whether an error, or what led to it, says that a disk is full, a quota used up, or a file larger than allowed.

    Parameters
    ----------
    error : BaseException or None
    """
    import duckdb  # only where something failed: processes that decode files do without

    while error is not None:
        if isinstance(error, NoRoomError) or (isinstance(error, OSError) and error.errno in _FULL):
            return True
        if isinstance(error, duckdb.Error) and _SAID.search(str(error)):
            return True
        if isinstance(error, duckdb.OutOfMemoryException) and _TO_SPILL in str(error):
            return True
        error = error.__cause__ or error.__context__
    return False


def no_room(path: Path, needed: int | None = None) -> NoRoomError:
    """The line that says so.

    Parameters
    ----------
    path : Path
        File that can't be written.
    needed : int or None
        What it takes; None where that is not known. [bytes]

    Returns
    -------
    NoRoomError
    """
    free = free_at(path)
    takes = "" if needed is None else f" needs {megabytes(needed)},"
    there = "" if free is None else f" {megabytes(free)} are free;"
    return NoRoomError(f"no room on the disk to write {path}:{takes}{there} make room, then run again; nothing is lost")


@contextmanager
def room_for(path: Path, needed: int | None = None) -> Iterator[None]:
    """Say in one line that there is no room for a file, where what is done inside finds none.

    Parameters
    ----------
    path : Path
        File that is written inside.
    needed : int or None
        What it takes. [bytes]

    Raises
    ------
    NoRoomError
    """
    try:
        yield
    except NoRoomError:
        raise
    except Exception as error:
        if is_full(error):
            raise no_room(path, needed) from error
        raise


def ask_for_room(workspace: Workspace) -> None:
    """Refuse a run that the disk has no room for, before it begins.

    What came in is kept as it came, and its samples once more; the published file is made beside the old one, and the
    warehouse may grow by half before it is tidied. Until the week is stored, its readings, shapes, trends and what states are made of lie beside the
    warehouse, what sorting them takes too, and the trends of before stand until those of now are committed: as much as the
    warehouse, of which all of these are parts (of the demo a third was measured: files of 5 MB, a log of 5, 33 of warehouse).
    Of our choosing.

    Parameters
    ----------
    workspace : Workspace
        What killed runs left in it is cleared.

    Raises
    ------
    NoRoomError
    """
    free = free_at(workspace.root)
    came = sum(size_of(path) for path in workspace.inbox.iterdir())
    needed = came + size_of(workspace.published_path) + size_of(workspace.warehouse_path) * 3 // 2 + _SLACK
    if free is not None and free < needed:
        raise NoRoomError(
            f"no room on the disk for a run in {workspace.root}: it needs about {megabytes(needed)}, {megabytes(free)} are free: "
            "make room, then run again; nothing was begun"
        )


def free_at(path: Path) -> int | None:
    """Bytes free to us on the disk of a file; None where that can't be told.

    Parameters
    ----------
    path : Path
        It need not be there.
    """
    for folder in (path, *path.parents):
        try:
            return shutil.disk_usage(folder).free
        except OSError:
            continue
    return None


def size_of(path: Path) -> int:
    """Bytes of a file, or of all in a folder; 0 where there is none.

    Parameters
    ----------
    path : Path
    """
    try:
        if path.is_dir() and not path.is_symlink():
            return sum(size_of(one) for one in path.iterdir())
        return path.lstat().st_size
    except OSError:
        return 0


def megabytes(size: int) -> str:
    """A size for people."""
    return f"{size / 1e6:,.1f} MB"
