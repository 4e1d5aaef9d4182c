"""Rows of the trends table."""

import numpy as np
import polars as pl

from data_contracts.tables import TRENDS, polars_schema
from models.tracking.state.record import Judged, record_of, repaired_since


def trends_of(judged: Judged, repairs: pl.DataFrame, first_week: int) -> pl.DataFrame:
    """Rows of the trends table.

    Parameters
    ----------
    judged : Judged
        Visits, charts, alarms and forecasts.
    repairs : polars.DataFrame
        Up to the week judged.
    first_week : int
        Number of the first week wanted.

    Returns
    -------
    polars.DataFrame
        In the schema of the trends table, sorted by van, week and quantity. Values are at reference conditions. Shifts
        that vans of a recorder or a week share stay in the values, and are removed from z and the charts.
    """
    std, followed, alarms = judged.std, judged.followed, judged.alarms
    wanted = std.weeks >= first_week
    parts: list[pl.DataFrame] = []
    schema = polars_schema(TRENDS)
    for q, quantity in enumerate(std.quantities):
        rows = np.flatnonzero(wanted & np.isfinite(std.x[:, q]))
        if not rows.size:
            continue
        columns = {
            "van_id": std.visits["van_id"][rows],
            "week": std.visits["week"][rows],
            "quantity": pl.repeat(quantity, rows.size, eager=True),
            "corrected": (std.visits["air_from"][rows] != "unmeasured"),
            "air_from": std.visits["air_from"][rows],
            **record_of(judged, rows, q),
            "z": followed.z[rows, q],
            "ewma": followed.ewma[rows, q],
            "ewma_limit": alarms.ewma_limit[rows, q],
            "cusum_high": alarms.cusum_high[rows, q],
            "cusum_low": alarms.cusum_low[rows, q],
        }
        parts.append(pl.DataFrame(columns).select(list(schema)).cast(dict(schema)).fill_nan(None))  # type: ignore[arg-type]
    if not parts:
        return pl.DataFrame(schema=schema)
    return repaired_since(pl.concat(parts).sort("van_id", "week", "quantity"), std.visits, repairs)
