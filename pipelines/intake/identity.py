"""Which manifest row is which recording: new, delivered before, a correction, or a contradiction."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipelines.intake.ages import Ages
from pipelines.intake.manifest import ManifestRow
from pipelines.storage.warehouse import Warehouse


@dataclass
class _Claim:
    """One recording of a waveform: who holds it, and every van, time and conditions ever claimed for it."""

    van_id: str
    captured_at: datetime
    entries: set[tuple[str, datetime, str]]
    holder: tuple[str, int]


class Claims:
    """Compares the rows of some deliveries, one after the other, with everything held.

    A waveform belongs to one van and one time. The same row again is a duplicate, also when it repeats what a
    later row corrected; other conditions for the same recording supersede, unless what is held was said later; another van or time is refused, unless a
    person decided that it wins.

    Parameters
    ----------
    warehouse : Warehouse
        What is held.
    waveform_ids : sequence of str
        Every waveform they name.
    said : Ages
        When rows were said: what comes late and was said before what is held does not supersede it.
    """

    def __init__(self, warehouse: Warehouse, waveform_ids: Sequence[str], said: Ages) -> None:
        self._said = said
        self.corrected: dict[tuple[str, int], str] = {}  # rows held before, and what supersedes them
        self._new: dict[tuple[str, int], dict[str, Any]] = {}
        self.begin("")
        named = pl.DataFrame({"waveform_id": list(dict.fromkeys(waveform_ids))}, schema={"waveform_id": pl.String})
        with warehouse.rows("_named", named):
            before = warehouse.query(
                """
                SELECT waveform_id, van_id, captured_at, conditions_id, state, delivery, row
                FROM recordings SEMI JOIN _named USING (waveform_id) ORDER BY state = 'held'
                """
            )
            self.stored = set(
                warehouse.query(
                    "SELECT waveform_id FROM waveforms SEMI JOIN _named USING (waveform_id) WHERE removed_on IS NULL"
                )["waveform_id"]
            )
        self._claims: dict[str, _Claim] = {}
        for row in before.iter_rows(named=True):
            holder = (row["delivery"], row["row"])
            claim = self._claims.setdefault(
                row["waveform_id"], _Claim(row["van_id"], row["captured_at"], set(), holder)
            )
            claim.entries.add((row["van_id"], row["captured_at"], row["conditions_id"]))
            claim.van_id, claim.captured_at = row["van_id"], row["captured_at"]
            claim.holder = holder  # the held row comes last

    def begin(self, delivery: str, winning: Collection[int] = ()) -> None:
        """Go on with another delivery.

        Parameters
        ----------
        delivery : str
            Whose rows come now.
        winning : collection of int
            Those of them whose claim wins over what is held.
        """
        self.delivery, self._winning = delivery, winning
        self.rows: dict[
            tuple[str, int], tuple[str, str | None]
        ] = {}  # what it changes in the ledger, by delivery and row

    def claim(self, row: ManifestRow, waveform_id: str) -> str | None:
        """Decide on one row; rows must come in the order of the manifest.

        Parameters
        ----------
        row : ManifestRow
            Sound, of a known van.
        waveform_id : str
            Its waveform.

        Returns
        -------
        str or None
            Why the claim is refused; None when it is settled.
        """
        assert row.van_id is not None
        assert row.captured_at is not None
        here = (self.delivery, row.number)
        held = self._claims.get(waveform_id)
        entries = (row.van_id, row.captured_at, row.conditions_id)
        if held is not None and entries in held.entries:
            self.rows[here] = ("duplicate", waveform_id)
            return None
        other = held is not None and (held.van_id, held.captured_at) != (row.van_id, row.captured_at)
        if held is not None and other and row.number not in self._winning:
            return (
                f"{row.file} is claimed for van {row.van_id} at {row.captured_at:%Y-%m-%d %H:%M:%S} UTC, but {held.holder[0]} "
                f"row {held.holder[1]} holds it for van {held.van_id} at {held.captured_at:%Y-%m-%d %H:%M:%S} UTC: find out which is right"
            )
        if held is not None and row.number not in self._winning and self._is_older(here, held.holder):
            held.entries.add(entries)
            self._enter(row, waveform_id, "superseded", f"{held.holder[0]} row {held.holder[1]}")
            return None
        if held is not None:
            by = f"{here[0]} row {here[1]}"
            self.rows[held.holder] = ("superseded", waveform_id)
            if held.holder in self._new:
                self._new[held.holder] |= {"state": "superseded", "superseded_by": by}
            else:
                self.corrected[held.holder] = by
            held.holder = here
            held.van_id, held.captured_at = row.van_id, row.captured_at
            held.entries.add(entries)
        else:
            self._claims[waveform_id] = _Claim(row.van_id, row.captured_at, {entries}, here)
        self._enter(row, waveform_id, "held", None)
        return None

    def _is_older(self, here: tuple[str, int], holder: tuple[str, int]) -> bool:
        """Whether a row was said before the one that holds its recording; within a manifest, the later row counts."""
        return here[0] != holder[0] and self._said.of(*here).older_than(self._said.of(*holder))

    def _enter(self, row: ManifestRow, waveform_id: str, state: str, superseded_by: str | None) -> None:
        self.rows[self.delivery, row.number] = (state, waveform_id)
        self._new[self.delivery, row.number] = {
            "delivery": self.delivery,
            "row": row.number,
            "state": state,
            "waveform_id": waveform_id,
            "van_id": row.van_id,
            "captured_at": row.captured_at,
            "file": row.file,
            **row.conditions,
            "conditions_id": row.conditions_id,
            "superseded_by": superseded_by,
        }

    def knows(self, waveform_id: str) -> bool:
        """Whether a row before holds or held this waveform, for whatever van."""
        return waveform_id in self._claims

    def unstored(self) -> set[str]:
        """Waveforms that rows of this delivery hold or held and that are not stored yet; from now on they count as stored."""
        ids = {self._new[key]["waveform_id"] for key in self.rows if key in self._new} - self.stored
        self.stored |= ids
        return ids

    def recordings(self) -> list[dict[str, Any]]:
        """New rows of the table `recordings`."""
        return list(self._new.values())
