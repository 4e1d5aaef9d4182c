"""Figures hold the values they were given."""

import numpy as np
import pytest

from dashboards.palette import LIGHT
from dashboards.trend_chart import expected_half_width, trend_chart
from pipelines.read_side.traces import thinned


def _rows(n: int = 12) -> list[dict[str, object]]:
    return [
        {
            "quantity": "idle_g_s",
            "week": f"2026-W{k + 10:02d}",
            "value": 3.0 + 0.01 * k,
            "value_u": 0.05,
            "baseline": 3.0,
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
        _rows(),
        limits=(2.9, None),
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


def test_the_expected_range_has_the_spread_the_residual_was_divided_by() -> None:
    assert expected_half_width(_rows()) == pytest.approx(np.full(12, 1.96 * 0.1))


def test_no_forecast_is_drawn_without_a_clear_drift() -> None:
    rows = [{**row, "slope_low": -0.01} for row in _rows()]
    figure = trend_chart(rows, limits=(None, None), repairs=[], span=("2026-W10", "2026-W21"), palette=LIGHT)
    assert "drift extrapolated (95 %)" not in {trace.name for trace in figure.data}


def test_thinning_keeps_a_lone_needle_and_the_order_of_time() -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=50_000)
    values[31_234] = 40.0
    time, kept = thinned(np.arange(50_000) * 1e-4, values, points=300)
    assert kept.size <= 600
    assert kept.max() == 40.0
    assert np.all(np.diff(time) > 0)
