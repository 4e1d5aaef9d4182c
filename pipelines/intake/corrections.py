"""Mending what waits in quarantine: a person's corrections to a manifest row, applied at every retry.

A mend is one file under decisions/mends/, written whole and never changed; the delivery itself stays as it came. The newest
correction of a row and column wins; one for a whole delivery fills only what its rows leave empty.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import InputError
from pipelines.decisions.inbox import write_decision
from pipelines.intake.capture_dates import has_come
from pipelines.intake.manifest import TextRow
from pipelines.workspace.log import audit
from pipelines.workspace.moments import parse_moment
from pipelines.workspace.register import Register, load_register
from pipelines.workspace.workspace import Workspace

FOLDER = "mends"
COLUMNS = ("van_id", "captured_at", "recorder")
"""What can be mended in place; anything else is corrected by delivering again."""
_LONGEST = 200


@dataclass(frozen=True)
class Mend:
    """What a person says a row should have said.

    Attributes
    ----------
    delivery : str
    row : int or None
        Row of the manifest, from 1; None fills every row of the delivery that leaves the column empty.
    cells : mapping of str to str
        Column to value, of `COLUMNS`.
    at : datetime
        When it was said, with offset.
    person, reason : str
        Who, and why.
    """

    delivery: str
    row: int | None
    cells: Mapping[str, str]
    at: datetime
    person: str
    reason: str = ""

    @property
    def mend_id(self) -> str:
        """Hash of everything it says."""
        return mend_id_of(asdict(self))


def mend_id_of(said: object) -> str:
    """Hash of everything a mend says.

    Parameters
    ----------
    said : object
        Its fields, as they are or as its file holds them.
    """
    text = json.dumps(said, default=str, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def record_mend(workspace: Workspace, mend: Mend) -> Path:
    """Check a mend and write it down; it is on disk once this returns.

    Parameters
    ----------
    workspace : Workspace
    mend : Mend

    Returns
    -------
    Path
        Its file.

    Raises
    ------
    InputError
        If nobody is named, nothing is mended, or a value can't be right.
    """
    check_mend(mend, load_register(workspace.register))
    folder = workspace.decisions / FOLDER
    folder.mkdir(exist_ok=True)
    path = write_decision(folder / f"{mend.mend_id}.json", asdict(mend))
    audit(workspace, "mended", mend.person, delivery=mend.delivery, row=mend.row, mend=mend.mend_id)
    return path


def check_mend(mend: Mend, register: Register) -> None:
    """Whether a mend can be right.

    Parameters
    ----------
    mend : Mend
    register : Register

    Raises
    ------
    InputError
        Naming what is wrong and what to do.
    """
    if not mend.person.strip():
        raise InputError("nobody is named: say who mends it")
    if not mend.cells:
        raise InputError("nothing is mended: give the van, the time or the recorder")
    for column, value in mend.cells.items():
        if column not in COLUMNS:
            raise InputError(f"column {column!r} can't be mended here: deliver again with the right value")
        if not 0 < len(value) <= _LONGEST:
            raise InputError(f"{column} has {len(value)} characters: give 1 to {_LONGEST}")
    van, recorder, at = (mend.cells.get(name) for name in ("van_id", "recorder", "captured_at"))
    if van is not None and van not in register.vans:
        raise InputError(f"van {van!r} is not in register/vans.csv: add it there first, or name another")
    if recorder is not None and recorder not in register.recorders:
        raise InputError(
            f"recorder profile {recorder!r} is not in the register: add register/recorders/{recorder}.toml"
        )
    moment = None if at is None else parse_moment(at)
    if at is not None and moment is None:
        raise InputError(f"captured_at is {at!r}: write it as 2026-03-02T09:15:00+01:00, with its offset")
    if moment is not None and not has_come(moment, mend.at):
        raise InputError(f"captured_at is {at!r}, a day still to come: give the time it was recorded")


def mends(workspace: Workspace) -> list[Mend]:
    """Every mend on record, oldest first; files that are not mends are left out (see `vansnap check`).

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    list of Mend
    """
    found = [mend for path in _files(workspace) if (mend := _read(path)) is not None]
    return sorted(found, key=lambda mend: (mend.at, mend.mend_id))


def unreadable_mends(workspace: Workspace) -> list[str]:
    """Names, within decisions/, of files among the mends that can't be read.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    """
    return [f"{FOLDER}/{path.name}" for path in _files(workspace) if _read(path) is None]


def _files(workspace: Workspace) -> list[Path]:
    return sorted((workspace.decisions / FOLDER).glob("[!.]*.json"))


def _read(path: Path) -> Mend | None:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        cells = {str(name): str(value) for name, value in document["cells"].items() if name in COLUMNS}
        at = datetime.fromisoformat(document["at"]).astimezone(UTC)
        row = None if document["row"] is None else int(document["row"])
        return Mend(str(document["delivery"]), row, cells, at, str(document["person"]), str(document.get("reason", "")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def filled(mended: Sequence[Mend]) -> dict[str, str]:
    """Values that mends of a whole delivery give for columns its manifest may lack.

    Parameters
    ----------
    mended : sequence of Mend
        Of one delivery, oldest first.

    Returns
    -------
    dict of str to str
    """
    return {name: value for mend in mended if mend.row is None for name, value in mend.cells.items()}


def mended_rows(rows: Sequence[TextRow], mended: Sequence[Mend]) -> list[TextRow]:
    """Rows as mended: corrections of a row replace its cells, those of the delivery fill empty ones.

    Parameters
    ----------
    rows : sequence of TextRow
        Of one delivery, as written.
    mended : sequence of Mend
        Of that delivery, oldest first.

    Returns
    -------
    list of TextRow
    """
    if not mended:
        return list(rows)
    everywhere = filled(mended)
    on_row: dict[int, dict[str, str]] = {}
    for mend in mended:
        if mend.row is not None:
            on_row.setdefault(mend.row, {}).update(mend.cells)
    return [
        replace(
            row,
            cells={
                **row.cells,
                **{name: value for name, value in everywhere.items() if not row.cells.get(name)},
                **on_row.get(row.number, {}),
            },
        )
        for row in rows
    ]
