"""Text of a PDF as typst writes it, so that a test can open one without another program."""

import re
import zlib

_OBJECT = re.compile(rb"(?:^|\n)(\d+) 0 obj\s(.*?)\nendobj", re.S)
_STREAM = re.compile(rb"stream\r?\n(.*)\nendstream", re.S)
_ESCAPE = re.compile(rb"\\([0-7]{1,3}|.)", re.S)
_TOKEN = re.compile(rb"\bBT\b|/(f\d+) [\d.]+ Tf|\(")
_NAMED = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


def page_count(pdf: bytes) -> int:
    """Pages, from the root of the page tree."""
    return max(int(count) for count in re.findall(rb"/Count (\d+)", pdf))


def text_of(pdf: bytes) -> str:
    """All text, in the order it is drawn; each text object on a line of its own."""
    objects = {int(found[1]): found[2] for found in _OBJECT.finditer(pdf)}
    fonts = {
        name.decode(): _unicode(_content(objects[int(map_of[1])]))
        for one in objects.values()
        for name, number in re.findall(rb"/(f\d+) (\d+) 0 R", one)
        if (map_of := re.search(rb"/ToUnicode (\d+) 0 R", objects[int(number)]))
    }
    pages = [int(number) for one in objects.values() for number in re.findall(rb"/Contents (\d+) 0 R", one)]
    return "\n".join(line for page in pages for line in _lines(_content(objects[page]), fonts))


def _content(one: bytes) -> bytes:
    stream = _STREAM.search(one)
    assert stream is not None
    return zlib.decompress(stream[1]) if b"/FlateDecode" in one[: stream.start()] else stream[1]


def _unicode(cmap: bytes) -> dict[int, str]:
    """Glyph to text, of the map of one font."""
    found: dict[int, str] = {}
    for block in re.findall(rb"beginbfchar(.*?)endbfchar", cmap, re.S):
        for glyph, text in re.findall(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            found[int(glyph, 16)] = bytes.fromhex(text.decode()).decode("utf-16-be")
    for block in re.findall(rb"beginbfrange(.*?)endbfrange", cmap, re.S):
        for low, high, text in re.findall(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>", block):
            first = ord(bytes.fromhex(text.decode()).decode("utf-16-be"))
            found |= {glyph: chr(first + glyph - int(low, 16)) for glyph in range(int(low, 16), int(high, 16) + 1)}
    return found


def _lines(content: bytes, fonts: dict[str, dict[int, str]]) -> list[str]:
    lines: list[str] = []
    font: dict[int, str] = {}
    place = 0
    while found := _TOKEN.search(content, place):
        place = found.end()
        if found[0] == b"BT":
            lines.append("")
        elif found[1]:
            font = fonts[found[1].decode()]
        else:
            raw, place = _string(content, place)
            lines[-1] += "".join(font.get(raw[k] * 256 + raw[k + 1], "") for k in range(0, len(raw) - 1, 2))
    return lines


def _string(content: bytes, place: int) -> tuple[bytes, int]:
    """A string from behind its opening parenthesis, and where it ends: pairs of parentheses inside need no escape."""
    out, depth = bytearray(), 1
    while True:
        if escape := _ESCAPE.match(content, place):
            out += bytes([int(escape[1], 8)]) if escape[1][:1].isdigit() else _NAMED.get(escape[1], escape[1])
            place = escape.end()
            continue
        depth += {b"(": 1, b")": -1}.get(content[place : place + 1], 0)
        place += 1
        if not depth:
            return bytes(out), place
        out += content[place - 1 : place]
