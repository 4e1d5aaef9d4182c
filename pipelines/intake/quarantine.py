"""The quarantine: what was refused, why, and whether it still waits."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from data_contracts.errors import one_line
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.tables import QUARANTINE, polars_schema
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register

REGISTER = "register"


@dataclass(frozen=True)
class Item:
    """One refused item: delivery, file, manifest row (None: a whole file or delivery), rule, reason, rows it stands for."""

    delivery: str
    file: str | None
    row: int | None
    rule: str
    reason: str
    rows: int

    def __post_init__(self) -> None:
        """Check the rule: what has none is explained to nobody. A reason is one line, whatever names it quotes."""
        assert self.rule in QUARANTINE_RULES, self.rule
        object.__setattr__(self, "reason", one_line(self.reason))

    @property
    def item_id(self) -> str:
        """Hash of delivery, file, row and rule."""
        parts = (self.delivery, self.file or "", "" if self.row is None else str(self.row), self.rule)
        return hashlib.sha256("\x1f".join(parts).encode(errors="replace")).hexdigest()


def waiting(warehouse: Warehouse) -> pl.DataFrame:
    """Waiting items, oldest first, without those of the register.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    """
    return warehouse.query(
        "SELECT * FROM quarantine WHERE state = 'waiting' AND delivery <> ? ORDER BY first_seen, delivery, row",
        [REGISTER],
    )


def store(warehouse: Warehouse, items: Mapping[str, Sequence[Item]], *, now: datetime) -> None:
    """Bring the waiting items of some deliveries up to date; call inside a transaction.

    An item that no longer stands was taken in, unless its row is refused for another rule now. An item keeps
    the time it was first seen, and one that was discarded stays discarded.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing.
    items : mapping of str to sequence of Item
        Everything that is refused now, by delivery.
    now : datetime
        For items not seen before.
    """
    with warehouse.rows("_of", pl.DataFrame({"delivery": list(items)}, schema={"delivery": pl.String})):
        before = warehouse.query(
            "SELECT q.* FROM quarantine q SEMI JOIN _of USING (delivery) WHERE state <> 'taken_in'"
        )
    since = {_place(row): row["first_seen"] for row in before.iter_rows(named=True)}
    discarded = set(before.filter(pl.col("state") == "discarded")["item_id"])
    listed = [item for each in items.values() for item in each]
    still = {item.item_id for item in listed}
    moved_on = {_place(vars(item)) for item in listed}
    for row in before.iter_rows(named=True):
        if row["item_id"] in still or row["state"] != "waiting":
            continue
        if _place(row) in moved_on:
            warehouse.execute("DELETE FROM quarantine WHERE item_id = ?", [row["item_id"]])
        else:
            warehouse.execute("UPDATE quarantine SET state = 'taken_in' WHERE item_id = ?", [row["item_id"]])
    rows = [
        vars(item) | {"item_id": item.item_id, "first_seen": since.get(_place(vars(item)), now), "state": "waiting"}
        for item in listed
        if item.item_id not in discarded
    ]
    warehouse.upsert("quarantine", pl.DataFrame(rows, schema=polars_schema(QUARANTINE)))


def _place(row: Mapping[str, Any]) -> tuple[str, int | None, str | None]:
    """What an item is about, whatever is wrong with it."""
    return row["delivery"], row["row"], row["file"]


def note_register_faults(warehouse: Warehouse, register: Register, *, now: datetime) -> None:
    """Keep an item for every register entry that is not used; mended ones are closed.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, outside a transaction.
    register : Register
        As loaded.
    now : datetime
        For faults not seen before.
    """
    numbered: dict[tuple[str, int | None], int] = {}
    items = []
    for fault in register.faults:
        count = numbered[(fault.file, fault.row)] = numbered.get((fault.file, fault.row), 0) + 1
        # Several broken families share a file: each is an item of its own, identified by what it names.
        file = fault.file if count == 1 else f"{fault.file} ({count})"
        items.append(Item(REGISTER, file, fault.row, "bad_register", fault.reason, 0))
    with warehouse.transaction():
        store(warehouse, {REGISTER: items}, now=now)
