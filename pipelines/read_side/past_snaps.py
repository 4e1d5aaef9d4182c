"""A van's latest snap and those of its earlier visits to lay it over, on the fixed grid: for paper and for the board."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from data_contracts.family import LambdaSensor
from models.statistics.arrays import Floats
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.read_side.traces import Traces

EARLIER_MOST = 16
EARLIER_LEAST = 3
"""With fewer visits before the change, the newest earlier ones stand in for them."""


@dataclass(frozen=True)
class PastSnaps:
    """Snaps on the fixed grid of models/reading/aligned_traces.py: the latest, and earlier ones to lay it over.

    Attributes
    ----------
    latest_airflow, latest_lambda : ndarray of shape (grid,)
        NaN where nothing was recorded. [g/s], [1 or V]
    airflow, lambda_signal : ndarray of shape (earlier snaps, grid)
        The same of earlier visits, oldest first.
    raw : Traces or None
        Full-rate traces of the latest snap, where its samples are stored and wanted.
    hold_s : float
        Opening to release of the latest snap, NaN if it has no release. [s]
    latest : str
        Its capture.
    days : tuple of datetime
        When the earlier ones were captured.
    before_change : bool
        The earlier ones are all from before the change began.
    volts_alone : bool
        The van's idle was only ever read in volts of the lambda sensor, never as lambda.
    """

    latest_airflow: Floats
    latest_lambda: Floats
    airflow: Floats
    lambda_signal: Floats
    raw: Traces | None = None
    hold_s: float = float("nan")
    latest: str = ""
    days: tuple[datetime, ...] = ()
    before_change: bool = False
    volts_alone: bool = False

    def in_volts(self, sensor: LambdaSensor | None) -> bool:
        """Whether the lambda signal is in volts: of a narrowband sensor, known by what was read where the family is not known."""
        return self.volts_alone if sensor is None else sensor.kind == "narrowband"


def changed_week(published: Published, van_id: str, week: str) -> str | None:
    """The earliest week in which what stands in alarm may have begun to move, by the early end of its interval.

    Parameters
    ----------
    published : Published
        The published file.
    van_id : str
        Van.
    week : str
        ISO week.
    """
    frame = published.ask(
        """
        SELECT min(coalesce(onset_low, alarm_since)) AS since FROM trends
        WHERE van_id = $van AND alarm AND week = (SELECT max(week) FROM trends WHERE van_id = $van AND week <= $week)
        """,
        {"van": van_id, "week": week},
    )
    since: str | None = frame["since"][0]
    return since


def past_snaps(published: Published, visits: pl.DataFrame, changed: str | None) -> PastSnaps | None:
    """The latest snap, and those of visits before the change, or the newest earlier ones where no change is dated.

    Parameters
    ----------
    published : Published
        The published file.
    visits : polars.DataFrame
        Visits of the van, as `queries.van_visits` gives them, newest first.
    changed : str or None
        ISO week in which the change began.

    Returns
    -------
    PastSnaps or None
        None without a visit, or where the latest has no snap on the grid.
    """
    if not visits.height:
        return None
    latest = str(visits["capture_id"][0])
    earlier = visits.slice(1).filter((pl.col("grade") != "repeat") | pl.col("held").is_not_null())
    before = earlier.filter(pl.col("week") < changed) if changed else earlier
    dated = changed is not None and before.height >= EARLIER_LEAST
    before = (before if dated else earlier).head(EARLIER_MOST)
    shapes = {
        row["capture_id"]: row
        for row in queries.shapes(published, [latest, *before["capture_id"].to_list()]).iter_rows(named=True)
    }
    if latest not in shapes:
        return None
    used = before.filter(pl.col("capture_id").is_in(list(shapes))).sort("captured_at")
    idle = published.ask(
        "SELECT count(lambda_idle_v) AS volts, count(lambda_idle) AS ratios FROM readings WHERE capture_id IN "
        "(SELECT unnest($captures))",
        {"captures": visits["capture_id"].to_list()},
    )
    hold = published.ask("SELECT hold_s FROM readings WHERE capture_id = $capture", {"capture": latest})
    one = shapes[latest]
    return PastSnaps(
        np.asarray(one["airflow"], dtype=np.float64),
        np.asarray(one["lambda_signal"], dtype=np.float64),
        _stack([shapes[c]["airflow"] for c in used["capture_id"]], len(one["airflow"])),
        _stack([shapes[c]["lambda_signal"] for c in used["capture_id"]], len(one["lambda_signal"])),
        hold_s=float("nan") if not hold.height or hold["hold_s"][0] is None else float(hold["hold_s"][0]),
        latest=latest,
        days=tuple(used["captured_at"].to_list()),
        before_change=dated,
        volts_alone=bool(idle["volts"][0]) and not idle["ratios"][0],
    )


def _stack(rows: list[list[float]], width: int) -> Floats:
    return np.asarray(rows, dtype=np.float64).reshape(-1, width)
