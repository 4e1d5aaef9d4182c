"""A folder kept as one file: a tar archive (POSIX.1-2001, pax) compressed with Zstandard (RFC 8878), as `tar --zstd` reads it.

Every file comes back bit for bit with the time it was written, and so do links and empty folders. Files that share what they
hold, such as the times of one recorder, are compressed together. The same folder gives the same bytes. A last frame, which
other programs skip, holds the SHA-256 of all before it: no bit can change unseen.
"""

import hashlib
import io
import os
import stat
import tarfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import IO, NamedTuple, cast

import pyarrow as pa

from pipelines.storage.atomic_files import put_in_place, sync_folder
from pipelines.storage.room import room_for
from pipelines.workspace.drafts import draft_of

ENDING = ".tar.zst"
_LEVEL = 3
"""Of Zstandard: level 9 packs CSV a tenth smaller and Parquet a hundredth, and takes three times as long for CSV. Of our choosing."""
_BLOCK = 1 << 20
_FRAME = 16 << 20
"""Bytes compressed together; bounds what is held in memory. Of our choosing."""
_SEAL = bytes.fromhex("502a4d18") + (32).to_bytes(4, "little")
"""Begin of a skippable frame of 32 bytes (RFC 8878, 3.1.2)."""


class Entry(NamedTuple):
    """A file, link or folder: what kind, its SHA-256 (file) or where it points (link), and when it was written. [ns since 1970]"""

    kind: str
    told: str
    written_ns: int


def is_packed(path: Path) -> bool:
    """Whether a path is a packed folder.

    Parameters
    ----------
    path : Path
    """
    return path.name.endswith(ENDING) and path.is_file() and not path.is_symlink()


def entries_of(path: Path) -> dict[str, Entry]:
    """What a folder holds, packed or not, by path within it.

    Parameters
    ----------
    path : Path
        The folder, or the file it was packed into.

    Raises
    ------
    OSError
        If something of it can't be read, or the packed file is damaged.
    ValueError
        If the folder holds what is neither file, link nor folder.
    """
    return _packed_entries(path) if is_packed(path) else _plain_entries(path)


def pack(folder: Path, target: Path) -> dict[str, Entry]:
    """Pack a folder, and hold what was written against it; the folder stays.

    Parameters
    ----------
    folder : Path
        The folder.
    target : Path
        File to write, ending in `ENDING`; on disk, whole and right once this returns.

    Returns
    -------
    dict of str to Entry
        What was packed, as `entries_of`.

    Raises
    ------
    OSError
        If something can't be read or written.
    ValueError
        If the folder holds what can't be packed, or a file of it changed meanwhile.
    """
    draft = draft_of(target)
    draft.unlink(missing_ok=True)
    try:
        there = _listed(folder)
        size = sum(status.st_size for _, status in there if stat.S_ISREG(status.st_mode))
        with room_for(target, size):
            entries = _write(folder, there, draft)
            _check_seal(draft)
            put_in_place(draft, target)
    finally:
        draft.unlink(missing_ok=True)
    return entries


def unpack(packed: Path, folder: Path) -> None:
    """Make a folder again from the file it was packed into.

    Parameters
    ----------
    packed : Path
        The file.
    folder : Path
        To make; on disk, whole, once this returns.

    Raises
    ------
    OSError
        If the file is damaged, or something can't be written.
    """
    folder.mkdir()
    written: dict[Path, int] = {}
    with _opened(packed) as archive:
        for member in archive:
            target = folder / member.name
            if member.isdir():
                target.mkdir()
            elif member.issym():
                target.symlink_to(member.linkname)
            else:
                with _content(archive, member) as content, target.open("xb") as out:
                    while block := content.read(_BLOCK):
                        out.write(block)
                    out.flush()
                    os.fsync(out.fileno())
            written[target] = _written_ns(member)
    for target, at in reversed(written.items()):  # a folder's time is that of what was last put into it
        os.utime(target, ns=(at, at), follow_symlinks=False)
    for within in [folder, *(path for path in written if path.is_dir() and not path.is_symlink())]:
        sync_folder(within)


def read_from(packed: Path, name: str) -> bytes:
    """Content of one file of a packed folder.

    Parameters
    ----------
    packed : Path
    name : str
        Path within the folder.

    Raises
    ------
    OSError
        If it is not there, or the packed file is damaged.
    """
    with _opened(packed) as archive:
        for member in archive:
            if member.name == name and member.isreg():
                with _content(archive, member) as content:
                    return content.read()
    raise FileNotFoundError(f"{name} is not in {packed.name}")


