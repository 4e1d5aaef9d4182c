"""First-order-plus-dead-time identification against published two-point methods, a slow twin, and formulas."""

import csv

import numpy as np
import pytest

from models.reading.lambda_trace import step_fit as fit
from models.reading.lambda_trace import two_point
from models.reading.lambda_trace.levels import levels
from models.reading.lambda_trace.step_model import Fit, Known, Noise, Response
from models.statistics.coloured_noise import mean_variance
from models.statistics.records import columns_of, empty_table, record_of
from tests import naive_lambda
from tests.analytic_lambda import coloured
from tests.reference_files import HERE

REFERENCE = HERE / "identification" / "two_point.csv"


def published() -> list[dict[str, str]]:
    with REFERENCE.open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize("row", published(), ids=lambda row: row["method"])
def test_published_two_point_methods(row):
    """Each method on its own example, and ours against it as far as its printed coefficients are round."""
    tau, theta = 0.12, 0.08
    times = [theta - tau * np.log(1 - float(row[part])) for part in ("low", "high")]
    its_tau = float(row["tau_coefficient"]) * (times[1] - times[0])
    its_theta = float(row["theta_low"]) * times[0] + float(row["theta_high"]) * times[1]
    assert its_tau == pytest.approx(float(row["example_tau"]), abs=6e-6)
    assert its_theta == pytest.approx(float(row["example_theta"]), abs=6e-6)
    h = 0.0025
    time = np.arange(0.0, 1.2, h)
    y = naive_lambda.step_response(time, theta, tau, 1.0, 0.2, 0.0)
    out = identify(y, h, (0.05, 0.2, 1.0, 0.15, 0.0))
    assert out.constant == pytest.approx(its_tau, rel=0.01)
    assert out.start == pytest.approx(its_theta, rel=0.03)


def test_exact_coefficients():
    theta, tau = two_point.two_point(0.08 - 0.12 * np.log(1 - 0.353), 0.08 - 0.12 * np.log(1 - 0.853))
    assert (theta, tau) == pytest.approx((0.08, 0.12), rel=1e-12)
    ours = (two_point.TWO_POINT_CONSTANT, two_point.TWO_POINT_LOW, two_point.TWO_POINT_HIGH)
    assert ours == pytest.approx((0.67480, 1.29382, -0.29382), abs=6e-6)


def identify(y, h, guess, *, high=np.inf, final=np.nan, final_u=1.0, before_u=np.nan, noise=(1e-8, 0.0, 0.0)):
    out, known = empty_table(Fit, 1), Known(-np.inf, high, final, final_u, before_u)
    first = np.array([guess], record_of(Response))
    assert fit.fit_step(y, 0, y.size, h, first[0], known, Noise(*noise), out[0])
    return Fit(*(float(column[0]) for column in columns_of(Fit, out)))


def test_matches_general_least_squares():
    rng = np.random.default_rng(3)
    h = 0.0025
    time = np.arange(0.0, 0.9, h)
    for start, tau, step in ((0.2, 0.05, 0.15), (0.3, 0.12, -0.4), (0.15, 0.2, 0.3)):
        y = naive_lambda.step_response(time, start, tau, 1.0, step, 0.0) + rng.normal(0, 0.003, time.size)
        out = identify(y, h, (start + 0.03, 1.4 * tau, 1.0, 0.8 * step, 0.0), noise=(9e-6, 0.0, 0.0))
        slow = naive_lambda.fit_step(time, y, (start, tau, 1.0, step), fit.RAMP_PRIOR * abs(step))
        assert out.start == pytest.approx(slow[0], abs=0.3 * out.start_u)
        assert out.constant == pytest.approx(slow[1], abs=0.3 * out.constant_u)


