"""The made-up workspace with a warehouse that holds its published orders, so that decisions can be taken in."""

from pathlib import Path

from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace, open_workspace
from tests.published_sample import make_workspace


def deciding_home(root: Path, vans_per_depot: int = 2) -> Workspace:
    """Write it into a folder."""
    make_workspace(root, vans_per_depot=vans_per_depot, weeks=16)
    workspace = open_workspace(root)
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.connection.execute(f"ATTACH '{workspace.published_path}' AS old (READ_ONLY)")
        for table in ("work_orders", "runs", "vans", "watchlist"):
            warehouse.connection.execute(f"INSERT INTO {table} SELECT * FROM old.{table}")
        warehouse.connection.execute("DETACH old")
    return workspace
