"""A delivery's manifest: rows as text, then as values, each valid or with the reason it is not."""

import csv
import hashlib
import io
import json
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Any

import polars as pl

from data_contracts.recorder import CANONICAL
from pipelines.intake.delivery import RefusedError
from pipelines.workspace.moments import parse_moment

REQUIRED = ("file", "van_id", "captured_at")
NUMBERS = (
    "odometer_km",
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "trim_idle_pct",
    "trim_2500_pct",
)
TEXTS = ("visit", "fuel", "recorder", "recorder_serial", "ecu_software", "note")
COLUMNS = (*REQUIRED, *NUMBERS, *TEXTS, "closed_loop", "fault_codes")
_GATE_ROWS = 50_000
MOST_ROWS = 200_000
"""Of one manifest: as many as a zip may hold files. Common practice, no source (2026-11-29). [1]"""


@dataclass(frozen=True)
class TextRow:
    """One row as written: number from 1, known columns (empty is None), and what is wrong with its shape."""

    number: int
    cells: Mapping[str, str | None]
    fault: str | None


@dataclass(frozen=True)
class ManifestRow:
    """One row as values.

    Attributes
    ----------
    number : int
        Row of the manifest, from 1.
    file, van_id : str or None
        As written.
    captured_at : datetime or None
        In UTC.
    conditions : mapping of str to object
        Every other column, typed; None is unmeasured.
    fault : tuple of (str, str) or None
        Rule and reason why the row can't be taken in.
    broken : tuple of (str, int)
        Expectations it breaks: suite and place in it.
    """

    number: int
    file: str | None
    van_id: str | None
    captured_at: datetime | None
    conditions: Mapping[str, Any]
    fault: tuple[str, str] | None
    broken: tuple[tuple[str, int], ...] = ()

    def with_conditions(self, said: Mapping[str, float]) -> "ManifestRow":
        """The row with conditions that its file holds, where it says nothing of them itself.

        Parameters
        ----------
        said : mapping of str to float
            By column.

        Returns
        -------
        ManifestRow
        """
        more = {name: value for name, value in said.items() if self.conditions.get(name) is None}
        return replace(self, conditions={**self.conditions, **more}) if more else self

    @cached_property
    def conditions_id(self) -> str:
        """Hash of the conditions."""
        plain = {name: value for name, value in sorted(self.conditions.items()) if value is not None}
        return hashlib.sha256(json.dumps(plain, ensure_ascii=False).encode()).hexdigest()


def read_manifest(content: bytes, given: Collection[str] = ()) -> list[TextRow]:
    """Rows of a manifest as text; blank lines are left out and not counted.

    Parameters
    ----------
    content : bytes
        The file.
    given : collection of str
        Required columns that a mend gives, so that the manifest may lack them.

    Returns
    -------
    list of TextRow

    Raises
    ------
    RefusedError
        If it is no UTF-8 CSV, or a required column is missing; then the exception's `rows` says how many rows it has.
    """
    remedy = "save it as UTF-8 CSV with commas and deliver again"
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RefusedError(
            "unreadable_manifest", f"manifest.csv is not UTF-8 at byte {error.start}: {remedy}"
        ) from None
    try:
        lines = [
            line for line in csv.reader(io.StringIO(text, newline=""), strict=True) if any(c.strip() for c in line)
        ]
    except csv.Error as error:
        raise RefusedError("unreadable_manifest", f"manifest.csv can't be read ({error}): {remedy}") from None
    if not lines:
        raise RefusedError("unreadable_manifest", f"manifest.csv is empty: {remedy}")
    header = [name.strip() for name in lines[0]]
    rows = len(lines) - 1
    if rows > MOST_ROWS:
        raise RefusedManifestError(
            "unreadable_manifest", f"manifest.csv has {rows} rows, at most {MOST_ROWS}: split the delivery", rows
        )
    doubled = sorted(name for name, times in Counter(header).items() if name and times > 1)
    if doubled:
        raise RefusedManifestError(
            "unreadable_manifest", f"manifest.csv has column {doubled[0]} twice: leave one", rows
        )
    missing = [name for name in REQUIRED if name not in header and name not in given]
    if missing:
        seen = ", ".join(header)[:120]
        mend = remedy if len(header) == 1 and any(mark in seen for mark in ";\t|") else "add it and deliver again"
        reason = f"manifest.csv has no column {', '.join(missing)} (it has {seen}): {mend}"
        raise RefusedManifestError("missing_column", reason, rows)
    positions = {name: header.index(name) for name in COLUMNS if name in header}
    found = []
    for number, line in enumerate(lines[1:], start=1):
        fault = None
        if len(line) != len(header):
            fault = (
                f"row {number} has {len(line)} cells, the header {len(header)}: put text that holds a comma in quotes"
            )
        cells = {name: (line[i].strip() or None) if i < len(line) else None for name, i in positions.items()}
        found.append(TextRow(number, cells, fault))
    return found


