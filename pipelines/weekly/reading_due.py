"""Which recordings are due to be read: those whose samples, conditions, family or method are not what their captures were read by.

What is due lies in a table of the connection, in the order in which it is stored, and is asked for a batch at a time: a fleet's
recordings are never in memory together.
"""

import hashlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import polars as pl

from data_contracts.family import Family
from data_contracts.recorder import CANONICAL
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register

READ_BY = (
    "waveform_id",
    "van_id",
    "captured_at",
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "closed_loop",
    "trim_idle_pct",
    "trim_2500_pct",
    "fault_codes",
    "fuel",
    "recorder_offset_u_v",
    "recorder_gain_u",
)
"""What of a recording a reading rests on, the recorder's accuracy among it."""
_OF_RECORDER = ("recorder_offset_u_v", "recorder_gain_u")
_NOT_READ_BY = ("fuel", "hybrid", "warranty_km", "limits")
"""What a family has beside what its snaps are read by."""
_AT_ONCE = 50_000
"""Recordings whose read ids are made together. Of our choosing."""
_HELD = "recordings r JOIN waveforms w USING (waveform_id) WHERE r.state = 'held'"


class ReadingDue:
    """What is due, and the family of each van.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    register : Register
    families : mapping of str to Family
        Of each van that can be read.
    method : str
        Of reading.
    """

    def __init__(self, warehouse: Warehouse, register: Register, families: Mapping[str, Family], method: str) -> None:
        self._warehouse, self._register, self._families = warehouse, register, families
        self._number_wanted(method)
        self._drop_captures_without()
        warehouse.execute(
            "CREATE OR REPLACE TEMP TABLE _due AS SELECT row_number() OVER (ORDER BY w.chunk, w.row_group, r.delivery, r.row) - 1 AS number, "
            "r.*, w.chunk, w.row_group, w.samples, wanted.read_id FROM _wanted wanted JOIN recordings r USING (delivery, row) "
            "JOIN waveforms w USING (waveform_id) WHERE wanted.read_id NOT IN (SELECT read_id FROM captures) ORDER BY number"
        )
        self.samples: list[int] = warehouse.query("SELECT samples FROM _due ORDER BY number")["samples"].to_list()
        """Of each recording."""

    def gone_unread(self) -> pl.DataFrame:
        """Recordings whose samples are gone and that have no captures: delivery, row, waveform_id."""
        return self._warehouse.query(
            f"SELECT r.delivery, r.row, r.waveform_id FROM {_HELD} AND w.removed_on IS NOT NULL AND NOT EXISTS "
            "(SELECT 1 FROM captures c WHERE c.delivery = r.delivery AND c.row = r.row AND c.waveform_id = r.waveform_id)"
        )

    def one_capture_each(self) -> bool:
        """Whether no two recordings would give the same capture."""
        counted = "count(*) = count(DISTINCT (waveform_id, van_id, captured_at))"
        return bool(self._warehouse.query(f"SELECT {counted} FROM recordings WHERE state = 'held'").item())

    def recordings(self, first: int, stop: int) -> list[dict[str, Any]]:
        """Rows of some recordings, with what the register knows of them."""
        rows = self._warehouse.query(
            "SELECT * EXCLUDE (number) FROM _due WHERE number >= ? AND number < ? ORDER BY number", [first, stop]
        ).to_dicts()
        for row in rows:
            van = self._register.vans[row["van_id"]]
            row["family"], row["depot"] = van.family, van.depot
            row |= _accuracy(row, self._register)
        return rows

    def families_of(self, recordings: list[dict[str, Any]]) -> dict[str, Family]:
        """The family of each of their vans."""
        return {row["van_id"]: self._families[row["van_id"]] for row in recordings}

    def _number_wanted(self, method: str) -> None:
        """The read id of every recording that can be read, in a table `_wanted`."""
        of_family = {
            id(family): family_print(family) for family in {id(one): one for one in self._families.values()}.values()
        }
        prints = {van_id: of_family[id(family)] for van_id, family in self._families.items()}
        asked = ", ".join(("delivery", "row", "recorder", *(name for name in READ_BY if name not in _OF_RECORDER)))
        found = [pl.DataFrame(schema={"delivery": pl.String, "row": pl.Int64, "read_id": pl.String})]
        for part in self._warehouse.parts(f"SELECT {asked} FROM {_HELD} AND w.removed_on IS NULL", _AT_ONCE):
            rows = [row for row in part.iter_rows(named=True) if row["van_id"] in prints]
            ids = [read_id(row | _accuracy(row, self._register), prints[row["van_id"]], method) for row in rows]
            known = part.filter(pl.col("van_id").is_in(list(prints))).select("delivery", "row")
            found.append(known.with_columns(read_id=pl.Series(ids, dtype=pl.String)))
        with self._warehouse.rows("_numbered", pl.concat(found)):
            self._warehouse.execute("CREATE OR REPLACE TEMP TABLE _wanted AS SELECT * FROM _numbered")

    def _drop_captures_without(self) -> None:
        """Remove captures whose recording was superseded or will be read again.

        Recordings that can't be read now keep the captures they have: those of vans whose family is broken, and those
        whose samples are gone.
        """
        resting = f"SELECT r.delivery, r.row, r.waveform_id FROM {_HELD} AND (r.delivery, r.row) NOT IN (SELECT (delivery, row) FROM _wanted)"
        gone = (
            f"WITH resting AS ({resting}) SELECT capture_id FROM captures c WHERE read_id NOT IN (SELECT read_id FROM _wanted) AND NOT EXISTS "
            "(SELECT 1 FROM resting r WHERE r.delivery = c.delivery AND r.row = c.row AND r.waveform_id = c.waveform_id)"
        )
        with self._warehouse.transaction():
            for table in ("readings", "shapes", "captures"):
                self._warehouse.execute(f"DELETE FROM {table} WHERE capture_id IN ({gone})")


@contextmanager
def reading_due(
    warehouse: Warehouse, register: Register, families: Mapping[str, Family], method: str
) -> Iterator[ReadingDue]:
    """What is due, for the length of the block; arguments as of `ReadingDue`. Captures of what is read again, or held no longer, are dropped."""
    try:
        yield ReadingDue(warehouse, register, families, method)
    finally:
        for table in ("_due", "_wanted"):
            warehouse.execute(f"DROP TABLE IF EXISTS temp.{table}")


def _accuracy(row: Mapping[str, Any], register: Register) -> dict[str, float]:
    profile = register.recorders.get(row["recorder"], CANONICAL)
    return {"recorder_offset_u_v": profile.offset_u_v, "recorder_gain_u": profile.gain_u}


def family_of(register: Register, van_id: str) -> Family | None:
    """The family of a van, with its own number of lambda banks; None where the register has none that can be used."""
    van = register.vans.get(van_id)
    family = register.families.get(van.family) if van is not None else None
    if family is None or van is None or van.lambda_banks is None:
        return family
    return replace(family, lambda_banks=van.lambda_banks)


def family_print(family: Family) -> str:
    """Hash over every figure of a family that a reading rests on."""
    figures = {name: value for name, value in vars(family).items() if name not in _NOT_READ_BY}
    return hashlib.sha256(repr(_plain(figures)).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):
        return value.tolist()
    if hasattr(value, "__dict__"):
        return _plain(vars(value))
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value


def read_id(row: Mapping[str, Any], of_family: str, method: str) -> str:
    """Hash over what a recording is read by: its row, the print of its family, the method."""
    parts = [repr(row[name]) for name in READ_BY] + [str(row["delivery"]), str(row["row"]), of_family, method]
    return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()