def zeros_in(packed: Path) -> set[str]:
    """Files of a packed folder that hold nothing but zeros.

    Parameters
    ----------
    packed : Path
    """
    found = set()
    with _opened(packed) as archive:
        for member in archive:
            if member.isreg() and member.size:
                with _content(archive, member) as content:
                    if is_zeros(content):
                        found.add(member.name)
    return found


def is_zeros(content: IO[bytes]) -> bool:
    """Whether what is left of an open file is nothing but zeros.

    Parameters
    ----------
    content : binary file
    """
    return not any(any(block) for block in iter(lambda: content.read(_BLOCK), b""))


def _listed(folder: Path) -> list[tuple[str, os.stat_result]]:
    """Paths within a folder, with what the system tells of each; a folder ahead of what it holds."""
    top = len(os.fspath(folder)) + 1
    paths = [f"{within}/{name}" for within, folders, names in os.walk(folder) for name in (*folders, *names)]
    return sorted(((path[top:], os.lstat(path)) for path in paths), key=lambda each: each[0].split("/"))


def _entry(folder: Path, name: str, status: os.stat_result) -> Entry:
    """As `Entry`; what a file holds is not told yet."""
    if stat.S_ISLNK(status.st_mode):
        return Entry("link", os.readlink(folder / name), status.st_mtime_ns)  # noqa: PTH115 - a Path would tidy it
    if stat.S_ISDIR(status.st_mode):
        return Entry("folder", "", status.st_mtime_ns)
    if stat.S_ISREG(status.st_mode):
        return Entry("file", "", status.st_mtime_ns)
    raise ValueError(f"{folder.name}/{name} is neither a file nor a folder")


def _plain_entries(folder: Path) -> dict[str, Entry]:
    found = {}
    for name, status in _listed(folder):
        entry = _entry(folder, name, status)
        if entry.kind == "file":
            with _Hashed(folder / name) as content:
                while content.read(_BLOCK):
                    pass
                entry = entry._replace(told=content.told())
        found[name] = entry
    return found


class _Hashed(io.FileIO):
    """A file that is hashed as it is read."""

    def __init__(self, path: Path | str) -> None:
        super().__init__(path)
        self._digest = hashlib.sha256()

    def read(self, size: int | None = -1, /) -> bytes:
        block = super().read(size)
        self._digest.update(block)
        return block

    def told(self) -> str:
        """SHA-256 of what was read."""
        return self._digest.hexdigest()


def _packed_entries(packed: Path) -> dict[str, Entry]:
    found = {}
    with _opened(packed) as archive:
        for member in archive:
            if member.isdir():
                kind, told = "folder", ""
            elif member.issym():
                kind, told = "link", member.linkname
            else:
                kind = "file"
                with _content(archive, member) as content:
                    told = _digest(content)
            found[member.name] = Entry(kind, told, _written_ns(member))
    return found


