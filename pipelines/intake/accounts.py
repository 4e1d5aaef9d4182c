"""Row accounts of deliveries: what became of every manifest row."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipelines.storage.warehouse import Warehouse


@dataclass(frozen=True)
class DeliveryAccount:
    """What became of the manifest rows of one delivery; held + superseded + duplicates + quarantined = rows."""

    delivery: str
    rows: int
    held: int
    superseded: int
    duplicates: int
    quarantined: int

    @property
    def closes(self) -> bool:
        """The account adds up."""
        return self.rows == self.held + self.superseded + self.duplicates + self.quarantined


def accounts(warehouse: Warehouse, deliveries: Sequence[str] | None = None) -> list[DeliveryAccount]:
    """Row accounts.

    Parameters
    ----------
    warehouse : Warehouse
        Holds them.
    deliveries : sequence of str, optional
        Which, in order; all by name if not given.

    Returns
    -------
    list of DeliveryAccount
    """
    rows = warehouse.query(
        "SELECT delivery, rows, held, superseded, duplicates, quarantined FROM deliveries ORDER BY delivery"
    )
    found = {row["delivery"]: DeliveryAccount(**row) for row in rows.iter_rows(named=True)}
    return list(found.values()) if deliveries is None else [found[name] for name in deliveries]


def close_accounts(warehouse: Warehouse, deliveries: Sequence[str]) -> None:
    """Write the counts of deliveries from the ledger; rows that a mended manifest added count from now on.

    Parameters
    ----------
    warehouse : Warehouse
        Open for writing, inside a transaction.
    deliveries : sequence of str
        Which.
    """
    names = pl.DataFrame({"delivery": deliveries}, schema={"delivery": pl.String})
    with warehouse.rows("_touched", names):
        fresh = warehouse.query(
            """
            SELECT d.delivery, d.content_id, d.source, d.place, d.taken_in_at, d.written_at,
                   coalesce(a.rows, 0) AS rows, coalesce(a.held, 0) AS held, coalesce(a.superseded, 0) AS superseded,
                   coalesce(a.duplicates, 0) AS duplicates, coalesce(a.quarantined, 0) AS quarantined
            FROM deliveries d JOIN _touched USING (delivery) LEFT JOIN row_account a USING (delivery)
            """
        )
    warehouse.upsert("deliveries", fresh)
