"""A look at the blocks of an MDF 4 file before it is decoded: nothing runs in a circle, nothing unpacks to more than allowed.

ASAM MDF 4.1: every block starts with its id, length and links; what links mean depends on the kind of block.
"""

import struct
import zlib

from data_contracts.errors import TooLargeError, UnreadableFileError
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES, check_samples

_FIRST_BLOCK = 64
_HEAD = struct.Struct("<4s4xQQ")
_MOST_BLOCKS = 500_000
# How many of a block's links lead on; the others name blocks elsewhere in the tree. None: all of them.
_LEADING: dict[bytes, int | None] = {
    b"##HD": None,
    b"##DG": None,
    b"##CG": 6,
    b"##CN": 8,
    b"##CC": None,
    b"##CA": 1,
    b"##DL": None,
    b"##HL": None,
    b"##LD": None,
    b"##SI": None,
    b"##SR": 2,
    b"##CH": 2,
    b"##FH": None,
    b"##AT": 1,
    b"##EV": 1,
}
_DATA = (b"##DT", b"##SD", b"##RD", b"##DV", b"##DI")


def check_blocks(content: bytes) -> None:
    """Refuse an MDF file whose blocks can't be followed safely.

    Parameters
    ----------
    content : bytes
        The whole file.

    Raises
    ------
    WaveformError
        If it is no finished MDF 4 file, is cut short or damaged, or holds or unpacks to too much.
    """
    if content[:8] == b"UnFinMF ":
        raise UnreadableFileError(
            "the logger did not finish this MDF file: finish it with the logger, or export it as CSV"
        )
    if content[:8] != b"MDF     " or content[8:10] != b"4.":
        raise UnreadableFileError("the file is not MDF 4: export it as MDF 4, CSV or Parquet")
    walk = _Walk(content)
    done: set[int] = set()
    above: set[int] = set()
    todo = [(_FIRST_BLOCK, False)]
    while todo:
        place, left = todo.pop()
        if left:
            above.discard(place)
            done.add(place)
            continue
        if place in done:
            continue
        if place in above:
            raise UnreadableFileError("the MDF file is damaged, its blocks run in a circle: export it again")
        above.add(place)
        todo.append((place, True))
        todo += [(link, False) for link in walk.links(place)]
        if len(done) + len(todo) > _MOST_BLOCKS:
            raise TooLargeError(f"the MDF file holds more than {_MOST_BLOCKS} blocks: split the recording")


class _Walk:
    """Follows the blocks of a file, and adds up what they unpack to."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        self._unpacked = 0

    def links(self, place: int) -> list[int]:
        """Places of the blocks that a block leads on to."""
        kind, length, count = self._head(place)
        if kind in _DATA or kind == b"##DZ":
            self._add(self._unpacked_bytes(kind, place, length))
        if kind == b"##CG":
            self._check_group(place + 24 + 8 * count)
        leading = _LEADING.get(kind, 0)
        count = count if leading is None else min(count, leading)
        found = [link for link in struct.unpack_from(f"<{count}Q", self._content, place + 24) if link]
        if kind == b"##DL" and len(set(found)) < len(found):  # one listed again and again is unpacked as often
            raise UnreadableFileError("the MDF file is damaged, it lists a block twice: export it again")
        return found

    def _head(self, place: int) -> tuple[bytes, int, int]:
        if place < _FIRST_BLOCK or place + 24 > len(self._content):
            raise self._cut()
        kind, length, count = _HEAD.unpack_from(self._content, place)
        if kind[:2] != b"##" or length < 24 + 8 * count or place + length > len(self._content):
            raise self._cut()
        return kind, length, count

    def _check_group(self, place: int) -> None:
        """Cycles and record size of a channel group."""
        if place + 32 > len(self._content):
            raise self._cut()
        _, cycles, _, data, invalid = struct.unpack_from("<QQ8sII", self._content, place)
        check_samples(cycles)
        self._add(0, cycles * (data + invalid))

    def _unpacked_bytes(self, kind: bytes, place: int, length: int) -> int:
        if kind != b"##DZ":
            return length - 24
        if length < 48:
            raise self._cut()
        packing, unpacked, packed = struct.unpack_from("<xxB5xQQ", self._content, place + 24)
        if packing > 1:
            raise UnreadableFileError("the MDF file is packed in a way that is not read: export it unpacked, or as CSV")
        self._add(0, unpacked)
        unpacker = zlib.decompressobj()
        try:
            found = len(unpacker.decompress(self._content[place + 48 : place + 48 + packed], unpacked + 1))
        except zlib.error:
            raise self._cut() from None
        if found != unpacked:
            raise self._cut()
        return found

    def _add(self, more: int, other: int = 0) -> None:
        self._unpacked += more
        if max(self._unpacked, other) > LARGEST_FILE_BYTES:
            raise TooLargeError(
                f"the MDF file unpacks to more than {LARGEST_FILE_BYTES / 1e6:.0f} MB: split the recording"
            )

    @staticmethod
    def _cut() -> UnreadableFileError:
        return UnreadableFileError("the file is cut short or is not whole MDF 4: export it again")
