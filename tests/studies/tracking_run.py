"""Judge a fleet week by week, each week with what was known then, and hold the lists against the truth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from data_contracts.family import Family
from models.tracking.assess import TrackingSettings, assess


def weekly_states(
    frame: pl.DataFrame,
    families: Mapping[str, Family],
    repairs: pl.DataFrame,
    weeks: Sequence[str],
    settings: TrackingSettings,
    shapes: pl.DataFrame | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """States of every van and its trends as of every week, judged with nothing later."""
    parts, trends = [], []
    for week in weeks:
        result = assess(frame, families=families, repairs=repairs, week=week, settings=settings, shapes=shapes)
        parts.append(
            result.states.select(
                pl.lit(week).alias("week"),
                "van_id",
                "family",
                "depot",
                "last_week",
                "listed",
                "alarm",
                "anomaly",
                "anomaly_p",
                "weeks_to_limit",
            )
        )
        trends.append(result.trends)
    return pl.concat(parts), pl.concat(trends)


def interval(share: float, n: float) -> tuple[float, float]:
    """95 % interval (Wilson) of a share of n cases, a number that may be no whole one."""
    z = 1.959964
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return max(float(middle - half), 0.0), min(float(middle + half), 1.0)


@dataclass(frozen=True)
class Share:
    """A share with its 95 % interval (Wilson)."""

    hits: int
    of: int

    @property
    def value(self) -> float:
        return self.hits / self.of if self.of else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        return interval(self.value, self.of) if self.of else (float("nan"), float("nan"))

    def __str__(self) -> str:
        low, high = self.interval
        return f"{100 * self.value:.2f} % ({100 * low:.2f} to {100 * high:.2f}; {self.hits} of {self.of})"


def false_alarms(states: pl.DataFrame, healthy: pl.DataFrame) -> Share:
    """Share of healthy van-weeks on the list; `healthy` has van_id and week."""
    joined = states.join(healthy, on=["van_id", "week"])
    return Share(int(joined["listed"].sum()), joined.height)
