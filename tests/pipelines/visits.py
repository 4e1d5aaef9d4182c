"""What tests of a visit read at the van share: vans of the small fleet, their recordings, and what is said of them."""

from pathlib import Path

import polars as pl
import pytest

from pipelines.cli import run
from pipelines.workspace.workspace import Workspace
from tests.pipelines.small_home import SMALL_FLEET, copied_home

REGISTER = SMALL_FLEET / "register"
INBOX = SMALL_FLEET / "inbox"
LEAN, NARROW, WELL = "V001", "V009", "V012"
LAST, REPAIRED, CALM = "2026-W15", "2026-W12", "2026-W15"
"""Weeks of the lean van's last visit, of one after its repair, and of a healthy van's."""


def recordings(van: str, week: str) -> list[Path]:
    """Recordings of one van's visit in a week, as delivered."""
    return sorted(INBOX.glob(f"{week}-*/waveforms/?????-{van}.*"))


def recorded_anew(path: Path, folder: Path) -> Path:
    """A recording that differs from another in its last digits: one that no visit on file holds."""
    shaken = (pl.read_parquet(path) if path.suffix == ".parquet" else pl.read_csv(path)).with_columns(
        pl.nth(1) * 1.0001
    )
    new = folder / f"new-{path.name}"
    if path.suffix == ".parquet":
        shaken.write_parquet(new)
    else:
        shaken.write_csv(new)
    return new


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> list[str]:
    assert run(["read", *map(str, arguments)]) == 0
    return capsys.readouterr().out.splitlines()


def home_repaired(judged_small: Workspace, home: Path, day: str) -> Workspace:
    """A copy in which the lean van's repair was recorded as done on a day."""
    copied = copied_home(judged_small, home)
    import duckdb

    with duckdb.connect(str(copied.published_path)) as connection:
        ((order,),) = connection.sql(f"SELECT min(order_id) FROM work_orders WHERE van_id = '{LEAN}'").fetchall()
        assert order is not None
        connection.execute(
            "UPDATE work_orders SET state = 'done', found = 'airflow_under_reading' WHERE order_id = $o", {"o": order}
        )
        connection.execute(
            "INSERT INTO order_events BY NAME SELECT 'x' AS event_id, $o AS order_id, 'done' AS state, "
            f"TIMESTAMPTZ '{day} 10:00:00+00' AS \"at\", 'me' AS person, 'airflow_under_reading' AS found",
            {"o": order},
        )
    return copied
