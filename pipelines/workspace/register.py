"""The fleet register: vans, engine families, recorder profiles and repairs, read from a folder of plain files.

A wrong entry stops only itself (a broken family: its own vans; a broken profile: its own recordings). Every
fault is kept as one clear line, and the rest of the register is used.
"""

import hashlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.errors import MissingFileError, RegisterError
from data_contracts.family import Family, parse_family
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from data_contracts.tables import REPAIRS, VANS, polars_schema


@dataclass(frozen=True)
class Van:
    """One van: key, engine family, depot, days in service and of warranty, odometer [km], banks if not the family's."""

    van_id: str
    family: str
    depot: str
    in_service_on: date | None
    warranty_until: date | None
    odometer_km: float | None
    lambda_banks: int | None
    note: str | None


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
    """One entry that is not used: file within the register, row from 1 (None: not a row), and one clear line."""

    file: str
    row: int | None
    reason: str


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
        absences=_load_absences(folder, faults),
        faults=tuple(faults),
    )


def load_families(folder: Path, faults: list[RegisterFault] | None = None) -> tuple[dict[str, Family], dict[str, str]]:
    """Read families.toml alone, which needs no contract suite and so is quick.

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
        try:
            if not isinstance(table, Mapping):
                raise RegisterError(f"family {name}: is {str(table)[:80]}: make it a table [{name}]")
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
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        faults.append(RegisterFault(file, None, f"register/{file} is missing: add it"))
    except tomllib.TOMLDecodeError as error:
        faults.append(RegisterFault(file, None, f"register/{file} is not TOML: {error}; mend that line"))
    except (OSError, UnicodeDecodeError) as error:
        faults.append(RegisterFault(file, None, f"register/{file} can't be read ({error}): save it as UTF-8 text"))
    return {}


def _read_table(folder: Path, file: str, required: tuple[str, ...], faults: list[RegisterFault]) -> pl.DataFrame:
    """A register CSV as trimmed text, its row number in the column `row`; empty where the file can't be used."""
    nothing = pl.DataFrame(schema={"row": pl.Int64} | dict.fromkeys(required, pl.String))
    path = folder / file
    if not path.is_file():
        if file == "vans.csv":
            faults.append(RegisterFault(file, None, f"register/{file} is missing: add it"))
        return nothing
    try:
        frame = pl.read_csv(path, infer_schema=False, comment_prefix="#", encoding="utf8", truncate_ragged_lines=False)
    except pl.exceptions.NoDataError:
        faults.append(RegisterFault(file, None, f"register/{file} is empty: start it with {','.join(required)}"))
        return nothing
    except (pl.exceptions.PolarsError, OSError) as error:
        first = str(error).splitlines()[0]
        faults.append(
            RegisterFault(file, None, f"register/{file} can't be read ({first}): save it as UTF-8 CSV with commas")
        )
        return nothing
    frame = frame.rename({c: c.strip() for c in frame.columns}).with_columns(
        pl.all().str.strip_chars().replace("", None)
    )
    missing = [c for c in required if c not in frame.columns]
    if missing:
        faults.append(
            RegisterFault(file, None, f"register/{file} has no column {', '.join(missing)}: add it to the header row")
        )
        return nothing
    return frame.with_row_index("row", offset=1).with_columns(pl.col("row").cast(pl.Int64))


def _sound_rows(
    frame: pl.DataFrame, suite: str, file: str, faults: list[RegisterFault], problem: Any
) -> list[dict[str, str | None]]:
    """Rows that pass the suite and `problem` (a row to what is wrong with it, or None); the others become faults."""
    from pipelines import contract_suites

    found: dict[int, list[str]] = {}
    for fault in contract_suites.check(frame.drop("row"), suite):
        found.setdefault(fault.index, []).append(fault.reason)
    sound: list[dict[str, str | None]] = []
    for index, row in enumerate(frame.iter_rows(named=True)):
        if index not in found and (message := problem(row)) is not None:
            found[index] = [message]
        if index in found:
            faults.append(RegisterFault(file, row["row"], f"{file} row {row['row']}: " + "; ".join(found[index])))
        else:
            sound.append(row)
    return sound


