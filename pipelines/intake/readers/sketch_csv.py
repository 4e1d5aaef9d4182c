"""A CSV sketched: its encoding, delimiter, decimal mark, comments, rows before the header and units are found out."""

import codecs
import csv
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from data_contracts.errors import UnreadableFileError
from data_contracts.recorder_units import UNITS
from pipelines.intake.readers.csv_gz import unpacked
from pipelines.intake.readers.sketch import MOST_ROWS, Sketch, SketchColumn
from pipelines.intake.readers.values import named_unit

_DELIMITERS = (";", "\t", ",", "|")
_SEPARATOR = re.compile(r'"?sep=(.)"?\s*', re.IGNORECASE)  # a first line that names the delimiter, for spreadsheets
_COMMENT_MARKS = ("#", "%", "//", "*")
_LOOKED_AT = 400  # lines that tell how the file is written
_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")
_CLOCK = re.compile(r".*\d:\d\d.*")
TIME_UNITS = ("s", "ms", "us", "ns")
_EVERY_UNIT = tuple(dict.fromkeys([*TIME_UNITS, *(unit for units in UNITS.values() for unit in units if unit != "1")]))
# A text that stands amid the numbers of a column is a mark of a missing value; so many kinds of it are no marks.
_MOST_MARKS = 4


@dataclass(frozen=True)
class _Layout:
    """Delimiter, the lines of header and units (no line: -1), the first line of samples, and cells of a row."""

    delimiter: str
    header: int
    units: int
    first: int
    cells: int


def sketch_csv_gz(content: bytes) -> Sketch:
    """Sketch a gzip'd CSV; errors as for `sketch_csv`."""
    return sketch_csv(unpacked(content))


def sketch_csv(content: bytes) -> Sketch:
    """Sketch a CSV.

    Parameters
    ----------
    content : bytes
        The whole file.

    Returns
    -------
    Sketch

    Raises
    ------
    UnreadableFileError
        If it holds no table of numbers.
    """
    encoding = _encoding(content)
    text = content.decode(encoding, errors="replace").removeprefix("\ufeff")
    lines = [line.rstrip("\r") for line in text.split("\n", MOST_ROWS)[:MOST_ROWS]]
    layout = _layout(lines)
    headers = _cells(lines[layout.header], layout.delimiter)
    units = _cells(lines[layout.units], layout.delimiter) if layout.units >= 0 else []
    rows = [_cells(line, layout.delimiter) for line in lines[layout.first :] if line.strip()]
    rows = _without_closing([row for row in rows if _is_data(row)])
    decimal = _decimal(rows, layout.delimiter)
    columns, marks = [], Counter[str]()
    for place, header in enumerate(headers):
        if not header:
            continue
        cells = tuple(row[place] if place < len(row) else "" for row in rows)
        numbers = np.array([_number(cell, decimal) for cell in cells])
        words = Counter(cell for cell, number in zip(cells, numbers, strict=True) if cell and np.isnan(number))
        share = float(np.isfinite(numbers).mean()) if numbers.size else 0.0
        if share > 0.5 and len(words) <= _MOST_MARKS:
            marks.update(words)
        unit = units[place].strip("[]() ") if place < len(units) else ""
        columns.append(SketchColumn(header, unit, numbers, cells if words and share < 0.5 else ()))
    return Sketch(columns, _written(encoding, layout, lines, decimal, sorted(marks)))


def _without_closing(rows: list[list[str]]) -> list[list[str]]:
    """Rows without those at the end that have text where nearly every row has a number, such as sums."""
    head = rows[:_LOOKED_AT]
    width = max((len(row) for row in head), default=0)
    filled = [[row[i] for row in head if i < len(row) and row[i]] for i in range(width)]
    numeric = [
        i
        for i, cells in enumerate(filled)
        if cells and sum(bool(_NUMBER.fullmatch(c)) for c in cells) > 0.95 * len(cells)
    ]
    stop = len(rows)
    while stop and any(i < len(rows[stop - 1]) and not _NUMBER.fullmatch(rows[stop - 1][i] or "0") for i in numeric):
        stop -= 1
    return rows[:stop]


def _written(
    encoding: str, layout: _Layout, lines: Sequence[str], decimal: str, marks: Sequence[str]
) -> dict[str, object]:
    """Keys of [profile] that differ from what is taken where they are left out."""
    found: dict[str, object] = {}
    if layout.delimiter != ",":
        found["delimiter"] = layout.delimiter
    if decimal != ".":
        found["decimal"] = decimal
    if encoding not in ("utf-8", "utf-8-sig"):
        found["encoding"] = encoding
    before = [line for line in lines[: layout.header] if line.strip()]
    mark = next((m for m in _COMMENT_MARKS if before and all(line.startswith(m) for line in before)), "")
    if lines[layout.header].startswith(mark):
        mark = ""  # the header looks like a comment itself, or there is no mark
    if mark:
        found["comment"] = mark
    elif layout.header:
        found["skip_rows"] = layout.header
    if marks:
        found["missing_text"] = list(marks)
    return found


