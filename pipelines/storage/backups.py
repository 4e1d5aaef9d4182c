"""Backups of a workspace: every file once by its hash, and one list of files for each backup.

objects/ holds the bytes, named by their SHA-256, so a file that has not changed since an earlier backup is not copied
again. backups/ holds a JSON file for each backup: its moment, the version that made it, and for every file of the workspace its
path, hash, size, mode and time. A backup counts once its list is there, which is written last. Whatever a backup names is read back and
hashed when the backup is made and when it is put back. A place belongs to one workspace. Any that `fsspec` knows will do.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

import fsspec
from fsspec.spec import AbstractFileSystem

from data_contracts.errors import InputError, WorkspaceError, first_line
from pipelines.storage.identity import identity_of
from pipelines.storage.upgrades import KEPT
from pipelines.workspace.drafts import draft_of
from pipelines.workspace.workspace import Workspace

LEFT_OUT = frozenset({"orchestrator", "partitions", ".lock", ".rebuild"})
"""Of a workspace: the orchestrator's own records and logs, what a cluster is at work on, the lock, and what a rebuild that was cut off
left behind."""
WRITTEN_ANY_TIME = ("inbox/", "reports/logs/", "reports/notify/")
"""Folders that are written to while somebody else holds the workspace: deliveries, the log, what people were told."""
_BLOCK = 1 << 20


@dataclass(frozen=True)
class Backup:
    """One backup as its list describes it.

    Attributes
    ----------
    name : str
        Moment in UTC, "20261129T194500123456Z": names sort as moments do.
    files : mapping of str to (str, int, int)
        Hash, size and mode of every file, by its path within the workspace.
    version : str
        Version of Vansnap that made it.
    times : mapping of str to int
        When every file was last written, by its path; backups of before 2026-11-30 don't tell. [ns since 1970]
    """

    name: str
    files: dict[str, tuple[str, int, int]]
    version: str
    times: dict[str, int] = field(default_factory=dict)

    @property
    def size(self) -> int:
        """Of all its files. [bytes]"""
        return sum(size for _, size, _ in self.files.values())


class BackupPlace:
    """Where backups are kept.

    Parameters
    ----------
    place : str
        A folder, or a URL that fsspec knows.

    Raises
    ------
    InputError
        If it can't be used.
    """

    def __init__(self, place: str) -> None:
        self.place = place
        try:
            files, root = fsspec.core.url_to_fs(place)
        except (ImportError, ValueError, OSError) as error:
            raise InputError(
                f"backups can't be kept at {place} ({first_line(error)}): name a folder or a URL"
            ) from None
        self._files: AbstractFileSystem = files
        self._root = str(root).rstrip("/")

    def backups(self) -> list[Backup]:
        """Every complete backup, oldest first."""
        self._files.invalidate_cache()
        if not self._files.isdir(f"{self._root}/backups"):
            return []
        names = sorted(PurePosixPath(path).name for path in self._files.ls(f"{self._root}/backups", detail=False))
        return [self._listed(name.removesuffix(".json")) for name in names if name.endswith(".json")]

    def _listed(self, name: str) -> Backup:
        try:
            document: dict[str, Any] = json.loads(self._files.cat_file(f"{self._root}/backups/{name}.json"))
            files = {str(path): (str(h), int(size), int(mode)) for path, (h, size, mode) in document["files"].items()}
            times = {str(path): int(at) for path, at in document.get("times", {}).items()}
            return Backup(name, files, str(document["version"]), times)
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise WorkspaceError(
                f"{self.place}/backups/{name}.json can't be read ({first_line(error)}): move it away, and use another backup"
            ) from None

    def write(self, workspace: Workspace, version: str, at: datetime) -> tuple[Backup, int]:
        """Back a workspace up.

        Parameters
        ----------
        workspace : Workspace
            Held by the caller, its warehouse closed.
        version : str
            Version of Vansnap.
        at : datetime
            Moment of the backup.

        Returns
        -------
        Backup
            Without deliveries that came or went while it was made: the next one has them.
        int
            Bytes that had to be copied.

        Raises
        ------
        InputError
            If the place is within the workspace, or holds the backups of another one.
        WorkspaceError
            If something can't be read or written, or reads back otherwise than it was written.
        """
        if "file" in _protocols(self._files) and Path(self._root).resolve().is_relative_to(workspace.root):
            raise InputError(f"{self.place} is within the workspace: name a place outside it, best on another disk")
        files: dict[str, tuple[str, int, int]] = {}
        times: dict[str, int] = {}
        copied = 0
        try:
            self._claim(workspace)
            for path in _files_of(workspace.root):
                name = path.relative_to(workspace.root).as_posix()
                try:
                    status, digest = path.stat(), digest_of(path)
                    copied += self._keep(path, digest, status.st_size)
                except (FileNotFoundError, _ChangedError):
                    if name.startswith(WRITTEN_ANY_TIME):
                        continue  # still being delivered, or taken back; the next backup has it
                    raise
                files[name] = (digest, status.st_size, status.st_mode & 0o777)
                times[name] = status.st_mtime_ns
            backup = Backup(at.astimezone(UTC).strftime("%Y%m%dT%H%M%S%fZ"), files, version, times)
            document = {"version": version, "files": files, "times": times}
            self._put(f"{self._root}/backups/{backup.name}.json", document)
        except OSError as error:
            raise WorkspaceError(
                f"the backup to {self.place} failed ({error.strerror or first_line(error)}): earlier backups are as they were; "
                "make room or mend the place, then run again"
            ) from error
        return backup, copied

    def _claim(self, workspace: Workspace) -> None:
        """Make the place the workspace's own, or find that it is another's."""
        theirs, identity = f"{self._root}/workspace.json", identity_of(workspace)
        if not self._files.exists(theirs):
            for folder in ("objects", "backups"):
                self._files.makedirs(f"{self._root}/{folder}", exist_ok=True)
            self._put(theirs, {"workspace": identity})
        elif json.loads(self._files.cat_file(theirs)).get("workspace") != identity:
            raise InputError(f"{self.place} holds the backups of another workspace: name a place of its own")

    def _object(self, digest: str) -> str:
        return f"{self._root}/objects/{digest[:2]}/{digest}"

    def _keep(self, path: Path, digest: str, size: int) -> int:
        """Copy a file unless its bytes are there, undamaged; bytes copied."""
        there = self._object(digest)
        if self._is_sound(digest):
            return 0
        self._files.makedirs(there.rsplit("/", 1)[0], exist_ok=True)
        draft = f"{there}.part"
        with path.open("rb") as source, self._files.open(draft, "wb") as copy:
            while block := source.read(_BLOCK):
                copy.write(block)
        if self._digest_there(draft) != digest:
            self._files.rm_file(draft)
            raise _ChangedError(None, f"{path.name} changed while it was copied, or was not written as it is")
        self._move(draft, there)
        return size

    def _put(self, there: str, document: dict[str, Any]) -> None:
        self._files.pipe_file(f"{there}.part", json.dumps(document, indent=1).encode())
        self._move(f"{there}.part", there)

    def _move(self, draft: str, there: str) -> None:
        if self._files.exists(there):
            self._files.rm_file(there)
        self._files.mv(draft, there)

    def _is_sound(self, digest: str) -> bool:
        return bool(self._files.exists(self._object(digest))) and self._digest_there(self._object(digest)) == digest

    def _digest_there(self, there: str) -> str:
        digest = hashlib.sha256()
        with self._files.open(there, "rb") as file:
            while block := file.read(_BLOCK):
                digest.update(block)
        return digest.hexdigest()

    def damaged(self, backup: Backup) -> list[str]:
        """Paths of a backup's files that are missing or no longer have their hash.

        Parameters
        ----------
        backup : Backup
            One of `backups`.
        """
        return [path for path, (digest, _, _) in backup.files.items() if not self._is_sound(digest)]

    def forget(self, keep: int) -> list[str]:
        """Remove all but the newest backups, then what no backup names any more.

        Parameters
        ----------
        keep : int
            Newest backups that stay; at least 1.

        Returns
        -------
        list of str
            Names of the backups removed.
        """
        listed = self.backups()
        gone, stays = listed[:-keep], listed[-keep:]
        for backup in gone:
            self._files.rm_file(f"{self._root}/backups/{backup.name}.json")
        wanted = {digest for backup in stays for digest, _, _ in backup.files.values()}
        for path in self._files.find(f"{self._root}/objects"):
            if PurePosixPath(path).name not in wanted:
                self._files.rm_file(path)
        return [backup.name for backup in gone]

    def put_back(self, backup: Backup, root: Path) -> None:
        """Write a backup's files into a folder, each held against its hash.

        Parameters
        ----------
        backup : Backup
            One of `backups`.
        root : Path
            Folder to make; nothing is there afterwards if anything fails.

        Raises
        ------
        WorkspaceError
            If a file of the backup is damaged, or the folder can't be written.
        """
        draft = draft_of(root)
        try:
            for name, (_, _, mode) in sorted(backup.files.items()):
                if ".." in PurePosixPath(name).parts or PurePosixPath(name).is_absolute():
                    raise WorkspaceError(
                        f"backup {backup.name} names {name!r}, which is outside a workspace: use another backup"
                    )
                path = draft / name
                path.parent.mkdir(parents=True, exist_ok=True)
                self._take(name, backup, path)
                path.chmod(mode)
                if name in backup.times:
                    os.utime(path, ns=(backup.times[name],) * 2)
            draft.rename(root)
        except OSError as error:
            raise WorkspaceError(f"can't write {root} ({error.strerror}): make room, or name another folder") from error
        finally:
            shutil.rmtree(draft, ignore_errors=True)

    def _take(self, name: str, backup: Backup, path: Path) -> None:
        digest, _, _ = backup.files[name]
        found = hashlib.sha256()
        try:
            with self._files.open(self._object(digest), "rb") as source, path.open("wb") as copy:
                while block := source.read(_BLOCK):
                    found.update(block)
                    copy.write(block)
                copy.flush()
                os.fsync(copy.fileno())
        except FileNotFoundError:
            found = hashlib.sha256()
        if found.hexdigest() != digest:
            raise WorkspaceError(
                f"{name} of backup {backup.name} is missing or damaged: put back an earlier backup (`vansnap restore --list`)"
            )


def _files_of(root: Path) -> Iterator[Path]:
    """Every file of a workspace, those behind links too, but drafts, uploads in progress, copies from before an upgrade and what is `LEFT_OUT`."""
    seen: set[str] = set()
    for folder, folders, names in os.walk(root, followlinks=True):
        real = os.path.realpath(folder)
        if real in seen:  # a link that leads back
            folders.clear()
            continue
        seen.add(real)
        folders[:] = sorted(one for one in folders if Path(folder) != root or one not in LEFT_OUT)
        for name in sorted(names):
            path = Path(folder) / name
            left_out = Path(folder) == root and (name in LEFT_OUT or f".{KEPT}-" in name)
            if path.is_file() and not name.endswith(".part") and not left_out:
                yield path


class _ChangedError(OSError):
    """A file is not what was read of it before."""


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Parameters
    ----------
    path : Path
        The file.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _protocols(files: AbstractFileSystem) -> tuple[str, ...]:
    return (files.protocol,) if isinstance(files.protocol, str) else tuple(files.protocol)
