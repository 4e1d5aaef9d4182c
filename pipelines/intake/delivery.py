"""One delivery, a folder or a zip of one, read in place: nothing is unpacked, and nothing outside it is touched."""

import hashlib
import os
import re
import stat
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path, PurePosixPath

from data_contracts.errors import InputError, first_line
from data_contracts.reasons import QUARANTINE_RULES
from pipelines.intake.readers.apart import LONGEST_S, UPLOAD_MEMORY, bounded
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES

MANIFEST = "manifest.csv"
LARGEST_MANIFEST_BYTES = 64 * 1024**2
_LARGEST_ARCHIVE_BYTES = 32 * 1024**3  # unpacked, all members together
_MOST_MEMBERS = 200_000
_NO_DATE = 1980  # year of a zip's entries without a date
_PLAIN = re.compile(r"[^./\\:\x00][^/\\:\x00]*(/[^./\\:\x00][^/\\:\x00]*)*")
"""Paths that are in plain form as they are."""


class RefusedError(InputError):
    """Something delivered breaks the contract: `rule` of `data_contracts.reasons.QUARANTINE_RULES`, and one line."""

    def __init__(self, rule: str, reason: str) -> None:
        super().__init__(reason)
        assert rule in QUARANTINE_RULES, rule
        self.rule, self.reason = rule, str(self)


@dataclass(frozen=True)
class Delivery:
    """Where a delivery is: its folder or zip, and the folder within the zip."""

    path: Path
    archive: bool
    prefix: str

    def read(self, name: str, limit: int = LARGEST_FILE_BYTES) -> bytes:
        """Content of one file.

        Parameters
        ----------
        name : str
            Path relative to the delivery, with / or \\.
        limit : int
            Most bytes to take.

        Returns
        -------
        bytes

        Raises
        ------
        RefusedError
            If the path leaves the delivery, the file is missing, too large or can't be read.
        """
        inside = inner_path(name)
        return self._read_member(inside, limit) if self.archive else self._read_file(inside, limit)

    def content_id(self) -> str:
        """SHA-256 over the manifest and the names and sizes of all files."""
        digest = hashlib.sha256()
        try:
            digest.update(self.read(MANIFEST, LARGEST_MANIFEST_BYTES))
        except RefusedError as refused:
            digest.update(refused.rule.encode())
        for name, size in sorted(self._sizes()):
            digest.update(f"\x00{name}\x1f{size}".encode(errors="surrogateescape"))
        return digest.hexdigest()

    def files(self) -> list[str]:
        """Paths of all files, relative to the delivery, with /, by name."""
        paths = sorted(name.replace("\\", "/") for name, _ in self._sizes())
        return [path.removeprefix(self.prefix) for path in paths if path.startswith(self.prefix)]

    def written_at(self) -> datetime | None:
        """When its manifest was written, as the file says; of a zip by the clock of whoever made it.

        None where nothing says so: a zip made without dates has those of 1980, where a zip's calendar begins (.ZIP file
        format specification 6.3.10, 4.4.6: MS-DOS date).
        """
        try:
            if not self.archive:
                return datetime.fromtimestamp((self.path / MANIFEST).stat().st_mtime, UTC)
            told = _archive_at(self.path).getinfo(self.prefix + MANIFEST).date_time
            return datetime(*told, tzinfo=UTC) if told[0] > _NO_DATE else None
        except (OSError, KeyError, ValueError, OverflowError, zipfile.BadZipFile):
            return None

    def without_manifest(self) -> str:
        """Why a delivery without a manifest is refused; names a manifest found in the wrong place or under another name."""
        elsewhere = sorted(name for name, _ in self._sizes() if PurePosixPath(name).name.lower() == MANIFEST)
        if not elsewhere:
            return f"there is no {MANIFEST} in the delivery: add it and deliver again"
        return f"there is no {MANIFEST} on top of the delivery, but {legible(elsewhere[0])[:120]}: deliver that folder, with the name in small letters"

    def _sizes(self) -> list[tuple[str, int]]:
        if self.archive:
            return [(info.filename, info.file_size) for info in _archive_at(self.path).infolist() if not info.is_dir()]
        top = len(os.fspath(self.path)) + 1
        return [
            (f"{folder}/{name}"[top:], os.lstat(f"{folder}/{name}").st_size)
            for folder, _, names in os.walk(self.path)
            for name in names
        ]

    def _read_file(self, inside: str, limit: int) -> bytes:
        descriptor = self._opened(inside)
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            os.close(descriptor)
            raise RefusedError("unreadable_file", f"{inside} is not a file: put the file itself there")
        with os.fdopen(descriptor, "rb", buffering=0) as opened:
            if status.st_size > limit:
                raise _too_large(inside, status.st_size, limit)
            try:
                return opened.readall()[:limit]
            except OSError as error:
                raise RefusedError(
                    "unreadable_file", f"{inside} can't be read ({error.strerror}): deliver it again"
                ) from None

    def _opened(self, inside: str) -> int:
        """Descriptor of a file of the folder."""
        how = os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW  # a pipe without a writer must not hold up the run
        if "/" not in inside:
            with suppress(OSError):  # a link, or what is refused below
                return os.open(f"{self.path}/{inside}", how)
        root = self.path.resolve()
        try:
            file = (root / inside).resolve(strict=True)
        except FileNotFoundError:
            raise RefusedError(
                "missing_file", f"{inside} is not in the delivery: deliver again with the file"
            ) from None
        except (OSError, RuntimeError):
            raise RefusedError("unreadable_file", f"{inside} can't be opened: export it again") from None
        if not file.is_relative_to(root):
            raise RefusedError(
                "path_leaves_delivery", f"{inside} is a link that leads out of the delivery: put the file itself there"
            )
        try:
            return os.open(file, how)
        except OSError as error:
            raise RefusedError(
                "unreadable_file", f"{inside} can't be opened ({error.strerror}): export it again"
            ) from None

    def _read_member(self, inside: str, limit: int) -> bytes:
        try:
            archive = _archive_at(self.path)
            try:
                info = archive.getinfo(self.prefix + inside)
            except KeyError:
                raise RefusedError(
                    "missing_file", f"{inside} is not in the delivery: deliver again with the file"
                ) from None
            if info.file_size > limit:
                raise _too_large(inside, info.file_size, limit)
            if info.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                with archive.open(info) as member:
                    content = member.read(limit + 1)  # whatever the archive says of its size
            else:  # a block of the others unpacks at once, to whatever it holds
                content = bounded(UPLOAD_MEMORY, LONGEST_S, _member, self.path, info.filename, limit)
        except RefusedError:
            raise
        except Exception as error:  # every method of compression has errors of its own
            raise RefusedError(
                "unreadable_file", f"{inside} can't be unpacked ({first_line(error)}): make the archive again"
            ) from None
        if len(content) > limit:
            raise _too_large(inside, len(content), limit)
        return content


