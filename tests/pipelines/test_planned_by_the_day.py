"""A booking or a postponement moves the planned week at once: list, plan and paper agree before the next run."""

from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipelines.cli import run
from pipelines.read_side import order_queries
from pipelines.read_side.published import open_published
from pipelines.storage.warehouse import Warehouse
from tests.deciding_home import deciding_home

PLANNED = "2026-W20"


def decided(root: Path, *options: str) -> dict[str, Any]:
    """The first proposal, planned for `PLANNED`, after a decision."""
    workspace = deciding_home(root)
    order = order_queries.orders(open_published(root), [], ["proposed"], limit=1)["order_id"][0]
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.execute("UPDATE work_orders SET plan_week = ?, plan_note = 'as planned'", [PLANNED])
    assert run(["decide", order, *options, "--at", "2026-05-01T08:00:00+02:00", "--home", str(root)]) == 0
    with duckdb.connect(str(root / "published.duckdb"), read_only=True) as link:
        return (
            link.sql("SELECT * FROM work_orders WHERE order_id = $order", params={"order": order})
            .pl()
            .row(0, named=True)
        )


@pytest.mark.parametrize(
    ("options", "week", "note"),
    [
        (("postponed", "--until", "2026-06-10"), "2026-W24", "postponed until 2026-06-10"),
        (("postponed", "--until", "2026-05-06"), PLANNED, "as planned"),
        (("booked", "--until", "2026-05-06"), "2026-W19", "booked for 2026-05-06"),
        (("booked", "--until", "2026-05-13"), PLANNED, "as planned"),
        (("booked",), PLANNED, "as planned"),
        (("accepted",), PLANNED, "as planned"),
        (("done", "--found", "none"), None, None),
    ],
)
def test_the_planned_week_follows_the_day(
    tmp_path: Path, options: tuple[str, ...], week: str | None, note: str | None
) -> None:
    row = decided(tmp_path / "home", *options)
    assert (row["plan_week"], row["plan_note"]) == (week, note)
