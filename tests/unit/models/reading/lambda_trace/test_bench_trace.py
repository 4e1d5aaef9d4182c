"""Known inputs: dead time and time constant of both edges, levels, and what their intervals cover."""

import numpy as np
import pytest

from data_contracts.family import LambdaSensor
from models.statistics.estimate import UNREAD_CODES
from tests.analytic_lambda import (
    RATIO,
    WIDEBAND,
    WIDEBAND_HIGH,
    coloured,
    first_order,
    read,
    volts_of_lambda,
)

SENSORS = {"rich_low": (WIDEBAND, "v"), "rich_high": (WIDEBAND_HIGH, "v"), "ratio": (RATIO, "ratio")}


def recorded(sensor: LambdaSensor, kind: str, ratio: np.ndarray) -> np.ndarray:
    return volts_of_lambda(sensor, ratio) if kind == "v" else ratio


def bench(
    sensor: LambdaSensor,
    kind: str,
    rate_hz: float,
    dead: tuple[float, float],
    constant: tuple[float, float],
    levels: tuple[float, float, float] = (1.1, 0.9, 1.15),
) -> np.ndarray:
    """Steps of lambda at 0.6 s and 1.8 s through a lag that is linear in the sensor's own signal."""
    time = np.arange(int(3.2 * rate_hz)) / rate_hz
    a, b, c = (volts_of_lambda(sensor, np.array(levels)) if kind == "v" else 1.0 / np.array(levels)).tolist()
    x = first_order(time, 0.6 + dead[0], constant[0], a, b)
    x += first_order(time, 1.8 + dead[1], constant[1], 0.0, c - b)
    return x if kind == "v" else 1.0 / x


@pytest.mark.parametrize("rate_hz", [1000.0, 2000.0, 10_000.0])
@pytest.mark.parametrize("which", SENSORS)
@pytest.mark.parametrize("constant", [(0.03, 0.045), (0.06, 0.09), (0.18, 0.06)])
def test_dead_time_within_5_ms_and_time_constant_within_10_percent(which, rate_hz, constant):
    """The bar for a bench trace; noise of 4 mV or its like, 12 bit."""
    sensor, kind = SENSORS[which]
    dead = (0.2, 0.12)
    x = bench(sensor, kind, rate_hz, dead, constant)
    rng = np.random.default_rng(1)
    rows = np.tile(x, (20, 1)) + rng.normal(0.0, 0.004, (20, x.size))
    if kind == "v":
        rows = np.round(rows / (5.0 / 4096)) * (5.0 / 4096)
    out, signs = read(rows, rate_hz=rate_hz, sensor=sensor, kind=kind, opening_s=0.6, release_s=1.8)
    for edge, theta, tau in zip(("to_rich", "to_lean"), dead, constant, strict=True):
        np.testing.assert_allclose(out[f"lambda_{edge}_dead_time_s"].value, theta, atol=0.005)
        np.testing.assert_allclose(out[f"lambda_{edge}_time_constant_s"].value, tau, rtol=0.10)
    np.testing.assert_allclose(out["lambda_idle"].value, 1.1, atol=0.003)
    np.testing.assert_allclose(out["lambda_full_throttle"].value, 0.9, atol=0.003)
    assert not signs.polarity_contradicts.any()
    assert signs.active.all()


@pytest.mark.parametrize("which", SENSORS)
@pytest.mark.parametrize("linear_in", ["lambda", "inverse"])
def test_a_lag_linear_in_another_quantity_costs_no_more_than_10_percent(which, linear_in):
    sensor, kind = SENSORS[which]
    time = np.arange(6400) / 2000.0
    a, b, c = (1.1, 0.9, 1.15) if linear_in == "lambda" else (1 / 1.1, 1 / 0.9, 1 / 1.15)
    y = first_order(time, 0.78, 0.06, a, b) + first_order(time, 1.92, 0.09, 0.0, c - b)
    x = recorded(sensor, kind, y if linear_in == "lambda" else 1.0 / y)
    rows = np.tile(x, (20, 1)) + np.random.default_rng(2).normal(0.0, 0.002, (20, x.size))
    out, _ = read(rows, rate_hz=2000.0, sensor=sensor, kind=kind, opening_s=0.6, release_s=1.8)
    assert np.median(out["lambda_to_rich_time_constant_s"].value) == pytest.approx(0.06, rel=0.1)
    assert np.median(out["lambda_to_lean_time_constant_s"].value) == pytest.approx(0.09, rel=0.1)


