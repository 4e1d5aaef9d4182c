"""The captures that a week is judged by, with the readings that anything looks at: a third of the columns is never asked for."""

from datetime import timedelta

import polars as pl

from data_contracts.signals import TRACKED
from data_contracts.tables import READINGS, polars_schema
from data_contracts.weeks import week_of, week_start
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register


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
        Columns of the captures, and of their readings those that are tracked or that tracking asks for, with uncertainties.
    """
    from models.tracking.visits import MAIN_PEAK_AS_READ  # it takes seconds to import

    asked = {*TRACKED, MAIN_PEAK_AS_READ, "hold_s"}
    readings = ", ".join(f"r.{name}" for name in polars_schema(READINGS) if name.removesuffix("_u") in asked)
    return warehouse.query(
        f"SELECT c.*, {readings} FROM captures c JOIN readings r USING (capture_id) WHERE c.week <= ?", [week]
    ).filter(pl.col("van_id").is_in(list(register.vans)))


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
