"""All repairs of the fleet, from the register and from orders, each with what it touched."""

from collections.abc import Mapping

import polars as pl

from data_contracts.entries import shown
from data_contracts.tables import REPAIRS, polars_schema
from data_contracts.work_done.record import Work
from models.tracking.work_words import touched_by
from pipelines.decisions.order_decisions import repairs_from_orders
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register


def repairs_of(register: Register, warehouse: Warehouse) -> pl.DataFrame:
    """Every repair known, with what it touched.

    Parameters
    ----------
    register : Register
        Its repairs, and its words for work.
    warehouse : Warehouse
        Repairs recorded on orders, and what the orders name.

    Returns
    -------
    polars.DataFrame
        Rows of the table `repairs`, sorted by their identity.
    """
    reported = (
        pl.concat([register.repairs_frame(), repairs_from_orders(warehouse)]).unique("repair_id").sort("repair_id")
    )
    orders = warehouse.query("SELECT order_id, coalesce(nullif(found, 'none'), cause) AS cause FROM work_orders")
    return with_touched(reported, dict(orders.iter_rows()), register.works)


def with_touched(repairs: pl.DataFrame, causes: Mapping[str, str], works: Mapping[str, Work]) -> pl.DataFrame:
    """Repairs with what each touched.

    Parameters
    ----------
    repairs : polars.DataFrame
        Rows of the table `repairs`.
    causes : mapping of str to str
        What was found on an order, or else the cause it names, by its identity.
    works : mapping of str to Work
        Words of the register.

    Returns
    -------
    polars.DataFrame
        The same rows, in the same order, with the columns `READ_FROM_WORDS` filled in.
    """
    rows = []
    for row in repairs.iter_rows(named=True):
        cause = causes.get((row["work_order"] or "").strip().casefold())
        touched = touched_by(row["work"], row["parts"], cause=cause, more=works)
        rows.append(
            row
            | {
                "works": list(touched.works),
                "touches": sorted(touched.quantities),
                "brings_back": sorted(touched.brings_back),
                "unknown": list(touched.unknown),
            }
        )
    return pl.DataFrame(rows, schema=polars_schema(REPAIRS))


def unknown_work(repairs: pl.DataFrame) -> list[str]:
    """What `check` asks about repairs whose words it does not know.

    Parameters
    ----------
    repairs : polars.DataFrame
        As `repairs_of` returns.

    Returns
    -------
    list of str
        One question per wording, with the number of repairs, the first of them, and where to answer.
    """
    asked = (
        repairs.filter(pl.col("unknown").list.len() > 0)
        .sort("done_at", "repair_id")
        .explode("unknown")
        .group_by("unknown", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.first("van_id", "done_at"),
            ((pl.col("touches").list.len() > 0) & (pl.col("works").list.len() == 0)).all().alias("by_order"),
        )
    )
    return [
        f"repairs.csv: what did {shown(row['unknown'])!r} touch (van {row['van_id']}, {row['done_at'].date()}"
        + (f", and {row['count'] - 1} more" if row["count"] > 1 else "")
        + ")? "
        + ("The cause its order names stands in for it" if row["by_order"] else "It counts as touching nothing")
        + ": state it in register/work.toml (its README.md says how), or mend the entry"
        for row in asked.iter_rows(named=True)
    ]


def repairs_of_no_van(register: Register, warehouse: Warehouse) -> list[str]:
    """What `check` asks about the register's repairs of vans nobody knows: a slip in the name leaves a repaired van called in.

    Parameters
    ----------
    register : Register
        Its repairs and vans.
    warehouse : Warehouse
        A van that was recorded once and is no longer in the register has left the fleet, and is not asked about.

    Returns
    -------
    list of str
        One question per van, with its first repair.
    """
    recorded = set(warehouse.query("SELECT DISTINCT van_id FROM recordings")["van_id"])
    first = {repair.van_id: repair for repair in reversed(register.repairs)}
    return [
        f"repairs.csv: van {shown(van_id)!r} (repaired {repair.done_at.date()}) is not in register/vans.csv and was never recorded: "
        "mend van_id, or add the van; until then the repair counts for no van"
        for van_id, repair in sorted(first.items())
        if van_id not in register.vans and van_id not in recorded
    ]
