"""Ranked work orders as files the workshop can open or print."""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import polars as pl

from data_contracts.cautions import CAUTIONS, cautions_for
from data_contracts.errors import InputError
from data_contracts.facts.rendering import sentence
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.states import PLANNED_STATES
from data_contracts.tables import WORK_ORDERS
from pipelines.read_side import order_queries
from pipelines.read_side.published import Published, board_settings, families, open_published
from pipelines.reports.paper import write_whole
from pipelines.storage.plain_text import finite, in_json, spreadsheet_csv
from pipelines.workspace.moments import today
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace


def open_orders(published: Published) -> pl.DataFrame:
    """Open work orders in the order of the published list, those of vans that are not on it last.

    As `order_queries.orders` has them, with `list_rank` at the end.

    Parameters
    ----------
    published : Published
        The published file.
    """
    orders = order_queries.orders(published, [], PLANNED_STATES)
    names = [*(column.name for column in WORK_ORDERS.columns), "list_rank"]
    return orders.select(name for name in names if name in orders.columns)


def orders_document(published: Published) -> dict[str, Any]:
    """Open work orders for `--json`.

    Parameters
    ----------
    published : Published
        The published file.
    """
    document: dict[str, Any] = finite({"work_orders": open_orders(published).to_dicts()})
    return document


def orders_text(published: Published) -> str:
    """Open work orders as lines for a terminal, ranked; what to do is in the workspace's language.

    Parameters
    ----------
    published : Published
        The published file.
    """
    language = board_settings(published.home).display.language
    orders = open_orders(published)
    if not orders.height:
        return "no open work orders"
    lines = [f"{'list':>4}  {'order':<16}  {'van':<12}  {'state':<9}  {'plan week':<9}  {'hours':>5}  action"]
    lines += [
        f"{row['list_rank'] or '–':>4}  {row['order_id']:<16}  {row['van_id']:<12}  {row['state']:<9}  {row['plan_week'] or 'none':<9}  "
        f"{row['hours'] or 0.0:>5.1f}  {sentence(row, 'action', language)}"
        for row in orders.iter_rows(named=True)
    ]
    jobs = orders.select("cause", "family").unique().iter_rows()
    return "\n".join([*lines, "", *cautions_told(published, jobs, language)])


def cautions_told(published: Published, jobs: Iterable[tuple[str, str]], language: str) -> list[str]:
    """The cautions before some jobs, as lines with a heading.

    Parameters
    ----------
    published : Published
        The published file.
    jobs : iterable of (str, str)
        Cause and family of each.
    language : str
        One of `LANGUAGES`.
    """
    known = families(published.home)
    shown = {caution.name for cause, family in jobs for caution in cautions_for(cause, known.get(family))}
    cautions = [caution.text.in_language(language) for caution in CAUTIONS.values() if caution.name in shown]
    return [VISIT_WORDS["before_work"].in_language(language), *(f"  - {caution}" for caution in cautions)]


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
        If the ending is unknown, settings.toml is broken or the file can't be written.
    """
    ending = out.suffix.lower()
    if ending not in (".csv", ".json", ".pdf"):
        raise InputError(f"--out {out} ends in {ending or 'nothing'}: name a .csv, .json or .pdf file")
    if weekly_list and ending != ".pdf":
        raise InputError(f"--list makes a PDF and {out} ends in {ending}: name a .pdf file")
    load_settings(workspace.settings_path)  # a broken file is reported, not replaced by the defaults
    published = open_published(workspace.root)
    orders = open_orders(published)
    if ending == ".csv":
        content = spreadsheet_csv(orders).encode()
    elif ending == ".json":
        content = json.dumps(orders_document(published), ensure_ascii=False, indent=2, default=in_json).encode()
    else:
        from pipelines.reports.list_pdf import list_pdf
        from pipelines.reports.order_pdf import orders_pdf

        content = (
            list_pdf(published, orders, today=today())
            if weekly_list
            else orders_pdf(workspace, published, orders, today())
        )
    write_whole(out, content)
    return orders.height
