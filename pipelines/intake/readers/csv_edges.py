"""What loggers write around the samples of a CSV: blank lines, rows of units under the header, a closing text."""

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from data_contracts.recorder import RecorderProfile
from pipelines.intake.readers.clock import clock_pattern

# Most lines that are looked at before and after the samples. Of our choosing: longer texts are no few lines of a logger.
_ROWS_BEFORE, _LINES_AFTER = 3, 200


@dataclass(frozen=True)
class Samples:
    """The lines of a CSV that hold samples, and the first row of text above them, such as units.

    Attributes
    ----------
    lines : bytes
        Without the header.
    under_header : mapping of str to str
        Cell under each picked header; empty where the samples follow at once.
    """

    lines: bytes
    under_header: Mapping[str, str]


def samples_of(lines: bytes, headers: list[str], picked: Mapping[str, str], profile: RecorderProfile) -> Samples:
    """Leave out what holds no sample: blank lines, text right under the header, and a closing text.

    Text amid the samples stays, and is refused where it is read.

    Parameters
    ----------
    lines : bytes
        All that follows the header, UTF-8.
    headers : list of str
        As written.
    picked : mapping of str to str
        Channel, condition or `time` to header.
    profile : RecorderProfile
        How the recorder writes.

    Returns
    -------
    Samples
    """
    row = _Row(headers, picked, profile)
    start, under = 0, None
    for _ in range(_ROWS_BEFORE):
        end = lines.find(b"\n", start) + 1 or len(lines)
        cells = row.cells(lines[start:end])
        if end == start or row.has_time(cells) or row.has_value(cells):
            break
        if under is None and any(cells):
            under = {header: row.at(cells, header) for header in picked.values()}
        start = end
    kept = _without_closing(lines[start:].rstrip(b"\r\n "), row)
    if _may_hold_blank_lines(kept):
        blank = rb"[ \r]" if profile.delimiter != " " else rb"[\r]"
        kept = re.sub(rb"\n(?:" + blank + rb"*\n)+", b"\n", kept)
    kept = kept.strip(b"\r\n")
    return Samples(kept + b"\n" if kept.strip() else b"", under or {})


def _may_hold_blank_lines(lines: bytes) -> bool:
    """Some line ends in a blank, or is empty; looked at all at once, since few files have any."""
    marks = np.frombuffer(lines, dtype=np.uint8)
    ends = np.flatnonzero(marks == ord("\n"))
    last = marks[np.maximum(ends - 1, 0)]
    last = np.where(last == ord("\r"), marks[np.maximum(ends - 2, 0)], last)
    return any((last == ord(mark)).any() for mark in "\n\r ")


def without_trailing_delimiters(lines: bytes, delimiter: str) -> bytes:
    """Rows without the delimiters at their end, for loggers that write one more than the header has.

    Parameters
    ----------
    lines : bytes
        Rows of samples.
    delimiter : str

    Returns
    -------
    bytes
    """
    mark = re.escape(delimiter.encode())
    return re.sub(rb"(?m)(?:[ ]*" + mark + rb")+[ \r]*$", b"", lines)


def _without_closing(lines: bytes, row: "_Row") -> bytes:
    """Up to the last line that tells a time or, without a time column, a value."""
    stop, after = len(lines), []  # the lines after the last sample, the last one first
    for _ in range(_LINES_AFTER):
        start = lines.rfind(b"\n", 0, stop) + 1
        cells = row.cells(lines[start:stop])
        if row.has_time(cells) or (not row.timed and row.has_value(cells)):
            break
        after.append((start, cells))
        stop = max(start - 1, 0)
        if start == 0:
            break
    else:
        return lines
    if not after:
        return lines
    # A damaged sample is no closing text: that begins with a blank line or a row without a value.
    start, cells = after[-1]
    if any(cells) and row.has_value(cells):
        return lines
    return lines[:start]


class _Row:
    """Tells a row of samples from a row of text."""

    def __init__(self, headers: list[str], picked: Mapping[str, str], profile: RecorderProfile) -> None:
        self._places = {header: i for i, header in reversed(list(enumerate(headers)))}
        self._values = [header for name, header in picked.items() if name != "time"]
        self._time = picked.get("time")
        self._profile = profile
        self._clock = re.compile(clock_pattern(profile.clock)) if profile.clock else None
        self._number = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?|[+-]?(nan|inf)", re.IGNORECASE)
        self.timed = self._time is not None

    def cells(self, line: bytes) -> list[str]:
        """Cells of a line, stripped; none of a comment."""
        mark, text = self._profile.comment, line.decode("utf-8", "replace").strip("\r\n")
        if not text.strip() or (mark is not None and text.startswith(mark)):
            return []
        try:
            return [cell.strip() for cell in next(csv.reader([text], delimiter=self._profile.delimiter))]
        except (csv.Error, StopIteration):
            return [text]

    def at(self, cells: list[str], header: str) -> str:
        """Cell under a header."""
        place = self._places[header]
        return cells[place] if place < len(cells) else ""

    def has_time(self, cells: list[str]) -> bool:
        """The time cell is a time; an empty one beside a value is a fault to be told."""
        if self._time is None:
            return False
        cell = self.at(cells, self._time)
        if not cell:
            return self.has_value(cells)
        return bool(self._clock.match(cell) if self._clock else self._number.fullmatch(cell))

    def has_value(self, cells: list[str]) -> bool:
        """A channel's cell is a number, or a text that stands for one."""
        found = [self.at(cells, header) for header in self._values]
        return any(self._number.fullmatch(cell) or cell in self._profile.missing_text for cell in found if cell)