def _encoding(content: bytes) -> str:
    head = content[:1_000_000]
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    for ending, places in (("utf-16-le", head[1:2000:2]), ("utf-16-be", head[0:2000:2])):
        if places and places.count(0) > len(places) // 2:
            return ending
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _layout(lines: Sequence[str]) -> _Layout:
    """How rows are cut, and where header and samples begin.

    The delimiter that makes the longest table wins, then that with the most cells that are numbers, less those of text:
    decimal commas cut as delimiters leave pieces such as "001;1".
    """
    named = _SEPARATOR.fullmatch(lines[0]) if lines else None
    if named:
        lines = ["", *lines[1:]]
    best = (_longest(lines, (named[1],)) if named else None) or _longest(lines, _DELIMITERS)
    if best is None:
        raise UnreadableFileError("the file holds no table of numbers: export it as CSV with a header row")
    delimiter, first, count = best
    rows = [_cells(line, delimiter) for line in lines[: first + 3]]
    if _is_header(rows[first], rows[first + 1 : first + 3]):
        first += 1
    above = [i for i in range(first - 1, max(first - 9, -1), -1) if any(rows[i])][:3]
    while above and abs(len(rows[above[0]]) - count) > 1 and len(above) > 1:
        above.pop(0)
    if not above:
        raise UnreadableFileError("the file has no header row: write one with the names of its columns")
    header, units = above[0], -1
    if len(above) > 1 and _are_units(rows[above[0]]) and abs(len(rows[above[1]]) - count) <= 1:
        header, units = above[1], above[0]
    return _Layout(delimiter, header, units, first, count)


def _longest(lines: Sequence[str], delimiters: Sequence[str]) -> tuple[str, int, int] | None:
    """Delimiter, first row and cells of the best table; None where none makes one."""
    best: tuple[int, float, int, int, str, int] | None = None
    for order, delimiter in enumerate(delimiters):
        rows = [_cells(line, delimiter) for line in lines[:_LOOKED_AT]]
        for count, first, length, numbers in _runs(rows):
            found = (length * min(count, 2), numbers, count, -order, delimiter, first)
            if best is None or found[:4] > best[:4]:
                best = found
    return None if best is None else (best[4], best[5], best[2])


def _runs(rows: Sequence[Sequence[str]]) -> list[tuple[int, int, int, float]]:
    """Cells, first row and length of every run of rows of samples that have as many cells; numbers less texts of a row."""
    found, at = [], 0
    kept = [(i, row) for i, row in enumerate(rows) if any(row)]
    for (count, data), group in itertools.groupby(kept, key=lambda each: (len(each[1]), _is_data(each[1]))):
        members = list(group)
        at = members[0][0]
        if data and len(members) > 1:
            kinds = [_kinds(row) for _, row in members]
            found.append((count, at, len(members), sum(numbers - text for numbers, text in kinds) / len(kinds)))
    return found


def _kinds(row: Sequence[str]) -> tuple[int, int]:
    """How many cells are numbers or clock times, and how many are text."""
    numbers = sum(bool(_NUMBER.fullmatch(cell) or _CLOCK.fullmatch(cell)) for cell in row)
    return numbers, sum(bool(cell) for cell in row) - numbers


def _is_data(row: Sequence[str]) -> bool:
    """At least one number, and no more text than numbers and clock times."""
    numbers, text = _kinds(row)
    return text <= numbers and any(_NUMBER.fullmatch(cell) for cell in row)


def _is_header(row: Sequence[str], below: Sequence[Sequence[str]]) -> bool:
    """Text above numbers: headers may be numbers themselves."""
    return any(
        cell and not _NUMBER.fullmatch(cell) and not _CLOCK.fullmatch(cell)
        for i, cell in enumerate(row)
        if all(i < len(other) and _NUMBER.fullmatch(other[i]) for other in below)
    )


def _are_units(row: Sequence[str]) -> bool:
    filled = [cell for cell in row if cell]
    known = sum(bool(named_unit(cell, _EVERY_UNIT)) for cell in filled)
    return known >= 1 and 2 * known >= len(filled)


def _decimal(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    """The decimal mark of the numbers."""
    cells = [cell for row in rows[:_LOOKED_AT] for cell in row if _NUMBER.fullmatch(cell)]
    commas, points = sum("," in cell for cell in cells), sum("." in cell for cell in cells)
    return "," if delimiter != "," and commas > points else "."


def _number(cell: str, decimal: str) -> float:
    if not _NUMBER.fullmatch(cell) or (decimal == "." and "," in cell):
        return float("nan")
    return float(cell.replace(",", ".") if decimal == "," else cell)


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []
