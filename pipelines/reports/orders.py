"""Ranked work orders as files the workshop can open."""

import json
from pathlib import Path

import polars as pl

from data_contracts.errors import InputError
from data_contracts.tables import WORK_ORDERS
from pipelines.published import open_published
from pipelines.reports.plain import finite, spreadsheet_safe
from pipelines.workspace import Workspace

_OPEN = ("proposed", "accepted", "postponed", "booked")


def write_orders(workspace: Workspace, out: Path) -> int:
    """Write the open work orders, ranked.

    Parameters
    ----------
    workspace : Workspace
    out : Path
        .csv or .json.

    Returns
    -------
    int
        Orders written.

    Raises
    ------
    InputError
        If the ending is unknown or the file can't be written.
    """
    ending = out.suffix.lower()
    if ending not in (".csv", ".json"):
        raise InputError(f"--out {out} ends in {ending or 'nothing'}: name a .csv or a .json file")
    orders = open_published(workspace.root).ask(
        "SELECT * FROM work_orders WHERE list_contains($open, state) ORDER BY week DESC, rank, order_id",
        {"open": list(_OPEN)},
    )
    orders = orders.select(column.name for column in WORK_ORDERS.columns)
    try:
        if ending == ".csv":
            texts = [name for name, kind in orders.schema.items() if kind == pl.String]
            safe = [pl.col(name).map_elements(spreadsheet_safe, return_dtype=pl.String) for name in texts]
            out.write_text(orders.with_columns(safe).write_csv(), encoding="utf-8")
        else:
            document = {"work_orders": finite(orders.to_dicts())}
            out.write_text(json.dumps(document, ensure_ascii=False, indent=2, default=str), encoding="utf-8")
    except OSError as error:
        raise InputError(f"can't write {out}: {error.strerror}; name a file you may write") from error
    return orders.height