@pytest.mark.parametrize("memory_s", [0.0, 0.02])
@pytest.mark.parametrize(("which", "rate_hz"), [("rich_low", 500.0), ("rich_low", 2000.0), ("ratio", 2000.0)])
def test_intervals_cover(which, rate_hz, memory_s):
    """95 % intervals over repeats; 600 repeats leave ±1.7 % to chance, hence the slack around 93 to 97 %."""
    sensor, kind = SENSORS[which]
    x = bench(sensor, kind, rate_hz, (0.18, 0.12), (0.06, 0.09))
    y = x if kind == "v" else 1.0 / x
    size = np.ptp(y)
    rng = np.random.default_rng(5)
    rows = np.tile(y, (600, 1)) + rng.normal(0.0, 0.015 * size, (600, y.size))
    if memory_s:
        rows += coloured(rng, rows.shape, 0.006 * size, memory_s, 1.0 / rate_hz)
    rows = np.round(rows / (5.0 / 4096)) * (5.0 / 4096) if kind == "v" else 1.0 / rows
    out, _ = read(rows, rate_hz=rate_hz, sensor=sensor, kind=kind, opening_s=0.6, release_s=1.8)
    truth = {
        "lambda_to_rich_dead_time_s": 0.18,
        "lambda_to_rich_time_constant_s": 0.06,
        "lambda_to_lean_dead_time_s": 0.12,
        "lambda_to_lean_time_constant_s": 0.09,
        "lambda_idle": 1.1,
        "lambda_full_throttle": 0.9,
        "lambda_full_throttle_slope_per_s": 0.0,
    }
    for name, value in truth.items():
        found = out[name]
        assert np.all(found.reason == 0), name
        covered = np.mean(np.abs(found.value - value) < 1.96 * found.u)
        assert 0.91 <= covered <= 0.99, (name, covered)


def test_a_record_that_ends_early_gives_no_time_constant():
    """The lean response has only begun when the record stops."""
    x = bench(WIDEBAND, "v", 2000.0, (0.2, 0.3), (0.06, 0.12))[: int(2.16 * 2000)]
    rows = np.tile(x, (10, 1)) + np.random.default_rng(3).normal(0.0, 0.005, (10, x.size))
    out, _ = read(rows, rate_hz=2000.0, sensor=WIDEBAND, kind="v", opening_s=0.6, release_s=1.8)
    reasons = {UNREAD_CODES[code] for code in out["lambda_to_lean_time_constant_s"].reason}
    assert reasons == {"record_ends_early"}
    assert np.all(out["lambda_to_rich_time_constant_s"].reason == 0)


@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 100.0, 200_000.0])
def test_any_rate_is_read_or_refused(rate_hz):
    x = bench(WIDEBAND, "v", rate_hz, (0.2, 0.12), (0.06, 0.09))
    rows = np.tile(x, (2, 1)) + np.random.default_rng(4).normal(0.0, 0.004, (2, x.size))
    out, _ = read(rows, rate_hz=rate_hz, sensor=WIDEBAND, kind="v", opening_s=0.6, release_s=1.8)
    np.testing.assert_allclose(out["lambda_idle"].value, 1.1, atol=0.01)
    found = out["lambda_to_rich_time_constant_s"]
    if rate_hz < 100.0:
        assert {UNREAD_CODES[code] for code in found.reason} == {"rate_too_low"}
    else:
        np.testing.assert_allclose(found.value, 0.06, rtol=0.25)
