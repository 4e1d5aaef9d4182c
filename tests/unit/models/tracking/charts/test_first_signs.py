"""First signs of a movement, before any alarm: odds that agree with the textbook's evidence, and with what comes true."""

import itertools
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_t

from models.tracking.charts.change_hypotheses import (
    ENDS_PER_WEEK,
    GROSS_SHARE,
    GROSS_SPREAD,
    NOISE_DEGREES,
    POWER_SHARES,
    POWERS,
    SLOPE_PRIOR,
    STEP_SHARE,
    STEP_SIZE,
)
from models.tracking.charts.first_signs import ALONE, IN_COMPANY, ONSET_RATE, gross_counts, gross_shares, onset_rates
from models.tracking.charts.onset import Changes, changes
from models.tracking.restarts import CHANGED, HELD, NO_RESTART, REPAIRED


def judged(
    series: list[np.ndarray],
    times: list[np.ndarray],
    limit: float,
    spread: float = 1.0,
    *,
    rate: float = ONSET_RATE,
    gross: float = GROSS_SHARE,
) -> Changes:
    sizes = np.array([each.size for each in series])
    ends, n = np.cumsum(sizes), len(series)
    return changes(
        np.concatenate(series),
        np.ones(ends[-1]),
        np.concatenate(times),
        ends - sizes,
        ends - 1,
        spread=np.full(n, spread),
        low=np.full(n, np.nan),
        high=np.full(n, limit),
        limit_variance=np.zeros(n),
        next_visit_weeks=np.ones(n),
        onset_rate=np.full(n, rate),
        gross_share=gross,
    )


def by_the_textbook(y: np.ndarray, t: np.ndarray, spread: float) -> tuple[float, float]:
    """Probability that it goes on moving, and that nothing moves: every hypothesis weighed by a multivariate t density.

    With a normal prior on level and slope and an inverse-gamma prior on the scatter the marginal density of the values is
    a multivariate t (C. M. Bishop, Pattern Recognition and Machine Learning, 2006, 2.3.7 and 3.5).
    """
    now, found = t[-1], []

    def weigh(kind: str, log_prior: float, u: np.ndarray, size: float, noise: np.ndarray) -> None:
        shape = np.diag(noise) + spread**2 + size**2 * np.outer(u, u)
        found.append((kind, log_prior + multivariate_t.logpdf(y, shape=shape, df=NOISE_DEGREES)))

    even, gross = np.ones(t.size), np.ones(t.size)
    gross[-1] = GROSS_SPREAD**2
    weigh("stays", math.log(1 - GROSS_SHARE), 0 * t, 1.0, even)
    weigh("stays", math.log(GROSS_SHARE), 0 * t, 1.0, gross)
    moments = [m for a, b in itertools.pairwise(t) for m in (a, (a + b) / 2)]
    for k, begin in enumerate(moments):
        share = math.log(ONSET_RATE * ((moments[k + 1] if k + 1 < len(moments) else now) - begin))
        if k % 2:
            weigh("ended", share + math.log(2 * STEP_SHARE), (t >= begin) * 1.0, STEP_SIZE, even)
        for end, after in itertools.pairwise(t):
            if end > begin:
                prior = math.log((1 - STEP_SHARE) * ENDS_PER_WEEK * (after - end)) - ENDS_PER_WEEK * (end - begin)
                weigh("ended", share + prior, np.maximum(np.minimum(t, end) - begin, 0), SLOPE_PRIOR, even)
        for power, part in zip(POWERS, POWER_SHARES, strict=True):
            u = (now - begin) * (np.maximum(t - begin, 0) / (now - begin)) ** power
            weigh(
                "goes on",
                share + math.log((1 - STEP_SHARE) * part) - ENDS_PER_WEEK * (now - begin),
                u,
                SLOPE_PRIOR,
                even,
            )
    weights = np.exp(np.array([log for _, log in found]) - max(log for _, log in found))
    share_of = {
        kind: weights[[name == kind for name, _ in found]].sum() / weights.sum() for kind in ("goes on", "stays")
    }
    return share_of["goes on"], share_of["stays"]


@pytest.mark.parametrize(
    "y",
    [(0.2, -0.5, 0.1, 0.4, 3.0), (0.2, -0.5, 0.1, 3.0, 6.0), (0.3, 0.1, -0.4, 0.2, 9.0), (0.0, 0.5, 0.1, -0.2, 0.3)],
)
def test_odds_are_those_of_the_textbooks_evidence(y: tuple[float, ...]) -> None:
    t = np.array([0.0, 1.0, 2.5, 3.5, 4.5])
    goes_on, _ = by_the_textbook(np.array(y), t, 0.8)
    found = judged([np.array(y)], [t], 20.0, 0.8)
    assert found.moving[0] == pytest.approx(goes_on, abs=0.01)  # negligible hypotheses are left out


def test_one_visit_outside_is_no_movement_yet_and_two_that_climb_are() -> None:
    calm, t = [0.1, -0.3, 0.2, 0.0, -0.1, 0.3, 0.1, -0.2], np.arange(10.0)
    one, two = (np.array([*calm, *last]) for last in ((0.1, 3.5), (3.5, 7.0)))
    found = judged([one, two], [t, t], 9.0)
    assert found.forecast.within_13[0] < 0.5
    assert found.forecast.within_13[1] > 0.8
    assert 0.0 < found.forecast.median[1] < 4.0
    assert found.forecast.within_4[0] < found.forecast.within_4[1]


def test_what_is_stated_at_a_first_sign_comes_true() -> None:
    """Series drawn as the odds suppose; judged at the first visits that stand out."""
    rng = np.random.default_rng(5)
    t, limit = np.arange(40.0), 8.0
    series, times, left = [], [], []
    for _ in range(4000):
        onset, lasts = rng.exponential(1 / ONSET_RATE), rng.exponential(1 / ENDS_PER_WEEK)
        power = rng.choice(POWERS, p=POWER_SHARES)
        grown = np.clip(t - onset, 0, lasts)
        moved = rng.normal(0, SLOPE_PRIOR) * grown**power / 4 ** (power - 1)
        if rng.random() < STEP_SHARE:
            moved = (t >= onset) * rng.normal(0, STEP_SIZE)
        own = rng.normal()
        spread = np.where(rng.random(t.size) < GROSS_SHARE, GROSS_SPREAD, 1.0)
        y = own + moved + spread * rng.normal(size=t.size)
        crossing = t[np.argmax(own + moved > limit)] if (own + moved > limit).any() else np.inf
        outside = np.flatnonzero((np.abs(y - own) > 2.5) & (t >= 8) & (t < 26) & (t < crossing))
        for row in outside[:2]:
            series.append(y[: row + 1])
            times.append(t[: row + 1])
            left.append(crossing - t[row])
    stated, came = judged(series, times, limit).forecast.within_13, np.array(left) <= 13.0
    assert abs(stated.mean() - came.mean()) < 0.03
    for low, high in ((0.0, 0.1), (0.1, 0.4), (0.4, 0.7), (0.7, 1.0)):
        part = (stated >= low) & (stated <= high)
        assert part.sum() >= 10
        u = math.sqrt(max(came[part].mean() * (1 - came[part].mean()), 0.05) / part.sum())
        assert abs(stated[part].mean() - came[part].mean()) < 0.1 + 2.0 * u, (low, high)


def charted(z: list[list[float]], vans: tuple[int, ...]) -> tuple[SimpleNamespace, SimpleNamespace, SimpleNamespace]:
    """Visits of vans one after another, their charts, and no alarm."""
    table = np.array(z, np.float64).reshape(len(z), -1 if z else 1)
    std = SimpleNamespace(van=np.repeat(np.arange(len(vans)), vans), restart=np.zeros(table.shape, np.int8))
    return std, SimpleNamespace(z=table), SimpleNamespace(any=table > 1e9)


