"""Changes of a quantity: dated, told from stopped ones, and forecast with intervals that hold what really comes."""

import json

import numpy as np
import pytest

from models.tracking.charts.change_hypotheses import (
    NOISE_DEGREES,
    POWERS,
    RESTS_PER_WEEK,
    SLOPE_PRIOR,
    STEP_SIZE,
    Hypotheses,
    Visits,
    propose,
)
from models.tracking.charts.onset import Changes, changes
from tests.reference_files import HERE


def _judge(series: list[np.ndarray], times: list[np.ndarray], limit: list[float]) -> Changes:
    ends = np.cumsum([s.size for s in series])
    n = len(series)
    x, bound = np.concatenate(series), np.array(limit)
    return changes(
        x,
        np.ones_like(x),
        np.concatenate(times),
        ends - np.array([s.size for s in series]),
        ends - 1,
        spread=np.ones(n),
        low=np.where(bound < 0, bound, np.nan),
        high=np.where(bound > 0, bound, np.nan),
        limit_variance=np.zeros(n),
        next_visit_weeks=np.ones(n),
    )


def _noise(rng: np.random.Generator, n: int) -> np.ndarray:
    return rng.standard_t(5, n) / np.sqrt(5 / 3)


def _ramps(power: float, pace: float, n: int) -> tuple[float, float]:
    """Shares of ramps, some of which come to rest first, whose crossing (or none) and onset the 80 % intervals hold."""
    # Slopes log-normal and onsets at any moment, neither as the model's own prior; visits every week or every second.
    rng = np.random.default_rng(12)
    rests = rng.exponential(1.0 / RESTS_PER_WEEK, n)  # weeks until each comes to rest
    series, times, limits, onsets, left = [], [], [], [], []
    while len(series) < n:
        t = np.arange(0, 26, rng.choice([1.0, 2.0])) + rng.uniform(0, 0.6)
        onset, slope, own = rng.uniform(4, 14), rng.choice([-1, 1]) * rng.lognormal(pace, 0.6), rng.normal()
        long = rng.uniform(5, 10) + 3 / abs(slope)
        limit, crossing = own + slope * long, onset + long
        moved = slope * long * (np.maximum(t - onset, 0) / long) ** power
        seen = np.flatnonzero((np.abs(moved) > 3) & (t < crossing - 0.5))
        if not seen.size or limit * slope < 0:
            continue
        upto = int(rng.choice(seen)) + 1
        series.append((own + moved + _noise(rng, t.size))[:upto])
        times.append(t[:upto])
        limits.append(limit)
        onsets.append(onset)
        ahead = crossing - t[upto - 1]
        left.append(ahead if ahead < rests[len(left)] else np.inf)
    found, true, began = _judge(series, times, limits), np.array(left), np.array(onsets)
    inside = np.mean((found.forecast.low <= true) & (true <= found.forecast.high))
    return float(inside), float(np.mean((found.onset_low <= began) & (began <= found.onset_high)))


def test_ramps_are_dated_and_forecast_with_covering_intervals():
    # Slow and fast, straight and bent either way by powers that are none of the model's own.
    held = np.array([_ramps(power, pace, 300) for pace in (-0.3, 1.3) for power in (0.8, 1.0, 1.3, 2.4)])
    crossing, onset = held.T
    assert 0.8 <= crossing.mean() <= 0.96  # an interval that ends with "or never" holds more than it promises
    assert (crossing >= 0.7).all()
    assert 0.7 <= onset.mean() <= 0.9
    assert (onset >= 0.6).all()  # a movement that speeds up leaves the noise late


def test_a_step_is_dated_and_does_not_go_on():
    rng = np.random.default_rng(3)
    t = np.arange(26.0)
    found = _judge([(t >= 14) * 6.0 + _noise(rng, 26) for _ in range(100)], [t] * 100, [12.0] * 100)
    assert np.mean((found.onset_low >= 12) & (found.onset_high <= 15)) > 0.9
    assert np.mean(found.moving < 0.5) > 0.9
    assert np.mean(np.isinf(found.forecast.median)) > 0.9


def test_beyond_its_limit_is_crossed_and_without_a_limit_nothing_is_known():
    t = np.arange(20.0)
    y = np.where(t > 9, 8.0, 0.0) + _noise(np.random.default_rng(1), 20)
    found = _judge([y, y], [t, t], [4.0, np.nan])
    assert found.forecast.median[0] == 0.0
    assert found.beyond[0] > 0.99
    assert np.isnan(found.forecast.median[1])
    assert found.onset[1] == pytest.approx(9.5, abs=0.5)


def test_probabilities_rise_with_the_weeks():
    t = np.arange(20.0)
    found = _judge([np.maximum(t - 8, 0) * 0.7 + _noise(np.random.default_rng(2), 20)], [t], [12.0])
    f = found.forecast
    assert 0 <= f.within_4[0] <= f.within_8[0] <= f.within_13[0] <= 1
    assert f.low[0] <= f.median[0] <= f.high[0]


