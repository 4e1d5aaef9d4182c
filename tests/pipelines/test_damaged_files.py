"""Damaged files of the databases are found, and what another program leaves beside them blocks nothing."""

from pathlib import Path

import pytest

from data_contracts.errors import WorkspaceError
from data_contracts.tables import TABLES
from pipelines.commands import decide
from pipelines.commands.check import table_findings
from pipelines.storage.publish import published_run
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from tests.pipelines.small_home import copied_home


def test_a_log_that_another_program_left_beside_the_published_file_blocks_nothing(
    judged_small: Workspace, tmp_path: Path
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    log = home.published_path.with_name("published.duckdb.wal")
    log.write_bytes(b"of another file")
    week = steps.resolve_week(home.root, None)
    assert steps.publish_week(home.root, week, steps.track(home.root, week))
    assert not log.exists()
    assert published_run(home.published_path) is not None


def test_every_damaged_block_that_holds_values_is_found(judged_small: Workspace, tmp_path: Path) -> None:
    """DuckDB keeps blocks of 256 KiB with a checksum each, after three headers of 4 KiB. Those of keys alone are not read."""
    content = judged_small.warehouse_path.read_bytes()
    with Warehouse(judged_small.warehouse_path) as warehouse:
        size = warehouse.query("SELECT block_size FROM pragma_database_size()").item()
        held = {
            number
            for table in TABLES
            for number in warehouse.query(f"SELECT block_id FROM pragma_storage_info('{table}')")["block_id"]
            if number is not None and number >= 0
        }
    assert len(held) > 5
    for number in sorted(held):
        damaged = bytearray(content)
        damaged[3 * 4096 + number * size + 1000] ^= 0xFF
        path = tmp_path / f"{number}.duckdb"
        path.write_bytes(damaged)
        try:
            with Warehouse(path) as warehouse:
                findings = table_findings(warehouse)
        except WorkspaceError as error:
            findings = [str(error)]
        assert findings, number
        assert all("vansnap restore" in line for line in findings)


@pytest.mark.parametrize("what", [OSError(28, "No space left on device"), WorkspaceError("the warehouse is missing")])
def test_a_decision_that_cannot_take_effect_at_once_is_told_to_stand(
    judged_small: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: Exception
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    with Warehouse(home.warehouse_path) as warehouse:
        (order,) = warehouse.query("SELECT order_id FROM work_orders WHERE state = 'proposed' LIMIT 1")["order_id"]

    def fail(workspace: Workspace) -> bool:
        raise what

    monkeypatch.setattr(decide, "apply_now", fail)
    said = decide.decide_one(home, {"order_id": order, "state": "accepted", "person": "foreman"})
    assert said.startswith(f"order {order} of V")
    assert " is accepted (written down, and it stands" in said
    assert str(what) in said
    monkeypatch.undo()
    assert decide.apply_now(home)
    with Warehouse(home.warehouse_path) as warehouse:
        state = warehouse.query("SELECT state FROM work_orders WHERE order_id = ?", [order]).item()
    assert state == "accepted"
