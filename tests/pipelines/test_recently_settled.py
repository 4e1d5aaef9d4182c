"""How the captures of the last weeks came back to idle, out of the warehouse."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import polars as pl

from data_contracts.tables import CAPTURES, READINGS, Table, polars_schema
from pipelines.storage.warehouse import Warehouse
from pipelines.weekly.captures_judged import recently_settled

AT = datetime(2026, 4, 1, 9, tzinfo=UTC)
EMPTY = {pl.String(): "", pl.Float64(): 0.0, pl.Int64(): 0, pl.Boolean(): False, pl.Datetime("us", "UTC"): AT}


def row(table: Table, **told: object) -> pl.DataFrame:
    """One row of a table with what is told, and something of its kind where a value is needed."""
    schema = polars_schema(table)
    needed = {c.name: (c.words or (EMPTY.get(schema[c.name], []),))[0] for c in table.columns if c.required}
    return pl.DataFrame([{name: told.get(name, needed.get(name)) for name in schema}], schema=schema)


def test_an_unsettled_capture_tells_for_how_long_it_went_on(tmp_path: Path) -> None:
    unread = [{"name": "settle_time_s", "reason": "record_ends_early"}]
    told = {
        "settled": ("v1", "2026-W14", "good", {"settle_time_s": 1.5, "release_s": 4.0}),
        "hunting": ("v1", "2026-W14", "usable", {"unread": unread, "release_s": 4.0}),
        "not found": ("v1", "2026-W14", "usable", {"unread": [unread[0] | {"reason": "not_found"}], "release_s": 4.0}),
        "sent back": ("v1", "2026-W14", "repeat", {"settle_time_s": 9.0, "release_s": 4.0}),
        "long ago": ("v1", "2026-W02", "good", {"settle_time_s": 9.0, "release_s": 4.0}),
        "to come": ("v1", "2026-W15", "good", {"settle_time_s": 9.0, "release_s": 4.0}),
        "sold": ("v9", "2026-W14", "good", {"settle_time_s": 9.0, "release_s": 4.0}),
    }
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        for n, (name, (van_id, week, grade, read)) in enumerate(told.items()):
            at = AT + timedelta(minutes=n)
            capture = {
                "capture_id": name,
                "van_id": van_id,
                "week": week,
                "grade": grade,
                "captured_at": at,
                "visit": week,
            }
            warehouse.append("captures", row(CAPTURES, **capture, length_s=8.5))
            warehouse.append("readings", row(READINGS, capture_id=name, **read))
        found = recently_settled(warehouse, SimpleNamespace(vans={"v1": None}), "2026-W14").sort("captured_at")  # type: ignore[arg-type]
    assert found.select("settle_time_s", "unsettled_s").rows() == [(1.5, None), (None, 4.5), (None, None)]