def _digest(content: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while block := content.read(_BLOCK):
        digest.update(block)
    return digest.hexdigest()


def _write(folder: Path, there: Sequence[tuple[str, os.stat_result]], draft: Path) -> dict[str, Entry]:
    """Write the packed file; what went into it."""
    entries = {}
    with draft.open("wb") as out, closing(_Compressing(out)) as archive:
        for name, status in there:
            entry = _entry(folder, name, status)
            archive.write(_header(name, entry, status.st_size))
            if entry.kind == "file":
                entry = entry._replace(told=_add(archive, folder, name, status.st_size))
            entries[name] = entry
        archive.write(bytes(2 * tarfile.BLOCKSIZE))  # no member follows
        archive.write(bytes(-archive.taken % tarfile.RECORDSIZE))
    return entries


def _add(archive: "_Compressing", folder: Path, name: str, size: int) -> str:
    """Add what a file of so many bytes holds; its SHA-256."""
    with _Hashed(f"{folder}/{name}") as content:
        left = size
        while left > 0:
            if not (block := content.read(min(left, _BLOCK))):
                raise OSError(f"{folder.name}/{name} shrank while it was packed")
            archive.write(block)
            left -= len(block)
        if content.read(1):
            raise ValueError(f"{folder.name}/{name} grew while it was packed")
        archive.write(bytes(-size % tarfile.BLOCKSIZE))
        return content.told()


def _header(name: str, entry: Entry, size: int) -> bytes:
    """What is ahead of a member in the archive, as `tarfile` has it; of most files all but four fields are the same."""
    seconds, rest = divmod(abs(entry.written_ns), 10**9)
    written = f"{'-' if entry.written_ns < 0 else ''}{seconds}.{rest:09d}"
    if entry.kind == "file" and name.isascii() and len(name) <= 100 and size < 8**11 and len(written) == len(_WRITTEN):
        # its time from 512; its block from 1024, with the name, at 100 rights and owner, at 124 the size, at 148 the checksum
        known = _known_header()
        times = known[512:1024].replace(_WRITTEN.encode(), written.encode())
        block = name.encode().ljust(100, b"\0") + known[1124:1148] + b"%011o" % size + known[1159:]
        checksum = sum(block) - sum(block[148:156]) + 8 * 32  # the field itself counts as spaces (POSIX.1-2001, ustar)
        return known[:512] + times + block[:148] + b"%06o" % checksum + block[154:]
    member = tarfile.TarInfo(name)
    member.pax_headers = {"mtime": written}
    if entry.kind == "file":
        member.size = size
    else:
        member.type, member.mode = (tarfile.DIRTYPE, 0o755) if entry.kind == "folder" else (tarfile.SYMTYPE, 0o777)
        member.linkname = entry.told if entry.kind == "link" else ""
    return member.tobuf(tarfile.PAX_FORMAT, "utf-8", "surrogateescape")


_WRITTEN = "1000000000.000000000"


@cache
def _known_header() -> bytes:
    """Of an empty file without a name, with a time as long as any from 2001 to 2286."""
    member = tarfile.TarInfo()
    member.pax_headers = {"mtime": _WRITTEN}
    return member.tobuf(tarfile.PAX_FORMAT, "utf-8", "surrogateescape")


class _Compressing:
    """Takes bytes and writes them compressed, frame by frame, each once it is known to give them back; closing it writes the seal."""

    def __init__(self, out: IO[bytes]) -> None:
        self._out, self._waiting, self._digest = out, bytearray(), hashlib.sha256()
        self.taken = 0
        """Bytes so far."""
        self._codec = pa.Codec("zstd", compression_level=_LEVEL)

    def write(self, block: bytes) -> None:
        self.taken += len(block)
        self._waiting += block
        if len(self._waiting) >= _FRAME:
            self._flush()

    def _flush(self) -> None:
        content = bytes(self._waiting)
        frame = self._codec.compress(content, asbytes=True)
        if self._codec.decompress(frame, len(content)) != pa.py_buffer(content):
            raise OSError("what was compressed does not come back")
        self._digest.update(frame)
        self._out.write(frame)
        self._waiting.clear()

    def close(self) -> None:
        self._flush()
        self._out.write(_SEAL + self._digest.digest())


def _check_seal(packed: Path) -> None:
    digest, left = hashlib.sha256(), packed.stat().st_size - len(_SEAL) - 32
    with packed.open("rb") as opened:
        while left > 0 and (block := opened.read(min(_BLOCK, left))):
            digest.update(block)
            left -= len(block)
        if left or opened.read() != _SEAL + digest.digest():
            raise OSError(f"{packed.name} is damaged")


@contextmanager
def _opened(packed: Path) -> Iterator[tarfile.TarFile]:
    """The archive, from its first member to its last; what is wrong with it is an `OSError`."""
    _check_seal(packed)
    try:
        with (
            pa.CompressedInputStream(pa.OSFile(str(packed)), "zstd") as stream,
            tarfile.open(fileobj=cast(IO[bytes], stream), mode="r|") as archive,
        ):
            yield archive
    except (tarfile.TarError, pa.ArrowException, EOFError) as error:
        raise OSError(f"{packed.name} is damaged") from error


def _content(archive: tarfile.TarFile, member: tarfile.TarInfo) -> IO[bytes]:
    return archive.extractfile(member) or io.BytesIO()


def _written_ns(member: tarfile.TarInfo) -> int:
    seconds, _, rest = member.pax_headers["mtime"].partition(".")
    since = int(seconds.removeprefix("-")) * 10**9 + int(rest)
    return -since if seconds.startswith("-") else since