def _archive_at(path: Path) -> zipfile.ZipFile:
    """The archive at a path, whose list of members is read once for all of its files."""
    status = path.stat()
    return _archive(path, status.st_ino, status.st_size, status.st_mtime_ns)


def close_archive() -> None:
    """Let go of the archive that was read last; it is closed once nobody reads it."""
    _archive.cache_clear()


@lru_cache(maxsize=1)
def _archive(path: Path, *_identity: int) -> zipfile.ZipFile:
    return zipfile.ZipFile(path)


def _member(path: Path, name: str, limit: int) -> bytes:
    with zipfile.ZipFile(path) as archive, archive.open(name) as member:
        return member.read(limit + 1)


def inner_path(name: str) -> str:
    """A manifest's path in plain form: relative, with /, without . or ..

    Parameters
    ----------
    name : str
        As written, with / or \\.

    Returns
    -------
    str

    Raises
    ------
    RefusedError
        If it is absolute or leads out of the delivery.
    """
    if _PLAIN.fullmatch(name):
        return name
    plain = name.replace("\\", "/")
    path = PurePosixPath(plain)
    if _leaves(plain) or not path.parts:
        raise RefusedError("path_leaves_delivery", f"{name[:120]!r} leads out of the delivery: name a file inside it")
    return str(path)


def legible(name: str) -> str:
    """A file's name as any table or line can hold it: bytes that are not UTF-8 become their escapes.

    Parameters
    ----------
    name : str
        As the file system gives it.
    """
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def open_delivery(path: Path) -> Delivery:
    """Look at a delivery without reading its recordings.

    Parameters
    ----------
    path : Path
        A folder, or a zip of one.

    Returns
    -------
    Delivery

    Raises
    ------
    RefusedError
        If it is neither, or the archive is unsafe or broken.
    """
    if path.is_symlink():
        raise RefusedError("path_leaves_delivery", f"{path.name} is a link: put the delivery itself into the inbox")
    if path.is_dir():
        return Delivery(path, archive=False, prefix="")
    if not path.is_file() or path.suffix.lower() != ".zip":
        raise RefusedError(
            "missing_manifest", f"{path.name} is neither a folder nor a .zip: deliver a folder with a manifest.csv"
        )
    try:
        members = _archive_at(path).infolist()
    except Exception as error:
        raise RefusedError(
            "unreadable_archive", f"{path.name} can't be read ({first_line(error)}): make the archive again"
        ) from None
    _check_members(path.name, members)
    names = [m.filename for m in members if not m.is_dir() and not m.filename.startswith("__MACOSX/")]
    if MANIFEST in names:
        return Delivery(path, archive=True, prefix="")
    tops = [n.removesuffix(MANIFEST) for n in names if n.count("/") == 1 and n.endswith("/" + MANIFEST)]
    if len(tops) > 1:
        raise RefusedError("unsafe_archive", f"{path.name} holds {len(tops)} deliveries: put one into each archive")
    return Delivery(path, archive=True, prefix=tops[0] if tops else "")


def _check_members(archive: str, members: list[zipfile.ZipInfo]) -> None:
    def refuse(what: str) -> RefusedError:
        return RefusedError("unsafe_archive", f"{archive} {what}: make the archive again from the delivery's folder")

    if len(members) > _MOST_MEMBERS:
        raise refuse(f"holds {len(members)} files, at most {_MOST_MEMBERS}")
    seen: set[str] = set()
    for member in members:
        name = member.filename
        if not name:
            raise refuse("holds a file without a name")
        if _leaves(name.replace("\\", "/")):
            raise refuse(f"names a path outside itself, {name[:120]!r}")
        if stat.S_ISLNK(member.external_attr >> 16):
            raise refuse(f"holds a link, {name[:120]!r}")
        if name in seen:
            raise refuse(f"holds {name[:120]!r} twice")
        seen.add(name)
    unpacked = sum(member.file_size for member in members)
    if unpacked > _LARGEST_ARCHIVE_BYTES:
        raise refuse(f"would unpack to {unpacked / 1e9:.0f} GB, at most {_LARGEST_ARCHIVE_BYTES / 1e9:.0f} GB")


def _leaves(plain: str) -> bool:
    return (
        plain.startswith("/")
        or re.match(r"^[A-Za-z]:", plain) is not None
        or "\x00" in plain
        or ".." in PurePosixPath(plain).parts
    )


def _too_large(inside: str, size: int, limit: int) -> RefusedError:
    return RefusedError(
        "too_large", f"{inside} is {size / 1e6:.0f} MB, at most {limit / 1e6:.0f} MB: split the recording"
    )