def _record(name: str) -> np.ndarray:
    return np.array(json.loads((HERE / "tcpd" / f"{name}.json").read_text(encoding="utf-8"))["values"])


def _judge_record(values: np.ndarray, first: int, sigma: float) -> Changes:
    """The 26 values of a published series from `first` on, over their scatter and around the median of those before."""
    x, t = (values - np.median(values[:first])) / sigma, np.arange(values.size, dtype=float)
    return _judge([x[first : first + 26]], [t[first : first + 26]], [np.nan])


def test_the_fall_of_the_nile_in_1899_is_dated():
    # Annual flow at Aswan from 1871: the level falls between 1898 and 1899, indices 27 and 28, by some 250 and scatters by
    # some 130 about either level (G. W. Cobb, Biometrika 65, 1978, 243-251, doi:10.1093/biomet/65.2.243; figures as remembered).
    found = _judge_record(_record("nile"), 13, 130.0)
    assert found.onset_low[0] <= 27.5 <= found.onset_high[0]
    assert found.onset_high[0] - found.onset_low[0] < 4.0
    assert found.moving[0] < 0.01  # it fell once and stayed there


@pytest.mark.parametrize(
    ("name", "planted"), [("quality_control_1", 146), ("quality_control_2", 97), ("quality_control_3", 179)]
)
def test_changes_planted_by_others_are_dated(name, planted):
    # Turing Change Point Dataset, arXiv 2003.06222: simulated series with one change each, at these indices.
    values = _record(name)
    found = _judge_record(values, planted - 13, 1.4826 * np.median(np.abs(np.diff(values))) / np.sqrt(2.0))
    assert found.onset[0] == pytest.approx(planted - 0.5, abs=5.0)
    assert found.onset_high[0] - found.onset_low[0] < 6.0


def test_a_slope_is_that_of_a_ramp_and_none_of_a_step_however_restless_its_level():
    rng = np.random.default_rng(6)
    t = np.arange(26.0)
    ramps = [np.maximum(t - 12, 0) * 0.8 + _noise(rng, 26) for _ in range(60)]
    steps = [(t >= 14) * 20.0 + np.where(t >= 14, 4.0, 1.0) * _noise(rng, 26) for _ in range(60)]
    found = _judge(ramps + steps, [t] * 120, [40.0] * 120)
    ramp, step = slice(0, 60), slice(60, 120)
    assert np.median(found.slope[ramp]) == pytest.approx(0.8, rel=0.15)
    assert np.mean(np.abs(found.slope[ramp] - 0.8) < 1.96 * found.slope_u[ramp]) > 0.85
    assert np.mean(np.abs(found.slope[step]) < 1.96 * found.slope_u[step]) > 0.9


def test_the_evidence_of_every_hypothesis_is_that_of_its_regression():
    rng = np.random.default_rng(8)
    t, n, spread = np.cumsum(rng.uniform(0.5, 2.0, 9)), 9, 1.4
    y, w = 3.0 * rng.standard_normal(n) + np.maximum(t - t[4], 0.0), 1.0 / rng.uniform(0.5, 2.0, n)
    found = Hypotheses(*(np.full(400, np.nan) for _ in Hypotheses._fields))
    _, count = propose(Visits(t, y, w), n, spread, np.empty(2 * n), found)
    assert {0.0, *POWERS} == set(found.power[:count])
    middles = 0.5 * (t[1:] + t[:-1])
    assert set(found.begin[:count]) == {*t[:-1], *middles}
    for c in range(count):
        power, begin, end = found.power[c], found.begin[c], min(found.end[c], t[-1])
        grows = np.minimum(t, end) - begin
        if power == 0.0:
            shape = (t >= begin).astype(float)
        else:
            shape = (t[-1] - begin) * (np.maximum(grows, 0.0) / (t[-1] - begin)) ** power
            shape = np.maximum(grows, 0.0) if power == 1.0 else shape
        design = np.column_stack([np.ones(n), shape])
        prior = np.diag([1.0 / spread**2, 1.0 / (STEP_SIZE if power == 0.0 else SLOPE_PRIOR) ** 2])
        precision = design.T @ (w[:, None] * design) + prior
        mean = np.linalg.solve(precision, design.T @ (w * y))
        left = NOISE_DEGREES + w @ y**2 - mean @ precision @ mean
        covariance = np.linalg.inv(precision) * left / (NOISE_DEGREES + n)
        assert [found.level[c], found.slope[c]] == pytest.approx(mean, rel=1e-9, abs=1e-9)
        told = [found.var_level[c], found.covar[c], found.var_slope[c]]
        assert told == pytest.approx([covariance[0, 0], covariance[0, 1], covariance[1, 1]], rel=1e-9)