class RefusedManifestError(RefusedError):
    """A manifest that can't be used although its rows can be counted."""

    def __init__(self, rule: str, reason: str, rows: int) -> None:
        super().__init__(rule, reason)
        self.rows = rows


def check_rows(rows: Sequence[TextRow]) -> list[ManifestRow]:
    """Convert manifest rows to values and check them with the contract suites, all in one batch.

    Parameters
    ----------
    rows : sequence of TextRow
        Of any number of deliveries.

    Returns
    -------
    list of ManifestRow
        In the same order.
    """
    checked: list[ManifestRow] = []
    for start in range(0, len(rows), _GATE_ROWS):
        checked.extend(_check_batch(rows[start : start + _GATE_ROWS]))
    return checked


def suite_tables(rows: Sequence[TextRow]) -> dict[str, pl.DataFrame]:
    """What each contract suite of a manifest checks: every cell as text, then the numbers.

    Parameters
    ----------
    rows : sequence of TextRow

    Returns
    -------
    dict of str to DataFrame
        One row per manifest row; a number that can't be read is null.
    """
    text = pl.DataFrame(
        {name: [row.cells.get(name) for row in rows] for name in COLUMNS}, schema=dict.fromkeys(COLUMNS, pl.String)
    )
    return {"manifest_text": text, "manifest_values": text.select(pl.col(NUMBERS).cast(pl.Float64, strict=False))}


def _check_batch(rows: Sequence[TextRow]) -> list[ManifestRow]:
    from pipelines import contract_suites

    faults: dict[int, list[tuple[str, str]]] = {}
    broken: dict[int, list[tuple[str, int]]] = {}
    for index, row in enumerate(rows):
        if row.fault is not None:
            faults[index] = [("bad_value", row.fault)]
    tables = suite_tables(rows)
    for suite, table in tables.items():
        for fault in contract_suites.check(table, suite):
            faults.setdefault(fault.index, []).append((fault.rule, fault.reason))
            broken.setdefault(fault.index, []).append((suite, fault.expectation))
    text, values = tables.values()
    moments = [None if cell is None else parse_moment(cell) for cell in text["captured_at"]]
    for index, moment in enumerate(moments):
        if moment is None and index not in faults:
            reason = f"captured_at is {text['captured_at'][index]!r}: must be a moment of the calendar; correct it and deliver again"
            faults[index] = [("bad_value", reason)]
    return [
        ManifestRow(
            number=row.number,
            file=row.cells.get("file"),
            van_id=row.cells.get("van_id"),
            captured_at=moments[index],
            conditions=_conditions(row, numbers),
            fault=_joined(faults.get(index)),
            broken=tuple(broken.get(index, ())),
        )
        for index, (row, numbers) in enumerate(zip(rows, values.iter_rows(named=True), strict=True))
    ]


def _joined(faults: list[tuple[str, str]] | None) -> tuple[str, str] | None:
    return None if not faults else (faults[0][0], "; ".join(reason for _, reason in faults))


def _conditions(row: TextRow, numbers: Mapping[str, float | None]) -> dict[str, Any]:
    codes = row.cells.get("fault_codes")
    loop = row.cells.get("closed_loop")
    texts = {name: row.cells.get(name) for name in TEXTS}
    return {
        **numbers,
        **texts,
        "recorder": texts["recorder"] or CANONICAL.name,
        "closed_loop": None if loop is None else loop.lower() == "true",
        "fault_codes": None if codes is None else [c.strip().upper() for c in codes.split(";") if c.strip()],
    }
