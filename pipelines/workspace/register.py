"""The fleet register: vans, engine families, recorder profiles and repairs, read from a folder of plain files.

A wrong entry stops only itself (a broken family: its own vans; a broken profile: its own recordings). Every
fault is kept as one clear line; the rest of the register is used.
"""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.entries import shown, toml_document, unknown_name
from data_contracts.errors import InputError, MissingFileError, RegisterError, first_line, one_line
from data_contracts.family import Family, parse_family
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from data_contracts.tables import PART_PREFIX, REGISTER_COLUMNS, REPAIRS, VANS, polars_schema
from data_contracts.work_done.entry import parse_work
from data_contracts.work_done.record import Work
from pipelines.workspace.moments import parse_moment


@dataclass(frozen=True)
class Van:
    """One van, as `data_contracts.tables.VANS` describes it."""

    van_id: str
    family: str
    depot: str
    in_service_on: date | None
    warranty_until: date | None
    odometer_km: float | None
    lambda_banks: int | None
    note: str | None
    vin: str | None = None
    plate: str | None = None
    warranty_until_km: float | None = None
    duty: str | None = None
    fuel_station: str | None = None
    workshop: str | None = None
    batch: str | None = None
    fuel: str | None = None
    part_numbers: str | None = None


@dataclass(frozen=True)
class Repair:
    """One repair, which starts a new baseline for what it touched."""

    repair_id: str
    van_id: str
    done_at: datetime
    work: str
    parts: str | None
    work_order: str | None
    note: str | None


@dataclass(frozen=True)
class RegisterFault:
    """One entry not used: file in the register, row from 1 (None: no row), one clear line, its van; `whole`: nothing of the file is used."""

    file: str
    row: int | None
    reason: str
    van_id: str | None = None
    whole: bool = False

    def __post_init__(self) -> None:  # whatever cells the reason quotes, it is one line
        object.__setattr__(self, "reason", one_line(self.reason))


@dataclass(frozen=True)
class Register:
    """What is known of the fleet.

    Attributes
    ----------
    vans : mapping of str to Van
        By van_id.
    families : mapping of str to Family
        Sound families by key.
    broken_families : mapping of str to str
        Key to what is wrong.
    recorders : mapping of str to RecorderProfile
        Sound profiles by name; always holds `canonical`.
    broken_recorders : mapping of str to str
        Name to what is wrong.
    repairs : tuple of Repair
        Oldest first.
    works : mapping of str to Work
        Work that touches something or nothing, beside what the software knows.
    absences : mapping of str to tuple of (date, date)
        Van to the days, both included, on which no workshop can have it.
    faults : tuple of RegisterFault
        Everything that is not used.
    """

    vans: Mapping[str, Van] = field(default_factory=dict)
    families: Mapping[str, Family] = field(default_factory=dict)
    broken_families: Mapping[str, str] = field(default_factory=dict)
    recorders: Mapping[str, RecorderProfile] = field(default_factory=lambda: {CANONICAL.name: CANONICAL})
    broken_recorders: Mapping[str, str] = field(default_factory=dict)
    repairs: tuple[Repair, ...] = ()
    works: Mapping[str, Work] = field(default_factory=dict)
    absences: Mapping[str, tuple[tuple[date, date], ...]] = field(default_factory=dict)
    faults: tuple[RegisterFault, ...] = ()

    def vans_frame(self) -> pl.DataFrame:
        """Rows of the table `vans`."""
        return pl.DataFrame([vars(van) for van in self.vans.values()], schema=polars_schema(VANS))

    def repairs_frame(self) -> pl.DataFrame:
        """Rows of the table `repairs` that come from the register."""
        return pl.DataFrame([vars(repair) for repair in self.repairs], schema=polars_schema(REPAIRS))