def test_a_cut_off_rise_keeps_its_time_constant():
    """Half of the exponential is hidden behind the end of the range; air is known to a tenth of the step."""
    h = 0.0025
    time = np.arange(0.0, 0.6, h)
    full = naive_lambda.step_response(time, 0.2, 0.09, 0.0, 1.0, 0.0)
    out = identify(np.minimum(full, 0.5), h, (0.19, 0.05, 0.0, 1.2, 0.0), high=0.5, final=1.05, final_u=0.1)
    assert out.start == pytest.approx(0.2, abs=0.001)
    assert out.constant == pytest.approx(0.09, rel=0.03)


def test_a_window_that_begins_at_the_turn_is_told_its_level():
    """Nothing was recorded before the response began: its start rests on the level there, known to 2 % of the step."""
    rng = np.random.default_rng(8)
    h, tau, known, unknown = 0.01, 0.15, [], []
    time = np.arange(0.0, 0.9, h)
    for _ in range(60):
        start = rng.uniform(-1.0, 0.0) * h
        y = naive_lambda.step_response(time, start, tau, 1.0, 0.2, 0.0) + rng.normal(0, 0.002, time.size)
        guess = (h, tau, 1.0 + rng.normal(0.0, 0.004), 0.2, 0.0)
        for found, before_u in ((known, 0.004), (unknown, np.nan)):
            out = identify(y, h, guess, before_u=before_u, noise=(4e-6, 0.0, 0.0))
            found.append(abs(out.start - start) < 1.96 * out.start_u)
    assert np.mean(known) > 0.7 > 0.4 > np.mean(unknown)


def test_ramp_after_the_step_does_not_bend_the_time_constant():
    h = 0.0025
    time = np.arange(0.0, 0.8, h)
    y = naive_lambda.step_response(time, 0.2, 0.06, 1.0, 0.15, -0.05)
    out = identify(y, h, (0.2, 0.06, 1.0, 0.14, 0.0))
    assert out.constant == pytest.approx(0.06, rel=0.03)
    assert out.ramp == pytest.approx(-0.05, rel=0.2)


def test_too_few_samples_are_no_fit():
    out, known = empty_table(Fit, 1), Known(-np.inf, np.inf, np.nan, 1.0, np.nan)
    guess = np.array([(0.0, 0.1, 0.0, 1.0, 0.0)], record_of(Response))
    y = np.full(30, np.nan)
    y[:5] = 1.0
    assert not fit.fit_step(y, 0, 30, 0.01, guess[0], known, Noise(0.0, 0.0, 0.0), out[0])


@pytest.mark.parametrize(("white", "colour", "r", "n"), [(1.0, 0.0, 0.0, 50), (0.2, 1.0, 0.9, 120), (0.0, 2.0, 0.5, 7)])
def test_variance_of_a_mean_is_the_sum_of_its_covariances(white, colour, r, n):
    assert mean_variance(white, colour, r, float(n)) == pytest.approx(
        naive_lambda.mean_variance(white, colour, r, n), rel=1e-9
    )


@pytest.mark.parametrize("memory_s", [0.0, 0.01, 0.03])
def test_intervals_of_a_level_cover(memory_s):
    rng, h, rows = np.random.default_rng(8), 0.0025, 1500
    x = rng.normal(0.0, 1.0, (rows, 240))
    if memory_s:
        x += coloured(rng, x.shape, 1.0, memory_s, h)
    found = levels(x, np.zeros(rows, dtype=np.int64), np.full(rows, 240), interval_s=h)
    covered = np.mean(np.abs(found.level) < 1.96 * found.level_u)
    assert 0.92 <= covered <= 0.98


def test_slope_and_mean_agree_with_general_least_squares():
    rng, h = np.random.default_rng(9), 0.0025
    x = rng.normal(0.0, 1.0, (3, 100)) + 2.0 * np.arange(100) * h
    found = levels(x, np.full(3, 10), np.full(3, 90), interval_s=h, drifts=True)
    for row in range(3):
        slope, _ = np.polyfit(np.arange(10, 90) * h, x[row, 10:90], 1)
        assert found.slope[row] == pytest.approx(slope)
        assert found.level[row] == pytest.approx(x[row, 10:90].mean())
