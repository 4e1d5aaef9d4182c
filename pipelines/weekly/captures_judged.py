"""The captures that a week is judged by, with what anything looks at: their readings go through a file, some vans at a time."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import NamedTuple

import polars as pl

from data_contracts.signals import TRACKED
from data_contracts.tables import CAPTURES, READINGS, polars_schema
from data_contracts.weeks import week_of, week_start
from pipelines.storage.rows_aside import found_aside
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register
from pipelines.workspace.workspace import Workspace

_LOOKED_AT = (
    "van_id",
    "family",
    "captured_at",
    "week",
    "visit",
    "grade",
    "grade_reasons",
    "fault_codes",
    "odometer_km",
    "fuel",
)
"""Columns of captures that are looked at beside tracking, for all vans together."""


def captures_judged(warehouse: Warehouse, register: Register, week: str) -> pl.DataFrame:
    """Captures until the end of a week, of vans of the register; one no longer in it keeps only its history.

    Parameters
    ----------
    warehouse : Warehouse
    register : Register
    week : str
        ISO week.

    Returns
    -------
    polars.DataFrame
        All but their readings, without what nothing looks at.
    """
    columns = ", ".join(f"c.{name}" for name in _LOOKED_AT)
    return warehouse.query(
        f"SELECT {columns} FROM captures c JOIN readings r USING (capture_id) WHERE c.week <= ?", [week]
    ).filter(pl.col("van_id").is_in(list(register.vans)))


class Read(NamedTuple):
    """What tracking looks at, in the order of vans.

    Attributes
    ----------
    readings : polars.LazyFrame
        Columns of the captures, and of their readings those that are tracked or that tracking asks for, with uncertainties.
    shapes : polars.LazyFrame
        Rows of the shapes table, with van_id.
    """

    readings: pl.LazyFrame
    shapes: pl.LazyFrame

    def of(self, vans: pl.Expr) -> "Read":
        """Of some vans: those that meet a condition."""
        return Read(self.readings.filter(vans), self.shapes.filter(vans))


@contextmanager
def readings_judged(workspace: Workspace, warehouse: Warehouse, register: Register, week: str) -> Iterator[Read]:
    """What was read of the same captures, for the length of the block.

    Parameters
    ----------
    workspace : Workspace
    warehouse : Warehouse
    register : Register
    week : str
        ISO week.

    Yields
    ------
    Read
    """
    from models.tracking.visits import MAIN_PEAK_AS_READ, OF_CAPTURES  # it takes seconds to import

    asked = {*TRACKED, MAIN_PEAK_AS_READ, "hold_s"}
    readings = [f"r.{name}" for name in polars_schema(READINGS) if name.removesuffix("_u") in asked]
    captures = [f"c.{name}" for name in OF_CAPTURES if name in polars_schema(CAPTURES)]
    sql = """
        SELECT {} FROM captures c JOIN {} USING (capture_id)
        WHERE c.week <= $week AND c.van_id IN (SELECT van_id FROM _known) ORDER BY c.van_id
    """
    of_readings = sql.format(", ".join((*captures, *readings)), "readings r")
    of_shapes, known = sql.format("c.van_id, s.*", "shapes s"), {"week": week}
    with (
        warehouse.rows("_known", pl.DataFrame({"van_id": list(register.vans)}, schema={"van_id": pl.String})),
        found_aside(warehouse, of_readings, known, workspace.root / "readings.parquet") as read,
        found_aside(warehouse, of_shapes, known, workspace.root / "shapes.parquet") as drawn,
    ):
        yield Read(read, drawn)


def fault_codes(captures: pl.DataFrame, van_ids: tuple[str, ...], repairs: pl.DataFrame) -> list[tuple[str, ...]]:
    """Fault codes of each van's last three visits since its last repair.

    Parameters
    ----------
    captures : polars.DataFrame
        As `captures_judged` returns.
    van_ids : tuple of str
    repairs : polars.DataFrame
        REPAIRS.

    Returns
    -------
    list of tuple of str
        Of each van.
    """
    last = repairs.group_by("van_id").agg(repaired=pl.col("done_at").max())
    recent = (
        captures.filter(pl.col("van_id").is_in(list(van_ids)))
        .join(last, on="van_id", how="left")
        .filter(pl.col("repaired").is_null() | (pl.col("captured_at") > pl.col("repaired")))
        .sort("van_id", "captured_at")
        .group_by("van_id")
        .agg(pl.col("fault_codes").tail(9).explode().drop_nulls().unique().sort())
    )
    codes = dict(recent.iter_rows())
    return [tuple(codes.get(van_id) or ()) for van_id in van_ids]


_SETTLED = """
    SELECT c.van_id, c.family, c.captured_at, c.visit, r.settle_time_s,
           CASE WHEN len(list_filter(r.unread, lambda one: one.name = 'settle_time_s' AND one.reason = 'record_ends_early')) > 0
                THEN c.length_s - r.release_s END AS unsettled_s
    FROM captures c JOIN readings r USING (capture_id) WHERE c.week <= $week AND c.week > $since AND c.grade <> 'repeat'
"""


def recently_settled(warehouse: Warehouse, register: Register, week: str) -> pl.DataFrame:
    """How the captures of the weeks in which a van has a state came back to idle, as `models.work.settling.late_to_settle` takes them.

    Parameters
    ----------
    warehouse : Warehouse
    register : Register
    week : str
        ISO week.

    Returns
    -------
    polars.DataFrame
    """
    from models.tracking.assess import TrackingSettings  # it takes seconds to import

    since = week_of(week_start(week) - timedelta(weeks=TrackingSettings().forget_after_weeks))
    rows = warehouse.query(_SETTLED, {"week": week, "since": since})
    return rows.filter(pl.col("van_id").is_in(list(register.vans)))
