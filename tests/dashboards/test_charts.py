"""Figures hold the values they were given."""

import numpy as np
import pytest

from dashboards.palette import LIGHT, contrast
from dashboards.text import NARROW_SPACE
from dashboards.trend_chart import trend_chart, trend_key
from pipelines.read_side.traces import thinned


def _rows(n: int = 12) -> list[dict[str, object]]:
    return [
        {
            "quantity": "idle_g_s",
            "week": f"2026-W{k + 10:02d}",
            "value": 3.0 + 0.01 * k,
            "value_u": 0.05,
            "level": 3.0 + 0.01 * k,
            "baseline": 3.0,
            "expected_low": 2.8,
            "expected_high": 3.2,
            "movement": "drifting",
            "z": 0.01 * k / 0.1,
            "alarm": k >= 10,
            "slope_per_week": 0.01,
            "slope_low": 0.005,
            "slope_high": 0.015,
        }
        for k in range(n)
    ]


def test_a_trend_shows_each_visit_its_alarms_limit_and_repair() -> None:
    figure = trend_chart(
        [row | {"limit_low": 2.9} for row in _rows()],
        repairs=[("2026-W15", "x"), ("2025-W01", "y")],
        span=("2026-W10", "2026-W21"),
        palette=LIGHT,
    )
    by_name = {trace.name: trace for trace in figure.data}
    assert list(by_name["visit"].y) == pytest.approx([3.0 + 0.01 * k for k in range(12)])
    assert list(by_name["visit"].error_y.array) == pytest.approx([0.05] * 12)
    assert list(by_name["alarm"].y) == pytest.approx([3.1, 3.11])
    notes = [a.text for a in figure.layout.annotations]
    assert notes.count("low limit") == 1
    assert notes.count("repair") == 1


def test_the_expected_range_stands_at_the_visits_as_it_was_judged_by() -> None:
    rows = _rows()
    rows[4] |= {"expected_low": None, "expected_high": None}  # of an older version
    figure = trend_chart(rows, repairs=[], span=("2026-W10", "2026-W21"), palette=LIGHT)
    (band,) = (trace for trace in figure.data if trace.name == f"expected range (95{NARROW_SPACE}%)")
    assert (len(band.x), band.type) == (11, "bar")  # nothing is drawn between visits
    assert list(band.base) == pytest.approx([2.8] * 11)
    assert list(band.y) == pytest.approx([0.4] * 11)
    assert contrast(band.marker.line.color, LIGHT.paper) >= 3.0


def test_the_key_names_only_what_some_chart_shows() -> None:
    plain = [row | {"alarm": False, "movement": "rested"} for row in _rows()]
    bare = [row | {"expected_low": None, "expected_high": None} for row in plain]
    whole = trend_key([bare, [row | {"limit_low": 2.9} for row in _rows()]])
    for words in ("expected", "alarm", "limit", "fan"):
        assert words in whole
        assert words not in trend_key([bare])
    assert "expected" in trend_key([plain])
    assert "open circle" not in whole


@pytest.mark.parametrize(
    "of_last",
    [{"movement": word} for word in ("stepped", "rested", "returning", "unclear", None)]
    + [{"after_repair": "awaited"}],
)
def test_a_fan_is_drawn_only_of_a_drift_that_goes_on(of_last: dict[str, object]) -> None:
    def names(rows: list[dict[str, object]]) -> set[str]:
        chart = trend_chart(rows, repairs=[], span=("2026-W10", "2026-W21"), palette=LIGHT)
        return {trace.name for trace in chart.data}

    rows = _rows()
    assert f"drift carried on (95{NARROW_SPACE}%)" in names(rows)
    assert f"drift carried on (95{NARROW_SPACE}%)" not in names([*rows[:-1], rows[-1] | of_last])


def test_thinning_keeps_a_lone_needle_and_the_order_of_time() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=50_000)
    values[31_234] = 40.0
    time, kept = thinned(np.arange(50_000) * 1e-4, values, points=300)
    assert kept.size <= 600
    assert kept.max() == 40.0
    assert np.all(np.diff(time) > 0)
