"""Files handed over for one visit, single, several or zipped, laid out in a folder within stated bounds."""

import io
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path, PurePosixPath

from data_contracts.errors import InputError, TooLargeError, VansnapError, first_line
from pipelines.intake.readers.csv_gz import unpacked
from pipelines.intake.readers.recording import ending_of, told_endings

MOST_RECORDINGS = 24
"""Recordings of one visit; five snaps are asked for. Common practice, no source (2026-11-29)."""
_LONGEST_NAME = 80


def lay_out(given: Sequence[tuple[str, bytes]], folder: Path, *, most_bytes: int) -> Path:
    """Write the recordings of a visit into a folder.

    Parameters
    ----------
    given : sequence of (name, content)
        As handed over; a .zip stands for the recordings in it, whatever their folders.
    folder : Path
        An empty folder.
    most_bytes : int
        Most that all of it may hold, unpacked. [bytes]

    Returns
    -------
    Path
        The recording, or the folder where there are several.

    Raises
    ------
    InputError
        In one line: nothing to read, too many, too large, or an archive that can't be read.
    """
    written: list[Path] = []
    left = most_bytes
    for name, content in _recordings(given, most_bytes):
        if len(written) == MOST_RECORDINGS:
            raise InputError(f"more than {MOST_RECORDINGS} recordings: give those of one visit")
        left -= _size(name, content, most_bytes)
        if left < 0:
            raise _too_large(most_bytes)
        path = folder / _free_name(name, {each.name for each in written})
        path.write_bytes(content)
        written.append(path)
    if not written:
        raise InputError(
            f"no recording in {', '.join(name[:_LONGEST_NAME] for name, _ in given)}: give {told_endings()}"
        )
    return written[0] if len(written) == 1 else folder


def _size(name: str, content: bytes, most_bytes: int) -> int:
    """How much a recording holds once unpacked; a damaged one is left to its reader, which says what is wrong."""
    if not name.lower().endswith(".gz"):
        return len(content)
    try:
        return len(unpacked(content, most_bytes))
    except TooLargeError:
        raise _too_large(most_bytes) from None
    except VansnapError:
        return len(content)


def _recordings(given: Sequence[tuple[str, bytes]], most_bytes: int) -> Iterator[tuple[str, bytes]]:
    """Recordings given, and those in archives given; anything else in an archive is passed over."""
    for name, content in given:
        if name.lower().endswith(".zip"):
            yield from _archived(name, content, most_bytes)
        elif ending_of(name):
            yield name, content


def _archived(name: str, content: bytes, most_bytes: int) -> Iterator[tuple[str, bytes]]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = [m for m in archive.infolist() if not m.is_dir() and _is_recording(m.filename)]
            if len(members) > MOST_RECORDINGS:
                raise InputError(
                    f"{name} holds {len(members)} recordings, at most {MOST_RECORDINGS}: give those of one visit"
                )
            if sum(member.file_size for member in members) > most_bytes:
                raise _too_large(most_bytes)
            for member in members:
                with archive.open(member) as opened:
                    inside = opened.read(most_bytes + 1)  # whatever the archive says of its size
                if len(inside) > most_bytes:
                    raise _too_large(most_bytes)
                yield member.filename, inside
    except InputError:
        raise
    except Exception as error:  # every method of compression has errors of its own
        raise InputError(f"{name} can't be unpacked ({first_line(error)}): make the archive again") from error


def _is_recording(name: str) -> bool:
    plain = PurePosixPath(name.replace("\\", "/"))
    hidden = any(part.startswith((".", "__MACOSX")) for part in plain.parts if part != "..")
    return not hidden and plain.name.lower() != "manifest.csv" and bool(ending_of(plain.name))


def _free_name(name: str, taken: set[str]) -> str:
    """The file's own name without its folders, made different where another has it."""
    own = "".join(c for c in PurePosixPath(name.replace("\\", "/")).name if c.isprintable())
    ending = ending_of(own)
    stem = own[: len(own) - len(ending)][-_LONGEST_NAME:] or "recording"
    count, free = 1, stem + ending
    while free in taken:
        count += 1
        free = f"{stem} ({count}){ending}"
    return free


def _too_large(most_bytes: int) -> InputError:
    return InputError(f"more than {most_bytes // 1024**2} MB once unpacked: record less around the snap, or give fewer")
