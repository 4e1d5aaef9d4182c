"""Up to which stated odds there are cases enough to judge what was promised."""

from typing import cast

import polars as pl
import pytest

from pipelines.read_side import promises, record_queries
from pipelines.read_side.published import Published


@pytest.mark.parametrize(
    ("forecasts", "up_to"),
    [
        ((100, 20, 20, 20, 20), 1.0),
        ((100, 20, 20, 20, 19), 0.8),
        ((100, 100, 2, 2, 60), 0.2),  # enough of the highest says nothing of those between
        ((100, 15, 15, 15, 15), 0.05),  # none has enough
        ((100, 100, 0, 60, 60), 0.2),  # a band without a forecast has no row
        ((0, 40, 20, 0, 0), 0.5),
    ],
)
def test_the_odds_are_judged_up_to_the_first_band_with_too_few_cases(
    monkeypatch: pytest.MonkeyPatch, forecasts: tuple[int, ...], up_to: float
) -> None:
    rows = [
        {"horizon_weeks": 8, "band": band, "forecasts": n, "mean_probability": 0.1 + 0.2 * band, "crossed": 0}
        for band, n in enumerate(forecasts)
        if n
    ]
    other = [row | {"horizon_weeks": 4, "forecasts": 1} for row in rows]  # of a horizon with fewer of them
    monkeypatch.setattr(record_queries, "forecast_record", lambda published: pl.DataFrame([*other, *rows]))
    odds = promises.of_odds(cast(Published, None))
    assert (odds.verdict, odds.weeks, odds.judged_to) == ("too_high", 8, up_to)
