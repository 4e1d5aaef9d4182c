"""What happens to files on their way: bytes flipped, cut, doubled and swapped, and cells of text replaced by odd ones."""

import random
import re
from collections.abc import Callable, Sequence

ODD_CELLS = (
    b"",
    b" ",
    b"0",
    b"-0",
    b"-1",
    b"1e308",
    b"-1e400",
    b"nan",
    b"inf",
    b"9" * 400,
    b"0x1F",
    b"1_000",
    b"1,5",
    b"true",
    b"null",
    b"[]",
    b"{}",
    b"[[[[[[[[",
    b'"',
    b'"""',
    b"'",
    b"\\",
    b"\x00",
    b"\x1b[2J\x07",
    b"\r\n",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    "\u202eabc".encode(),
    "Ã¼ß…".encode(),
    b"../../../etc/passwd",
    b"C:\\x",
    b"=cmd()",
    b"%s%n{0}",
    b"2026-02-30",
    b"0001-01-01T00:00:00Z",
    b"9999-12-31T23:59:60+23:59",
    b"2026-03-02T09:15:00+01:00",
    b"a" * 5000,
    b";" * 200,
    b"\n" * 200,
)
_CELL = re.compile(rb"[^,;=\t\r\n\[\]{}\"' ]+")


def mutated(content: bytes, rng: random.Random, others: Sequence[bytes]) -> bytes:
    """A file with one to four things wrong.

    Parameters
    ----------
    content : bytes
        A sound file.
    rng : random.Random
    others : sequence of bytes
        Sound files to take pieces from.
    """
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        content = rng.choice(_WAYS)(content, rng, others)
    return content


def _place(content: bytes, rng: random.Random) -> int:
    """Any place, every second time one near the beginning or the end, where formats keep what they are."""
    near = min(len(content), 120)
    return rng.choice(
        (rng.randrange(len(content) + 1), rng.randrange(near + 1), len(content) - rng.randrange(near + 1))
    )


def _flip(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    changed = bytearray(content)
    for _number in range(rng.choice((1, 1, 2, 8, 64))):
        if changed:
            changed[min(_place(content, rng), len(changed) - 1)] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _overwrite(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(content, rng)
    what = rng.choice((b"\xff" * 4, b"\x00" * 8, b"\x7f\xff\xff\xff", rng.randbytes(rng.randrange(1, 17))))
    return content[:at] + what + content[at + len(what) :]


def _cut(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    return content[: _place(content, rng)]


def _without(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(content, rng)
    return content[:at] + content[at + rng.choice((1, 2, 7, 100, 5000)) :]


def _insert(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    at = _place(content, rng)
    return content[:at] + rng.choice((rng.choice(ODD_CELLS), rng.randbytes(rng.randrange(1, 40)))) + content[at:]


def _splice(content: bytes, rng: random.Random, others: Sequence[bytes]) -> bytes:
    other = rng.choice(others)
    return content[: _place(content, rng)] + other[_place(other, rng) :]


def _cell(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    cells = list(_CELL.finditer(content[:4000]))
    if not cells:
        return _insert(content, rng, ())
    cell = rng.choice(cells)
    return content[: cell.start()] + rng.choice(ODD_CELLS) + content[cell.end() :]


def _lines(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    """A line twice, left out, swapped with another, or joined with the next."""
    lines = content.split(b"\n")
    at, to = rng.randrange(len(lines)), rng.randrange(len(lines))
    way = rng.randrange(4)
    if way == 0:
        lines.insert(to, lines[at])
    elif way == 1:
        del lines[at]
    elif way == 2:
        lines[at], lines[to] = lines[to], lines[at]
    else:
        lines[at : at + 2] = [b"".join(lines[at : at + 2])]
    return b"\n".join(lines)


def _columns(content: bytes, rng: random.Random, _: Sequence[bytes]) -> bytes:
    """The header's cells doubled, left out or in another order, the rows as they are."""
    head, *rest = content.split(b"\n")
    cells = head.split(b",")
    at = rng.randrange(len(cells))
    cells = rng.choice(([*cells, cells[at]], cells[:at] + cells[at + 1 :], rng.sample(cells, len(cells)), cells * 40))
    return b"\n".join([b",".join(cells), *rest])


_WAYS: tuple[Callable[[bytes, random.Random, Sequence[bytes]], bytes], ...] = (
    _flip,
    _overwrite,
    _cut,
    _without,
    _insert,
    _splice,
    _cell,
    _cell,
    _lines,
    _columns,
)