def load_register(folder: Path) -> Register:
    """Read the whole register.

    Parameters
    ----------
    folder : Path
        register/ of a workspace.

    Returns
    -------
    Register

    Raises
    ------
    MissingFileError
        If the folder is not there.
    """
    if not folder.is_dir():
        raise MissingFileError(f"there is no register at {folder}: make it, or name the workspace with --home")
    faults: list[RegisterFault] = []
    families, broken_families = load_families(folder, faults)
    recorders, broken_recorders = load_recorders(folder, faults)
    return Register(
        vans=_load_vans(folder, faults),
        families=families,
        broken_families=broken_families,
        recorders=recorders,
        broken_recorders=broken_recorders,
        repairs=_load_repairs(folder, faults),
        works=_load_works(folder, faults),
        absences=_load_absences(folder, faults),
        faults=tuple(faults),
    )


def load_families(folder: Path, faults: list[RegisterFault] | None = None) -> tuple[dict[str, Family], dict[str, str]]:
    """Read families.toml alone; quick, since it needs no contract suite.

    Parameters
    ----------
    folder : Path
        register/ of a workspace.
    faults : list of RegisterFault, optional
        Takes every fault.

    Returns
    -------
    tuple of (dict of str to Family, dict of str to str)
        Sound families, and what is wrong with the others.
    """
    faults = [] if faults is None else faults
    families: dict[str, Family] = {}
    broken: dict[str, str] = {}
    for name, table in _read_toml(folder / "families.toml", "families.toml", faults).items():
        if name == "source" and isinstance(table, str):
            continue
        try:
            if not isinstance(table, Mapping):
                raise RegisterError(shown(f"family {name}: is {shown(table)}: make it a table [{name}]", longest=None))
            families[name] = parse_family(name, table)
        except RegisterError as error:
            broken[name] = str(error)
            faults.append(RegisterFault("families.toml", None, str(error)))
    return families, broken


def load_recorders(
    folder: Path, faults: list[RegisterFault] | None = None
) -> tuple[dict[str, RecorderProfile], dict[str, str]]:
    """Read recorders/*.toml alone.

    Parameters
    ----------
    folder : Path
        register/ of a workspace.
    faults : list of RegisterFault, optional
        Takes every fault.

    Returns
    -------
    tuple of (dict of str to RecorderProfile, dict of str to str)
        Sound profiles, `canonical` among them, and what is wrong with the others.
    """
    faults = [] if faults is None else faults
    recorders, broken = {CANONICAL.name: CANONICAL}, {}
    for path in sorted((folder / "recorders").glob("*.toml")):
        file, name, before = f"recorders/{path.name}", path.stem, len(faults)
        document = _read_toml(path, file, faults)
        try:
            if len(faults) > before:
                raise RegisterError(faults.pop().reason)
            if name == CANONICAL.name:
                raise RegisterError(f"recorder {name}: is the delivery format itself: give this profile another name")
            recorders[name] = parse_profile(name, document)
        except RegisterError as error:
            broken[name] = str(error)
            faults.append(RegisterFault(file, None, str(error)))
    return recorders, broken


def _read_toml(path: Path, file: str, faults: list[RegisterFault]) -> dict[str, Any]:
    try:
        return toml_document(path.read_bytes())
    except FileNotFoundError:
        faults.append(RegisterFault(file, None, f"register/{file} is missing: add it", whole=True))
    except OSError as error:
        faults.append(
            RegisterFault(file, None, f"register/{file} can't be read ({error}): make it a readable file", whole=True)
        )
    except InputError as error:
        faults.append(RegisterFault(file, None, f"register/{file} {error}", whole=True))
    return {}


