"""Ranked work orders as files the workshop can open or print."""

import json
from pathlib import Path

from data_contracts.errors import InputError
from data_contracts.tables import WORK_ORDERS
from pipelines.published import open_published
from pipelines.reports.plain import finite, spreadsheet_csv
from pipelines.workspace import Workspace

_OPEN = ("proposed", "accepted", "postponed", "booked")


def write_orders(workspace: Workspace, out: Path, *, weekly_list: bool = False) -> int:
    """Write the open work orders, ranked.

    Parameters
    ----------
    workspace : Workspace
    out : Path
        .csv, .json or .pdf.
    weekly_list : bool
        The week's list with its orders in a table, .pdf only, instead of one page per order.

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
    if ending not in (".csv", ".json", ".pdf"):
        raise InputError(f"--out {out} ends in {ending or 'nothing'}: name a .csv, .json or .pdf file")
    if weekly_list and ending != ".pdf":
        raise InputError(f"--list is set on paper and {out} ends in {ending}: name a .pdf file")
    published = open_published(workspace.root)
    orders = published.ask(
        "SELECT * FROM work_orders WHERE list_contains($open, state) ORDER BY rank, week DESC, order_id",
        {"open": list(_OPEN)},
    )
    orders = orders.select(column.name for column in WORK_ORDERS.columns)
    if ending == ".pdf":
        from pipelines.reports.list_pdf import list_pdf
        from pipelines.reports.order_pdf import orders_pdf
        from pipelines.reports.paper import write_whole

        write_whole(out, list_pdf(published, orders) if weekly_list else orders_pdf(workspace, published, orders))
        return orders.height
    try:
        if ending == ".csv":
            out.write_text(spreadsheet_csv(orders), encoding="utf-8")
        else:
            document = {"work_orders": finite(orders.to_dicts())}
            out.write_text(json.dumps(document, ensure_ascii=False, indent=2, default=str), encoding="utf-8")
    except OSError as error:
        raise InputError(f"can't write {out}: {error.strerror}; name a file you may write") from error
    return orders.height
