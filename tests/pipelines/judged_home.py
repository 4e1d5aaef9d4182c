"""A workspace whose captures are read already: quick to judge, with listed vans whose flow stands in alarm."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.tables import CAPTURES, READINGS, polars_schema
from models.tracking.anomaly import fleet as anomaly
from models.tracking.anomaly import score
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.readings_fleet import FAMILIES_TABLE, ReadingsFleet, make_fleet

FLEET_SIZE = {"vans": 18, "weeks": 16, "repeats": 2, "faulty": 0.6, "seed": 8}
TREES = 8
"""Of what finds odd visits, in place of the many whose growing and writing took half of each judgement."""


def fleet_of_readings(**other: float) -> ReadingsFleet:
    """The fleet behind the workspace, or one of another size."""
    return make_fleet(**FLEET_SIZE | other)  # type: ignore[arg-type]


def judged_home(root: Path, fleet: ReadingsFleet, families: Mapping[str, object] = FAMILIES_TABLE) -> Workspace:
    """A new workspace that holds the fleet's captures and readings, with a register that fits."""
    vans = fleet.frame.group_by("van_id").agg(pl.col("family", "depot").last()).sort("van_id")
    files = {
        "settings.toml": "",
        "register/vans.csv": vans.write_csv(),
        "register/families.toml": "".join(toml_of(name, table) for name, table in families.items()),
    }
    workspace = make_workspace(root, files)
    put_captures(workspace, fleet.frame)
    return workspace


def put_captures(workspace: Workspace, frame: pl.DataFrame) -> None:
    """Replace the workspace's captures and readings."""
    known = frame.with_columns(
        pl.col("capture_id").alias("waveform_id"),
        pl.col("capture_id").alias("read_id"),
        pl.lit(1).alias("snap"),
        pl.lit("one").alias("delivery"),
        pl.int_range(1, pl.len() + 1).alias("row"),
        pl.col("capture_id").alias("file"),
        pl.lit("canonical").alias("recorder"),
        pl.lit("test").alias("method"),
        *(
            pl.col(name).fill_null([])
            for name in ("grade_reasons", "fault_codes", "unread", "marked")
            if frame[name].null_count()
        ),
    )
    with Warehouse(workspace.warehouse_path) as warehouse, warehouse.transaction():
        for table in (CAPTURES, READINGS):
            warehouse.replace(table.name, known.select(list(polars_schema(table))))


def judge(workspace: Workspace, week: str | None = None) -> steps.Tracked:
    """Judge and publish, whatever was published before; what finds odd visits is small."""
    workspace.published_path.unlink(missing_ok=True)
    with pytest.MonkeyPatch.context() as patch, workspace.held():
        patch.setattr(anomaly, "make_model", small_model)
        standing = steps.resolve_week(workspace.root, week)
        tracked = steps.track(workspace.root, standing)
        assert steps.publish_week(workspace.root, standing, tracked)
    return tracked


def small_model(seed: int) -> Any:
    """What finds odd visits in weeks that `judge` judges."""
    return score.make_model(seed).set_params(forest__n_estimators=TREES)


def toml_of(name: str, table: object, path: str = "") -> str:
    """TOML of one family, from its table."""
    assert isinstance(table, Mapping)
    own = {key: value for key, value in table.items() if not isinstance(value, Mapping)}
    inner = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    lines = [f"[{path}{name}]", *(f"{key} = {_value(value)}" for key, value in own.items())]
    return "\n".join(lines) + "\n" + "".join(toml_of(key, value, f"{path}{name}.") for key, value in inner.items())


def _value(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value)