def _read_table(folder: Path, file: str, faults: list[RegisterFault]) -> pl.DataFrame:
    """A register CSV as trimmed text, its row number in the column `row`; empty where the file can't be used."""
    required = [column.name for column in REGISTER_COLUMNS[file] if column.required]
    nothing = pl.DataFrame(schema={"row": pl.Int64} | dict.fromkeys(required, pl.String))
    path = folder / file

    def refuse(reason: str, *, whole: bool = True) -> None:
        faults.append(RegisterFault(file, None, shown(f"register/{file} {reason}", longest=None), whole=whole))

    if not path.is_file():
        if file == "vans.csv":
            refuse("is missing: add it")
        return nothing
    try:
        text = path.read_bytes().decode("utf-8-sig").encode()
        cells = pl.read_csv(text, has_header=False, infer_schema=False, comment_prefix="#", encoding="utf8")
    except pl.exceptions.NoDataError:
        refuse(f"is empty: start it with {','.join(required)}")
        return nothing
    except (pl.exceptions.PolarsError, OSError, UnicodeDecodeError) as error:
        refuse(f"can't be read ({first_line(error)}): save it as UTF-8 CSV with commas")
        return nothing
    cells = cells.with_columns(pl.all().str.strip_chars().replace("", None))
    header = [name or "" for name in cells.row(0)]
    places, reasons = _known_places(cells, header, file)
    missing = [name for name in required if name not in places]
    if missing and not set(missing) & set(header):  # otherwise reported already, as a duplicate
        reasons = [
            f"has no column {', '.join(missing)} (the header is {', '.join(filter(None, header))}): add it to the header row"
        ]
    for reason in reasons:
        refuse(reason, whole=bool(missing))
    if missing:
        return nothing
    rows = cells[1:].with_row_index("row", offset=1)
    frame = rows.select(pl.col("row").cast(pl.Int64), **{name: cells.columns[at] for name, at in places.items()})
    again = frame.filter(pl.all_horizontal(pl.col(name) == name for name in places))["row"].to_list()
    for row in again:
        faults.append(RegisterFault(file, row, f"{file} row {row}: it is the header row again: take it out"))
    return frame.filter(~pl.col("row").is_in(again))


def _known_places(cells: pl.DataFrame, header: list[str], file: str) -> tuple[dict[str, int], list[str]]:
    """Position of every column that is used; the others become faults and the file is used without them."""
    known = [column.name for column in REGISTER_COLUMNS[file]]
    places: dict[str, int] = {}
    reasons = []
    for at, name in enumerate(header):
        part = file == "vans.csv" and name.startswith(PART_PREFIX) and name != PART_PREFIX
        if name and header.count(name) > 1:
            if at == header.index(name):
                reasons.append(f"has the column {shown(name)} {header.count(name)} times: leave one of them")
        elif name in known or part:
            places[name] = at
        elif name:
            reasons.append(f"has a column {shown(name)} that is not used: {unknown_name(name, known, kind='column')}")
        elif cells[1:, at].null_count() < cells.height - 1:
            reasons.append(f"has values but no name in column {at + 1}: name it, or leave it out")
    return places, reasons


def _sound_rows(
    frame: pl.DataFrame, suite: str, file: str, faults: list[RegisterFault], problem: Any
) -> list[dict[str, str | None]]:
    """Rows that pass the suite and `problem` (what is wrong with a row, or None); the others become faults."""
    from pipelines import contract_suites

    found: dict[int, list[str]] = {}
    for fault in contract_suites.check(frame.drop("row"), suite):
        found.setdefault(fault.index, []).append(fault.reason)
    sound: list[dict[str, str | None]] = []
    for index, row in enumerate(frame.iter_rows(named=True)):
        if index not in found and (message := problem(row)) is not None:
            found[index] = [message]
        if index in found:
            reason = f"{file} row {row['row']}: " + "; ".join(found[index])
            faults.append(RegisterFault(file, row["row"], reason, row.get("van_id")))
        else:
            sound.append(row)
    return sound


