"""Files of a kept delivery that were emptied: as long as they were, and nothing but zeros; their hashes stay in the journal."""

import os
import shutil
import zipfile
import zlib
from collections.abc import Collection
from pathlib import Path

from pipelines.intake.delivery import MANIFEST, RefusedError, open_delivery
from pipelines.intake.filing import UNPACKED
from pipelines.storage.atomic_files import put_in_place
from pipelines.storage.packed_folder import is_packed, is_zeros, pack, read_from, unpack, zeros_in
from pipelines.workspace.drafts import draft_of

_BLOCK = 1 << 20
DAMAGED = (OSError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, zlib.error)
"""What is raised where a packed folder or a zip is damaged, or a member can't be read."""


def manifest_of(path: Path) -> bytes:
    """Manifest of a kept delivery.

    Parameters
    ----------
    path : Path
        Where it is kept.

    Raises
    ------
    OSError, RefusedError
        If it can't be read.
    """
    return read_from(path, MANIFEST) if is_packed(path) else open_delivery(path).read(MANIFEST)


def emptied(path: Path) -> set[str]:
    """Files of a kept delivery that hold nothing but zeros, by path within it; none where it is damaged.

    Parameters
    ----------
    path : Path
        Where it is kept.
    """
    try:
        if is_packed(path):
            return zeros_in(path)
        if not path.is_file():
            return set()
        prefix = open_delivery(path).prefix
        with zipfile.ZipFile(path) as archive:
            files = [info for info in archive.infolist() if info.file_size and not info.is_dir()]
            return {info.filename.removeprefix(prefix) for info in files if _is_zeros(archive, info)}
    except (RefusedError, *DAMAGED):
        return set()


def _is_zeros(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bool:
    with archive.open(info) as content:
        return is_zeros(content)


def is_whole_zip(path: Path) -> bool:
    """Whether every member of a zip has its checksum (CRC-32): one with emptied files has not the hash any more that it came with.

    Parameters
    ----------
    path : Path
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return archive.testzip() is None
    except DAMAGED:
        return False


def empty(path: Path, files: Collection[str]) -> None:
    """Empty some files of a kept delivery; it is whole as before, or whole without them.

    Parameters
    ----------
    path : Path
        Where it is kept: a packed folder or a zip.
    files : collection of str
        By path within it.
    """
    if not is_packed(path):
        _empty_in_zip(path, files)
        return
    folder = path.with_name(f".{path.name}{UNPACKED}")
    shutil.rmtree(folder, ignore_errors=True)
    try:
        unpack(path, folder)
        own = {
            path.relative_to(folder).as_posix()
            for path in folder.rglob("*")
            if path.is_file() and not path.is_symlink()
        }
        for name in own & set(files):  # what a link leads to may be another's
            status = (folder / name).stat()
            os.truncate(folder / name, 0)
            os.truncate(folder / name, status.st_size)
            os.utime(folder / name, ns=(status.st_mtime_ns, status.st_mtime_ns))
        pack(folder, path)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _empty_in_zip(path: Path, files: Collection[str]) -> None:
    prefix = open_delivery(path).prefix
    gone = {prefix + name for name in files}
    draft = draft_of(path)
    try:
        with zipfile.ZipFile(path) as was, zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as now:
            for info in was.infolist():
                told = zipfile.ZipInfo(info.filename, info.date_time)
                told.external_attr, told.compress_type = info.external_attr, zipfile.ZIP_DEFLATED
                told.file_size = info.file_size
                with was.open(info) as source, now.open(told, "w") as target:
                    while block := source.read(_BLOCK):
                        target.write(bytes(len(block)) if info.filename in gone else block)
        put_in_place(draft, path)
    finally:
        draft.unlink(missing_ok=True)