def test_an_onset_is_likelier_in_company_and_less_likely_alone() -> None:
    _, followed, alarms = charted([[3.0, 0.1, np.nan], [3.0, -2.6, np.nan], [0.0, 0.0, np.nan]], (3,))
    rate = onset_rates(followed, alarms) / ONSET_RATE  # type: ignore[arg-type]
    assert rate[0].tolist() == [ALONE, IN_COMPANY, IN_COMPANY]  # no company of its own
    assert rate[1].tolist() == [IN_COMPANY] * 3
    assert rate[2].tolist() == [ALONE] * 3
    alarms.any[2, 1] = True
    assert onset_rates(followed, alarms)[2].tolist() == [ONSET_RATE * k for k in (IN_COMPANY, ALONE, IN_COMPANY)]  # type: ignore[arg-type]


def _shown(std: Any, followed: Any) -> float:
    return float(gross_shares(gross_counts(std, followed))[0])


def test_how_often_a_visit_stands_apart_is_what_the_fleet_has_shown() -> None:
    def shown(z: list[float], vans: tuple[int, ...]) -> float:
        std, followed, _ = charted([[each] for each in z], vans)
        return _shown(std, followed)

    assert shown([], ()) == shown([9.0], (1,)) == GROSS_SHARE
    assert shown([9.0, 0.0], (1, 1)) == GROSS_SHARE  # the next visit is another van's
    quiet = shown([0.1] * 2001, (2001,))
    assert quiet == pytest.approx(GROSS_SHARE / 18, rel=0.1)
    assert shown([0.1] * 2000 + [9.0], (2001,)) == quiet  # nothing has followed it yet
    assert shown([0.1] * 2000 + [9.0, 8.0], (2002,)) == pytest.approx(quiet, rel=0.01)  # a movement, no error
    assert shown([0.1] * 1000 + [9.0, np.nan, 0.5] + [0.1] * 998, (2001,)) > 1.5 * quiet
    often = shown([0.0, 0.0, 0.0, 9.0] * 500, (2000,))
    assert 0.25 < often < 0.75


@pytest.mark.parametrize("at", [1001, 1002])
def test_a_van_that_came_back_by_a_repair_was_no_gross_error(at: int) -> None:
    z = [0.1] * 1000 + [9.0, np.nan, 0.5] + [0.1] * 998  # whether or not the visit after the repair read it
    std, followed, _ = charted([[each] for each in z], (2001,))
    alone = _shown(std, followed)
    for kind, counts in ((REPAIRED, False), (CHANGED, False), (HELD, True)):
        std.restart[at] = kind
        found = _shown(std, followed)
        assert found == alone if counts else found < 0.7 * alone
    std.restart[1000], std.restart[at] = REPAIRED, NO_RESTART  # it began there
    assert _shown(std, followed) == pytest.approx(alone, rel=0.01)


def test_the_share_of_gross_errors_found_is_that_which_was_drawn() -> None:
    rng = np.random.default_rng(3)
    for share in (0.01, 0.05):
        z = rng.normal(0, np.where(rng.random(40_000) < share, math.hypot(1.0, GROSS_SPREAD), 1.0))
        std, followed, _ = charted(z[:, None].tolist(), (40,) * 1000)
        assert _shown(std, followed) == pytest.approx(share, rel=0.2)


def test_the_same_sign_counts_for_more_where_visits_rarely_stand_apart() -> None:
    y, t = np.array([0.1, -0.3, 0.2, 0.0, -0.1, 0.3, 0.1, -0.2, 0.1, 4.5]), np.arange(10.0)
    odds = [judged([y], [t], 9.0, gross=share).forecast.within_13[0] for share in (0.001, 0.02, 0.2)]
    assert odds[0] > 2 * odds[1] > 10 * odds[2]
    rates = [judged([y], [t], 9.0, rate=ONSET_RATE * by).forecast.within_13[0] for by in (ALONE, 1.0, IN_COMPANY)]
    assert 3 * rates[0] < 2 * rates[1] < rates[2]