def _load_vans(folder: Path, faults: list[RegisterFault]) -> dict[str, Van]:
    columns = REGISTER_COLUMNS["vans.csv"]

    def problem(row: dict[str, str | None]) -> str | None:
        for column in columns:
            try:
                _value(column.type, row.get(column.name))
            except ValueError as error:
                return f"{column.name} is {row[column.name]!r}: {error}; mend the entry"
        return None

    vans = {}
    for row in _sound_rows(_read_table(folder, "vans.csv", faults), "register_vans", "vans.csv", faults, problem):
        values: dict[str, Any] = {column.name: _value(column.type, row.get(column.name)) for column in columns}
        parts = {name.removeprefix(PART_PREFIX): number for name, number in row.items() if name.startswith(PART_PREFIX)}
        numbers = ";".join(f"{name}={number}" for name, number in sorted(parts.items()) if number is not None)
        vans[values["van_id"]] = Van(**values, part_numbers=numbers or None)
    return vans


def _load_repairs(folder: Path, faults: list[RegisterFault]) -> tuple[Repair, ...]:
    def problem(row: dict[str, str | None]) -> str | None:
        if parse_moment(row["done_at"] or "", day_allowed=True) is None:
            return f"done_at is {row['done_at']!r}: must be a day and time of the calendar; mend the entry"
        return None

    repairs: dict[str, Repair] = {}
    rows = _read_table(folder, "repairs.csv", faults)
    for row in _sound_rows(rows, "register_repairs", "repairs.csv", faults, problem):
        done_at = parse_moment(str(row["done_at"]), day_allowed=True)
        assert done_at is not None
        van_id, work = str(row["van_id"]), str(row["work"])
        key = hashlib.sha256("\x1f".join((van_id, done_at.isoformat(), work)).encode()).hexdigest()
        repairs[key] = Repair(key, van_id, done_at, work, row.get("parts"), row.get("work_order"), row.get("note"))
    return tuple(sorted(repairs.values(), key=lambda repair: (repair.done_at, repair.repair_id)))


def _load_works(folder: Path, faults: list[RegisterFault]) -> dict[str, Work]:
    """work.toml (optional): what work on a van touches, beside what the software knows."""
    found: dict[str, Work] = {}
    if not (folder / "work.toml").exists():
        return found
    for name, table in _read_toml(folder / "work.toml", "work.toml", faults).items():
        if name == "source" and isinstance(table, str):
            continue
        try:
            if not isinstance(table, Mapping):
                raise RegisterError(shown(f"work {name}: is {shown(table)}: make it a table [{name}]", longest=None))
            found[name] = parse_work(name, table)
        except RegisterError as error:
            faults.append(RegisterFault("work.toml", None, str(error)))
    return found


def _load_absences(folder: Path, faults: list[RegisterFault]) -> dict[str, tuple[tuple[date, date], ...]]:
    """away.csv (optional): when a van can't come to a workshop."""
    found: dict[str, list[tuple[date, date]]] = {}
    for row in _read_table(folder, "away.csv", faults).iter_rows(named=True):
        try:
            first, last = (date.fromisoformat(row[column] or "") for column in ("first_day", "last_day"))
        except ValueError:
            first, last = date.max, date.min
        if row["van_id"] is None or first > last:
            told = f"van_id {row['van_id']!r}, first_day {row['first_day']!r}, last_day {row['last_day']!r}"
            reason = f"away.csv row {row['row']}: {told}: name a van and two days, the first not after the last"
            faults.append(RegisterFault("away.csv", row["row"], reason))
        else:
            found.setdefault(row["van_id"], []).append((first, last))
    return {van_id: tuple(sorted(days)) for van_id, days in sorted(found.items())}


def _value(kind: str, text: str | None) -> str | date | float | int | None:
    """A cell of vans.csv or away.csv as its column's type; ValueError says what it must be."""
    if text is None:
        return None
    if kind == "day":
        try:
            return date.fromisoformat(text)
        except ValueError as error:
            raise ValueError("must be a day of the calendar") from error
    if kind == "number" and not math.isfinite(float(text)):
        raise ValueError("must be a finite number")
    return float(text) if kind == "number" else int(text) if kind == "integer" else text
