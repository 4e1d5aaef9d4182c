"""Whether what the lists promised was kept, as findings and later visits tell: one verdict behind every mark of it."""

from dataclasses import dataclass
from typing import Literal

from models.statistics.proportions import share_interval
from pipelines.read_side import record_queries
from pipelines.read_side.published import Published

Verdict = Literal["unchecked", "few", "kept", "not_kept"]

FEW = 20
"""Cases below which a share says little. Common practice, no source."""


@dataclass(frozen=True)
class Odds:
    """Stated odds of crossing a limit against what came, of forecasts that state more than next to nothing.

    Attributes
    ----------
    verdict : {"unchecked", "few", "kept", "too_high", "too_low"}
    weeks : int
        Horizon: the one with most of these forecasts. [week]
    came, cases : int
    stated : float
        Mean that was stated of them. [1]
    judged_to : float
        Stated odds up to which every band from `ODDS_FROM` on has cases enough to judge; `ODDS_FROM` where the first has
        too few. [1]
    """

    verdict: Literal["unchecked", "few", "kept", "too_high", "too_low"]
    weeks: int = 0
    came: int = 0
    cases: int = 0
    stated: float = 0.0
    judged_to: float = 1.0


ODDS_FROM = record_queries.FORECAST_BANDS[0]
"""Least odds that count in `of_odds`: the many forecasts of next to nothing would hide how the others did. [1]"""


def verdict(came: int, cases: int, stated: float) -> Verdict:
    """Whether a share that was promised came.

    Parameters
    ----------
    came, cases : int
        Cases that came as stated, and all.
    stated : float
        Share that was promised. [1]

    Returns
    -------
    {"unchecked", "few", "kept", "not_kept"}
        Not kept where even the favourable end of the 95 % interval is less than promised.
    """
    if not cases:
        return "unchecked"
    if share_interval(came, cases)[2] < stated:
        return "not_kept"
    return "few" if cases < FEW else "kept"


def of_causes(published: Published) -> tuple[Verdict, int, int, float]:
    """Whether the likeliest causes were found as often as stated.

    Returns
    -------
    tuple of (verdict, int, int, float)
        Causes found as stated, findings, and the mean probability that was stated of them. [1]
    """
    rows = list(record_queries.cause_record(published).iter_rows(named=True))
    right, cases = (sum(int(row[name]) for row in rows) for name in ("right", "findings"))
    stated = sum(row["mean"] * row["findings"] for row in rows) / cases if cases else 0.0
    return verdict(right, cases, stated), right, cases, stated


def of_odds(published: Published) -> Odds:
    """Whether limits were crossed as often as stated.

    Parameters
    ----------
    published : Published
    """
    sums: dict[int, tuple[int, int, float]] = {}
    enough: set[tuple[int, int]] = set()
    for row in record_queries.forecast_record(published).iter_rows(named=True):
        if row["forecasts"] >= FEW:
            enough.add((row["horizon_weeks"], row["band"]))
        if row["band"] > 0:
            came, cases, stated = sums.get(row["horizon_weeks"], (0, 0, 0.0))
            more = row["forecasts"]
            sums[row["horizon_weeks"]] = (came + row["crossed"], cases + more, stated + more * row["mean_probability"])
    if not sums:
        return Odds("unchecked")
    weeks, (came, cases, total) = max(sums.items(), key=lambda one: (one[1][1], -one[0]))
    stated = total / cases
    _, low, high = share_interval(came, cases)
    found: Literal["few", "kept", "too_high", "too_low"] = "few" if cases < FEW else "kept"
    if not low <= stated <= high:
        found = "too_high" if high < stated else "too_low"
    upper = [*record_queries.FORECAST_BANDS, 1.0]
    judged = next((band - 1 for band in range(1, len(upper)) if (weeks, band) not in enough), len(upper) - 1)
    return Odds(found, weeks, came, cases, stated, upper[judged])


def of_interval(published: Published, interval: str) -> Verdict:
    """Whether what was stated with an interval lay inside it as often as it should.

    Parameters
    ----------
    published : Published
    interval : str
        Such as "weeks_to_limit", of `coverage`.
    """
    rows = [row for row in record_queries.coverage(published).iter_rows(named=True) if row["interval"] == interval]
    return verdict(rows[0]["inside"], rows[0]["cases"], rows[0]["stated"]) if rows else "unchecked"
