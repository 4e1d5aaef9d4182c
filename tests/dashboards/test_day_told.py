"""The day an order is told with: the same in a page's sums, headings and cards, on the board and on the command line."""

import time
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import pytest

from dashboards import standing
from data_contracts.due import due_of
from data_contracts.states import PLANNED_STATES
from pipelines.commands.papers import write_sheet
from pipelines.read_side import order_queries
from pipelines.read_side.published import open_published
from pipelines.reports import driver_sheet, list_pdf
from pipelines.reports.orders import write_orders
from pipelines.workspace.workspace import Workspace
from tests.dashboards.conftest import View, everything
from tests.published_sample import make_workspace


def test_the_first_day_and_the_order_by_day_are_those_that_cards_tell(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    day = date(2026, 7, 6)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as link:
        ids = [row[0] for row in link.execute("SELECT order_id FROM work_orders ORDER BY order_id").fetchall()]
        link.execute("UPDATE work_orders SET state = 'proposed', until = NULL, due_by = DATE '2026-07-06'")
        link.execute(
            "UPDATE work_orders SET state = 'booked', until = DATE '2026-08-03', due_by = DATE '2026-07-01' WHERE order_id = $one",
            {"one": ids[0]},
        )
        link.execute(
            "UPDATE work_orders SET state = 'postponed', until = DATE '2026-07-20', due_by = DATE '2026-07-01' WHERE order_id = $one",
            {"one": ids[1]},
        )
    published = open_published(tmp_path)
    assert len(ids) > 2
    for states in (list(PLANNED_STATES), ["booked"], ["postponed"], ["booked", "postponed"], ["proposed"]):
        rows = order_queries.orders_by_day(published, [], states, limit=99).to_dicts()
        told = [due_of(row, day)[1] for row in rows]
        assert told == sorted(told)
        assert order_queries.order_counts(published, [], states)["first_due"] == told[0]
    words = [
        due_of(row, date(2026, 7, 7))[0]
        for row in order_queries.orders_by_day(published, [], list(PLANNED_STATES), limit=99).to_dicts()
    ]
    assert words == ["overdue"] * (len(ids) - 2) + ["postponed", "booked"]


@pytest.mark.parametrize("zone", ["Asia/Tokyo", "America/Los_Angeles"])
def test_board_and_command_line_ask_one_day_whatever_the_machines_zone(
    zone: str, sample_home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []
    monkeypatch.setattr(driver_sheet, "driver_pdf", lambda *told: asked.append(told[-1]) or b"%PDF-")
    monkeypatch.setattr(list_pdf, "list_pdf", lambda *_, today: asked.append(today) or b"%PDF-")
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        write_sheet(Workspace(sample_home), "N-01", tmp_path / "sheet.pdf", None)
        write_orders(Workspace(sample_home), tmp_path / "list.pdf", weekly_list=True)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert asked == [datetime.now(UTC).date()] * 2


def test_a_days_heading_says_what_its_cards_say(view: View, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=16)
    with duckdb.connect(str(tmp_path / "published.duckdb")) as connection:
        connection.execute("UPDATE work_orders SET state = 'proposed', due_by = DATE '2026-07-06'")
        connection.execute(
            "UPDATE work_orders SET state = 'booked', until = DATE '2026-07-08' "
            "WHERE order_id = (SELECT min(order_id) FROM work_orders)"
        )
    monkeypatch.setattr(standing, "today", lambda: date(2026, 7, 9))
    app = view("workshop", tmp_path)
    assert "The first was due 2026-07-06." in app.markdown[0].value
    app.button_group(key="workshop-order").set_value("day").run()
    days = [heading.value for heading in app.header if heading.value.startswith(("Overdue", "Booked", "Due"))]
    assert days == ["Overdue since Monday 2026-07-06", "Booked for Wednesday 2026-07-08, and that day is past"]
    assert all(f"**{day}**" in everything(app) for day in days)