def _load_vans(folder: Path, faults: list[RegisterFault]) -> dict[str, Van]:
    frame = _read_table(folder, "vans.csv", ("van_id", "family", "depot"), faults)

    def problem(row: dict[str, str | None]) -> str | None:
        for column in ("in_service_on", "warranty_until"):
            if _day(row.get(column)) is ...:
                return f"{column} is {row[column]!r}: must be a day of the calendar; mend the entry"
        return None

    return {
        str(row["van_id"]): Van(
            van_id=str(row["van_id"]),
            family=str(row["family"]),
            depot=str(row["depot"]),
            in_service_on=_as_day(row.get("in_service_on")),
            warranty_until=_as_day(row.get("warranty_until")),
            odometer_km=None if (km := row.get("odometer_km")) is None else float(km),
            lambda_banks=None if (banks := row.get("lambda_banks")) is None else int(banks),
            note=row.get("note"),
        )
        for row in _sound_rows(frame, "register_vans", "vans.csv", faults, problem)
    }


def _load_repairs(folder: Path, faults: list[RegisterFault]) -> tuple[Repair, ...]:
    frame = _read_table(folder, "repairs.csv", ("van_id", "done_at", "work"), faults)

    def problem(row: dict[str, str | None]) -> str | None:
        if parse_moment(row["done_at"] or "", day_allowed=True) is None:
            return f"done_at is {row['done_at']!r}: must be a day and time of the calendar; mend the entry"
        return None

    repairs: dict[str, Repair] = {}
    for row in _sound_rows(frame, "register_repairs", "repairs.csv", faults, problem):
        done_at = parse_moment(str(row["done_at"]), day_allowed=True)
        assert done_at is not None
        van_id, work = str(row["van_id"]), str(row["work"])
        key = hashlib.sha256("\x1f".join((van_id, done_at.isoformat(), work)).encode()).hexdigest()
        repairs[key] = Repair(key, van_id, done_at, work, row.get("parts"), row.get("work_order"), row.get("note"))
    return tuple(sorted(repairs.values(), key=lambda repair: (repair.done_at, repair.repair_id)))


def _load_absences(folder: Path, faults: list[RegisterFault]) -> dict[str, tuple[tuple[date, date], ...]]:
    """away.csv, which need not be there: when a van can't come to a workshop."""
    found: dict[str, list[tuple[date, date]]] = {}
    for row in _read_table(folder, "away.csv", ("van_id", "first_day", "last_day"), faults).iter_rows(named=True):
        first, last = _day(row["first_day"]), _day(row["last_day"])
        if row["van_id"] is None or not isinstance(first, date) or not isinstance(last, date) or first > last:
            told = f"van_id {row['van_id']!r}, first_day {row['first_day']!r}, last_day {row['last_day']!r}"
            reason = f"away.csv row {row['row']}: {told}: name a van and two days, the first not after the last"
            faults.append(RegisterFault("away.csv", row["row"], reason))
        else:
            found.setdefault(row["van_id"], []).append((first, last))
    return {van_id: tuple(sorted(days)) for van_id, days in sorted(found.items())}


def _day(text: str | None) -> Any:
    """A day, None for no text, or ... for a day that is not in the calendar."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        return ...


def _as_day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def parse_moment(text: str, *, day_allowed: bool = False) -> datetime | None:
    """A moment in UTC from ISO 8601 text.

    Parameters
    ----------
    text : str
        With a UTC offset.
    day_allowed : bool
        Take a bare day as midnight UTC.

    Returns
    -------
    datetime or None
        In UTC, whole microseconds; None if the text is no moment or has no offset.
    """
    text = text.strip().replace(",", ".")
    text = re.sub(r"\.(\d{1,6})\d*", lambda m: "." + m.group(1).ljust(6, "0"), text)
    text = re.sub(r"\s+(?=[Zz+-])", "", text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        if not (day_allowed and len(text) == 10):
            return None
        moment = moment.replace(tzinfo=UTC)
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        return None
