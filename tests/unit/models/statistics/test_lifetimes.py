"""Lives: held against the NIST handbook, scipy's own estimates, and lives drawn from a known distribution."""

import math

import numpy as np
import pytest
from scipy.stats import CensoredData, ecdf, weibull_min

from models.statistics.arrays import Flags, Floats
from models.statistics.lifetimes import LEAST_AT_RISK, Lives, kaplan_meier, median_of, weibull_life
from tests.reference_files import reference_rows


def nist() -> Lives:
    rows = [row for row in reference_rows("lifetimes/nist_apr413.csv") for _ in range(int(row["units"]))]
    hours = np.array([float(row["hours"]) for row in rows])
    return Lives(np.zeros(len(rows)), hours, np.array([row["failed"] == "true" for row in rows]))


def of_scipy(lives: Lives) -> CensoredData:
    return CensoredData(uncensored=lives.exit[lives.ended], right=lives.exit[~lives.ended])


def drawn(seed: int, count: int, *, late: float = 0.0, shape: float = 2.0, watched: float = 30.0) -> Lives:
    """Lives of scale 60 watched from an age between 0 and `late` for up to 2 × `watched`, as far as they reach it."""
    rng = np.random.default_rng(seed)
    life = weibull_min.rvs(shape, scale=60.0, size=count, random_state=rng)
    entry = rng.uniform(0.0, late, count) if late else np.zeros(count)
    seen = entry + rng.uniform(0.2, 2.0, count) * watched
    there = life > entry
    return Lives(entry[there], np.minimum(life, seen)[there], (life <= seen)[there])


def test_the_weibull_of_the_nist_handbook() -> None:
    found = weibull_life(nist())
    assert found.scale == pytest.approx(606.5280, abs=0.001)
    assert found.shape.value == pytest.approx(1.7208, abs=0.0001)
    assert found.log_likelihood == pytest.approx(-75.135, abs=0.001)
    assert found.median.value == pytest.approx(606.5280 * math.log(2) ** (1 / 1.7208), abs=0.01)
    assert found.shape.low < 1.0 < found.shape.high  # ten failures do not tell wear from chance
    assert found.median.low < found.median.value < found.median.high


def test_the_survival_of_the_nist_handbook() -> None:
    """Twenty units, one failure at a time: the product-limit estimate falls by a twentieth each."""
    survival = kaplan_meier(nist())
    assert survival.share == pytest.approx(1.0 - np.arange(1, 11) / 20)
    half = median_of(survival)
    assert (half.value, half.high) == (386.0, math.inf)
    assert 216.0 <= half.low <= 335.0


@pytest.mark.filterwarnings("ignore:The confidence interval is undefined")
@pytest.mark.parametrize("seed", range(4))
def test_watched_from_the_start_it_is_what_scipy_says(seed: int) -> None:
    lives = drawn(seed, 60)
    shape, _, scale = weibull_min.fit(of_scipy(lives), floc=0)
    found = weibull_life(lives)
    assert (found.shape.value, found.scale) == pytest.approx((shape, scale), rel=1e-3)
    curve = ecdf(of_scipy(lives)).sf
    assert kaplan_meier(lives).share == pytest.approx(curve.evaluate(np.unique(lives.exit[lives.ended])))
    band = curve.confidence_interval(method="log-log")
    at = np.unique(lives.exit[lives.ended])
    lowest, highest = (np.asarray(end.evaluate(at)) for end in (band.low, band.high))
    half = median_of(kaplan_meier(lives))
    assert half.low == at[np.argmax(lowest <= 0.5)]
    assert half.high == (at[np.argmax(highest <= 0.5)] if (highest <= 0.5).any() else math.inf)


def test_lives_that_came_under_observation_late_do_not_lengthen_the_estimate() -> None:
    """Aged things watched for a short while: taking each for watched from its start makes lives half as long again."""
    true, found, naive, curve = 60.0 * math.log(2.0) ** 0.5, [], [], []
    for seed in range(20):
        lives = drawn(seed, 400, late=80.0, watched=10.0)
        found.append(weibull_life(lives).median.value)
        naive.append(weibull_life(Lives(np.zeros_like(lives.entry), lives.exit, lives.ended)).median.value)
        curve.append(median_of(kaplan_meier(lives)).value)
    assert np.mean(found) == pytest.approx(true, rel=0.06)
    assert np.median(curve) == pytest.approx(true, rel=0.12)
    assert np.mean(naive) > 1.3 * true


def test_intervals_hold_as_often_as_they_say() -> None:
    true = 60.0 * math.log(2.0) ** 0.5
    held = {"weibull": 0, "curve": 0, "shape": 0}
    for seed in range(200):
        lives = drawn(100 + seed, 40, watched=40.0)
        weibull, curve = weibull_life(lives), median_of(kaplan_meier(lives))
        held["weibull"] += weibull.median.low <= true <= weibull.median.high
        held["shape"] += weibull.shape.low <= 2.0 <= weibull.shape.high
        held["curve"] += curve.low <= true <= curve.high
    assert {name: 0.90 <= count / 200 <= 0.99 for name, count in held.items()} == dict.fromkeys(held, True), held


def lives_of(entry: Floats, end: Floats, ended: Flags) -> Lives:
    return Lives(np.asarray(entry, np.float64), np.asarray(end, np.float64), np.asarray(ended, dtype=bool))


def test_one_late_comer_alone_does_not_end_the_curve() -> None:
    """The first to be watched ends while it is the only one: without the rule the curve would be nothing from there on."""
    few = lives_of(np.array([1.0] + [5.0] * 9), np.array([2.0, *range(6, 15)]), np.ones(10, dtype=bool))
    survival = kaplan_meier(few)
    assert survival.age[0] == 6.0
    assert survival.share[0] == pytest.approx(8 / 9)
    assert median_of(survival).value == 10.0
    assert survival.start == 2.0  # and the curve says of whom it is
    assert LEAST_AT_RISK > 1


def test_a_curve_that_counts_every_end_is_of_all_and_one_without_enough_is_of_none() -> None:
    assert kaplan_meier(nist()).start == 0.0
    in_turn = lives_of(np.arange(6.0), np.arange(6.0) + 0.5, np.ones(6, dtype=bool))  # never two at a time
    never = kaplan_meier(in_turn)
    assert never.age.size == 0
    assert never.start == 5.5
    assert median_of(never).value == math.inf


def test_nothing_ended_and_everything_at_once() -> None:
    running = lives_of(np.zeros(6), np.full(6, 10.0), np.zeros(6, dtype=bool))
    half = median_of(kaplan_meier(running))
    assert (half.value, half.low, half.high) == (math.inf, math.inf, math.inf)
    together = lives_of(np.zeros(6), np.full(6, 10.0), np.ones(6, dtype=bool))
    assert median_of(kaplan_meier(together)).value == 10.0
    found = weibull_life(together)
    assert found.median.value == pytest.approx(10.0, rel=0.02)
    assert found.median.low <= 10.0 <= found.median.high * 1.02
