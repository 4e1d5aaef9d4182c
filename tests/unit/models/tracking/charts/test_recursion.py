"""The recursion that follows every van, against published examples and tables of its two charts."""

import numpy as np
import pytest

from models.statistics.compiled import kernel
from models.tracking.charts.chart_limits import VISIT_DEGREES, limits_for, tail_factor
from models.tracking.charts.recursion import (
    BASELINE_STEP,
    CLIP,
    CUSUM_CLIP,
    LEVEL_STEP,
    SLOPE_SPREAD,
    SLOPE_STEP,
    Followed,
    cusum_step,
    cusums,
    ewma_step,
    follow_vans,
)
from models.tracking.restarts import CHANGED, REPAIRED
from tests.reference_files import reference_rows


def _column(file, name):
    return np.array([float(row[name]) for row in reference_rows(file)])


def _follow_one(x: np.ndarray, **more) -> Followed:
    """One van whose baseline is known to be 0 exactly: nothing is learned."""
    values = x.reshape(-1, 1)
    return follow_vans(
        values,
        np.ones_like(values),
        weeks=np.arange(x.size),
        starts=np.array([0, x.size]),
        restart=np.zeros(values.shape, np.int8),
        vans_spread=np.full((1, 1), 1e-9),
        **more,
    )


def test_ewma_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.4: EWMA0 = 50, s = 2.0539, smoothing 0.3, limits 52.5884 and 47.4115 (printed), no signal.
    target, sigma = 50.0, 2.0539
    found = _follow_one((_column("nist/nist_ewma.csv", "x") - target) / sigma, smoothing=0.3)
    average, spread = target + sigma * found.ewma[:, 0], sigma * found.ewma_spread[:, 0]
    assert average == pytest.approx(_column("nist/nist_ewma.csv", "ewma_published"), abs=0.0051)
    assert target + 3.0 * spread[-1] == pytest.approx(52.5884, abs=1e-4)  # its limits of many points, after 20
    assert target - 3.0 * spread[-1] == pytest.approx(47.4115, abs=1e-4)
    assert (np.abs(average - target) < 3.0 * spread).all()


def test_ewma_spread_is_exact_from_the_first_visit_on():
    # Roberts 1959: variance λ / (2 - λ) (1 - (1 - λ)^2t) of the average of t independent values.
    t = np.arange(1, 13)
    found = _follow_one(np.zeros(12), smoothing=0.2)
    assert found.ewma_spread[:, 0] == pytest.approx(np.sqrt(0.2 / 1.8 * (1.0 - 0.8 ** (2 * t))), rel=1e-9)


def test_ewma_carries_over_a_missing_visit():
    found = _follow_one(np.array([1.0, np.nan, -1.0]), smoothing=0.5)
    assert found.ewma[[0, 2], 0] == pytest.approx([0.5, -0.25])
    assert np.isnan(found.ewma[1, 0])


def test_cusum_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959, first signal at group 14; sums printed to 0.01.
    x = _column("nist/nist_cusum.csv", "x").reshape(-1, 1) - 325.0
    high, low = cusums(x, np.array([0, len(x)]), np.zeros(x.shape, np.int8), allowance=0.3175, clip=np.inf)
    assert high[:, 0] == pytest.approx(_column("nist/nist_cusum.csv", "S_hi_published"), abs=0.011)
    assert low[:, 0] == pytest.approx(_column("nist/nist_cusum.csv", "S_lo_published"), abs=0.011)
    assert int(np.argmax(np.maximum(high, low)[:, 0] > 4.1959)) + 1 == 14


def test_cusums_begin_again_at_a_restart_pass_over_what_was_not_read_and_clip_a_wild_visit():
    rng = np.random.default_rng(3)
    z = rng.standard_t(3, (30, 1)) + 1.0
    z[[4, 17]] = np.nan
    z[8] = 50.0
    restart = np.zeros(z.shape, np.int8)
    restart[21] = CHANGED
    high, low = cusums(z, np.array([0, 12, 30]), restart)
    for part in (slice(0, 12), slice(12, 21), slice(21, 30)):
        read = np.isfinite(z[part, 0])
        held = np.clip(z[part][read], -CUSUM_CLIP, CUSUM_CLIP)
        alone = cusums(held, np.array([0, len(held)]), np.zeros(held.shape, np.int8))
        assert high[part][read] == pytest.approx(alone[0])
        assert low[part][read] == pytest.approx(alone[1])
        assert np.isnan(high[part][~read]).all()


@kernel
def _run_lengths(cusum: bool, weight: float, limit: float, shift: float, two_sided: bool, runs: int, seed: int):
    """Points until the first signal of independent normal values, by the steps that the recursion takes."""
    np.random.seed(seed)  # noqa: NPY002 - the generator of compiled code
    bound = limit if cusum else limit * np.sqrt(weight / (2.0 - weight))
    lengths = np.empty(runs)
    for run in range(runs):
        average, above, below, points = 0.0, 0.0, 0.0, 0
        while True:
            points += 1
            z = shift + np.random.normal()  # noqa: NPY002
            if cusum:
                above, below = cusum_step(above, below, z, weight)
                outside = above > bound or (two_sided and below > bound)
            else:
                average = ewma_step(average, z, weight)
                outside = abs(average) > bound
            if outside:
                break
        lengths[run] = points
    return lengths


# Approximations by their own account, or by a coarse Markov chain: the source's error, not ours.
_LOOSE = {
    "Chandrasekaran English Disney 1995 (stated: not that accurate)": 0.02,
    "Steiner 1999 Table 2": 0.012,
    "Waldmann 1986": 0.002,
}
_RUNS = 20_000
_OFFERED = [r for r in reference_rows("average_run_length/arl_tables.csv") if r["scheme"] in ("CUSUM", "EWMA fixed")]


@pytest.mark.parametrize("row", _OFFERED, ids=lambda r: f"{r['scheme']} {r['k_or_lambda']} {r['h_or_L']} {r['shift']}")
def test_published_run_lengths(row):
    weight, limit, shift, published = (float(row[name]) for name in ("k_or_lambda", "h_or_L", "shift", "ARL"))
    lengths = _run_lengths(row["scheme"] == "CUSUM", weight, limit, shift, row["sided"] == "2", _RUNS, 9)
    digits = len(row["ARL"].replace(".", "").lstrip("0"))
    printed = 0.6 * 10.0 ** (np.floor(np.log10(published)) - digits + 1)
    error = 4.0 * lengths.std() / np.sqrt(_RUNS)  # a fair simulation is farther off once in 16,000
    assert lengths.mean() == pytest.approx(published, abs=printed + error + _LOOSE.get(row["source"], 0.0) * published)


def test_tabled_limits_cost_the_share_they_are_tabled_for():
    """A fleet in control that the table has not seen, heavy-tailed and wandering as its study says."""
    vans, visits, share = 4000, 52, 1e-2
    rng = np.random.default_rng(7)
    level = rng.normal(0.0, 1.0, (vans, 1)) + np.cumsum(rng.normal(0.0, BASELINE_STEP, (vans, visits)), axis=1)
    noise = rng.standard_t(VISIT_DEGREES, (vans, visits)) / np.sqrt(VISIT_DEGREES / (VISIT_DEGREES - 2.0))
    x = (level + noise).reshape(-1, 1)
    starts, restart = np.arange(vans + 1) * visits, np.zeros(x.shape, np.int8)
    followed = follow_vans(
        x,
        np.ones_like(x),
        weeks=np.tile(np.arange(visits), vans),
        starts=starts,
        restart=restart,
        vans_spread=np.ones((vans, 1)),
    )
    limits = limits_for(share)
    ewma = np.abs(followed.ewma / followed.ewma_spread / tail_factor(followed.ewma_spread))
    cusum = np.maximum(*cusums(followed.z, starts, restart))
    assert np.mean(ewma > limits.ewma_width) == pytest.approx(share, rel=0.25)
    assert np.mean(cusum > limits.cusum) == pytest.approx(share, rel=0.25)
    assert limits_for(1e-5).ewma_width > limits.ewma_width
    assert limits_for(1e-5).cusum > limits.cusum


def _kalman(x: np.ndarray, variance: np.ndarray, weeks: np.ndarray, spread: float) -> np.ndarray:
    """Level, slope and their covariance by the textbook's matrices: a slope that walks, a level that follows it and walks too.

    Discretised white noise on slope and level over a gap, A. C. Harvey, Forecasting, Structural Time Series Models and the
    Kalman Filter, 1989, section 9.2 (continuous time); equations as remembered.
    """
    state, p = np.zeros(2), np.diag([spread**2, SLOPE_SPREAD**2])
    found, last = [], weeks[0]
    for value, noise, week in zip(x, variance, weeks, strict=True):
        gap = float(week - last)
        last = week
        move = np.array([[1.0, gap], [0.0, 1.0]])
        walk = SLOPE_STEP**2 * np.array([[gap**3 / 3.0, gap**2 / 2.0], [gap**2 / 2.0, gap]])
        p = move @ p @ move.T + walk + np.diag([LEVEL_STEP**2 * gap, 0.0])
        state = move @ state
        gain = p[:, 0] / (p[0, 0] + noise)
        state = state + gain * (value - state[0])
        p = p - np.outer(gain, p[0])
        found.append([*state, p[0, 0], p[0, 1], p[1, 1]])
    return np.array(found)


def _trend(x: np.ndarray, variance: np.ndarray, weeks: np.ndarray, spread: float) -> np.ndarray:
    found = follow_vans(
        x[:, None], variance[:, None], weeks=weeks, starts=np.array([0, x.size]), restart=np.zeros((x.size, 1), np.int8),
        vans_spread=np.full((1, 1), spread),
    )  # fmt: skip
    return np.column_stack([found.level, found.slope, found.var_level, found.covar, found.var_slope])


WEEKS = np.array([3, 4, 5, 5, 8, 9, 13, 14, 15, 16])


def test_the_trend_is_the_textbooks_filter_while_no_visit_stands_out():
    rng = np.random.default_rng(11)
    x, variance = 0.1 * (WEEKS - 3.0) + rng.normal(0.0, 0.7, WEEKS.size), rng.uniform(0.6, 1.5, WEEKS.size)
    assert _trend(x, variance, WEEKS, 1.3) == pytest.approx(_kalman(x, variance, WEEKS, 1.3), rel=1e-9, abs=1e-12)


def test_one_visit_far_outside_counts_for_a_bounded_step():
    x, variance = np.zeros(10), np.ones(10)
    x[6] = 80.0
    before, after = _trend(x, variance, WEEKS, 1.3)[[5, 6]]
    gap = float(WEEKS[6] - WEEKS[5])
    ahead = before[2] + gap * (2 * before[3] + gap * before[4] + LEVEL_STEP**2 + gap * gap * SLOPE_STEP**2 / 3.0)
    bound = CLIP * np.sqrt(ahead + 1.0)
    assert after[0] == pytest.approx(before[0] + gap * before[1] + ahead / (ahead + 1.0) * bound)
    usual = _trend(np.zeros(10), variance, WEEKS, 1.3)[6]
    assert after[2:] == pytest.approx(usual[2:])  # nothing is less sure for it
    x[6] = -80.0
    assert _trend(x, variance, WEEKS, 1.3)[6][:2] == pytest.approx(-after[:2])


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_two_visits_outside_on_one_side_free_the_level_and_the_slope(side):
    x, variance = np.zeros(10), np.ones(10)
    x[6:] = side * 12.0
    followed = _trend(x, variance, WEEKS, 1.3)
    second = followed[7]
    assert abs(second[0] - x[7]) < 1.0  # the level is there at once
    one = _trend(np.where(np.arange(10) == 6, x, 0.0), variance, WEEKS, 1.3)
    assert abs(one[7][0]) < 6.0
    assert second[4] > one[7][4] + 10.0  # and the slope is open again: a step of twelve in a week
    opposite = x.copy()
    opposite[7] = -side * 12.0
    assert abs(_trend(opposite, variance, WEEKS, 1.3)[7][0]) < 6.0  # once on either side is two outliers
    # by hand: before the second, the distance to the level is added to the level's variance, and that in a week to the slope's
    before = followed[6]
    level, slope, p11, p12, p22 = before
    step = x[7] - level - slope
    p11 = p11 + 2 * p12 + p22 + LEVEL_STEP**2 + SLOPE_STEP**2 / 3.0 + step**2
    p12 = p12 + p22 + SLOPE_STEP**2 / 2.0
    p22 = p22 + SLOPE_STEP**2 + step**2
    gain = np.array([p11, p12]) / (p11 + 1.0)
    assert second[:2] == pytest.approx(np.array([level + slope, slope]) + gain * step)
    assert second[2:] == pytest.approx([p11 - gain[0] * p11, p12 - gain[0] * p12, p22 - gain[1] * p12])


def test_a_slow_second_visit_frees_the_slope_by_the_weeks_between():
    weeks = np.array([0, 1, 2, 3, 7])
    x = np.array([0.0, 0.0, 0.0, 40.0, 40.0])
    followed = _trend(x, np.ones(5), weeks, 1.3)
    level, slope, p11, p12, p22 = followed[3]
    step = 40.0 - level - 4 * slope
    p11 = p11 + 8 * p12 + 16 * p22 + 4 * LEVEL_STEP**2 + 64 * SLOPE_STEP**2 / 3.0 + step**2
    p12 = p12 + 4 * p22 + 8 * SLOPE_STEP**2
    p22 = p22 + 4 * SLOPE_STEP**2 + (step / 4.0) ** 2
    gain = np.array([p11, p12]) / (p11 + 1.0)
    assert followed[4][:2] == pytest.approx(np.array([level + 4 * slope, slope]) + gain * step)
    assert followed[4][4] == pytest.approx(p22 - gain[1] * p12)


def _followed(
    x: np.ndarray,
    *,
    variance: float = 1.0,
    spread: float = 1.0,
    restart: dict[int, int] | None = None,
    weeks=None,
    sound: float | None = None,
):
    marks = np.zeros((x.size, 1), np.int8)
    for row, kind in (restart or {}).items():
        marks[row] = kind
    return follow_vans(
        x[:, None], np.full((x.size, 1), variance), weeks=np.zeros(x.size, np.int64) if weeks is None else weeks,
        starts=np.array([0, x.size]), restart=marks, vans_spread=np.full((1, 1), spread),
        sound=None if sound is None else np.full((1, 1), sound),
    )  # fmt: skip


def test_the_baseline_is_the_empirical_bayes_mean_of_the_first_ten_visits_and_then_stands():
    rng = np.random.default_rng(5)
    x = rng.normal(0.0, 0.3, 14)
    found = _followed(x, variance=0.5, spread=1.2)
    for n in range(1, 11):
        precision = 1 / 1.2**2 + n / 0.5
        assert found.baseline[n, 0] == pytest.approx(n / 0.5 * x[:n].mean() / precision)
        assert found.baseline_variance[n, 0] == pytest.approx(1 / precision)
        assert found.z[n, 0] == pytest.approx((x[n] - found.baseline[n, 0]) / np.sqrt(0.5 + 1 / precision))
    assert (found.baseline[0, 0], found.baseline_variance[0, 0]) == (0.0, pytest.approx(1.44))
    assert found.baseline[10:, 0] == pytest.approx(found.baseline[10, 0])
    assert found.baseline_variance[10:, 0] == pytest.approx(found.baseline_variance[10, 0])


def test_a_wild_first_visit_is_held_near_the_middle_of_those_before():
    x = np.array([0.0, 0.1, -0.1, 9.0, 0.0])
    found = _followed(x, spread=100.0)
    held = np.clip(x[:4], np.median(x[:4]) - 2.0, np.median(x[:4]) + 2.0)
    assert found.baseline[4, 0] == pytest.approx(held.mean(), rel=1e-3)


def test_a_baseline_is_less_sure_the_longer_ago_and_never_less_than_a_new_vans():
    weeks = np.array([0, 1, 2, 3, 23, 2023])
    found = _followed(np.zeros(6), weeks=weeks)
    assert found.baseline_variance[1, 0] == pytest.approx(0.5 + BASELINE_STEP**2)
    assert found.baseline_variance[3, 0] == pytest.approx(1.0 / 4.0 + BASELINE_STEP**2)
    assert found.baseline_variance[4, 0] == pytest.approx(1.0 / 5.0 + 20.0 * BASELINE_STEP**2)
    assert found.baseline_variance[5, 0] == pytest.approx(1.0)


def test_a_repair_starts_the_baseline_again_from_the_family_and_doubt_only_widens_it():
    x = np.zeros(13)
    x[10:] = 1.0
    usual = _followed(x)
    repaired, changed = (_followed(x, restart={10: kind}) for kind in (REPAIRED, CHANGED))
    assert repaired.baseline[10, 0] == changed.baseline[10, 0] == usual.baseline[10, 0]
    assert repaired.baseline_variance[10, 0] == pytest.approx(1.0)  # that of a van never seen
    assert changed.baseline_variance[10, 0] == pytest.approx(1.0)  # 1.5² more, but never more than that
    wide = _followed(x, spread=3.0, restart={10: CHANGED})
    learned = 1.0 / (1.0 / 9.0 + 10.0)
    assert wide.baseline_variance[10, 0] == pytest.approx(learned + 1.5**2)
    assert repaired.baseline[11, 0] == pytest.approx(0.5)  # one visit at 1 and a prior at 0, equally sure
    assert usual.baseline[12, 0] == 0.0
    assert repaired.ewma[10, 0] == pytest.approx(0.2 * 1.0 / np.sqrt(2.0))  # the average begins anew
    assert repaired.level[10, 0] == pytest.approx(0.5)
    assert repaired.var_slope[10, 0] == pytest.approx(SLOPE_SPREAD**2)


def test_one_visit_counts_for_at_most_so_much_in_the_average():
    found = _follow_one(np.array([50.0, 0.0]), smoothing=0.2)
    assert found.z[0, 0] == pytest.approx(50.0)
    assert found.ewma[:, 0] == pytest.approx([0.2 * CLIP, 0.16 * CLIP])
    assert _follow_one(np.array([-50.0]), smoothing=0.2).ewma[0, 0] == pytest.approx(-0.2 * CLIP)


def test_after_learning_innovations_share_the_baselines_doubt_and_the_average_is_as_unsure():
    """Against the average of many vans drawn: its stated standard deviation is what it scatters by."""
    rng = np.random.default_rng(6)
    vans, visits = 20_000, 30
    x = (rng.normal(0.0, 1.0, (vans, 1)) + rng.normal(0.0, 1.0, (vans, visits))).reshape(-1, 1)
    found = follow_vans(
        x, np.ones_like(x), weeks=np.zeros(x.size, np.int64), starts=np.arange(vans + 1) * visits,
        restart=np.zeros(x.shape, np.int8), vans_spread=np.ones((vans, 1)),
    )  # fmt: skip
    average, spread = found.ewma.reshape(vans, visits), found.ewma_spread.reshape(vans, visits)
    for visit in (0, 5, 11, 20, 29):
        assert average[:, visit].std() == pytest.approx(np.median(spread[:, visit]), rel=0.04)


def test_a_van_far_outside_learns_nothing_after_its_fifth_visit():
    found = _followed(np.concatenate([np.zeros(5), np.full(12, 9.0)]))
    assert found.baseline_variance[-1, 0] > 1.0 / (1.0 + 10.0) + 1e-9  # it has not learned from ten
    assert found.baseline[-1, 0] == found.baseline[-6, 0] < 1.0
    near = _followed(np.concatenate([np.zeros(5), np.full(12, 0.5)]))
    assert near.baseline_variance[-1, 0] == pytest.approx(1.0 / (1.0 + 10.0))


@pytest.mark.parametrize("sound", [2, 3, 5, 7])
def test_a_fault_that_steps_in_while_the_baseline_is_learned_is_not_learned(sound):
    rng = np.random.default_rng(5)
    x = rng.normal(0.0, 0.5, 14)
    x[sound:] += 9.0
    found = _followed(x, spread=1.5)
    assert abs(found.baseline[-1, 0]) < 1.0
    assert found.ewma[-1, 0] > 4.0 * found.ewma_spread[-1, 0]


def test_the_sound_level_says_which_level_a_healthy_van_may_have():
    """The physical zero of a trim, where much of its family is faulty: the family's level is that of the fault."""
    x = np.array([-8.0, -8.4, -7.7, -8.1, 0.2, -0.3, 0.4, 0.1, -0.2, 0.3, 0.0, 0.1])
    by_family, by_zero = (_followed(x, spread=2.0, sound=sound) for sound in (0.0, -8.0))
    assert by_family.baseline[-1, 0] > -4.5
    assert by_zero.baseline[-1, 0] < -6.0


def test_a_step_between_two_levels_that_healthy_vans_have_is_learned_as_before():
    rng = np.random.default_rng(5)
    x = rng.normal(0.0, 0.3, 12)
    x[3:] += 5.0
    wide, narrow = (_followed(x, spread=spread).baseline[-1, 0] for spread in (3.0, 1.5))
    assert wide > 2.0
    assert narrow < 1.0


def test_one_visit_apart_at_the_end_is_no_level_and_scatter_is_no_step():
    lone = np.array([0.0, 0.1, -0.1, 0.2, 9.0])
    usual = np.array([1.2, -1.0, 0.8, -1.4, 0.3, 1.1, -0.6, 0.2, -0.9, 0.7, 0.5])
    for x in (lone, usual):
        first, middle = x[:10], np.median(x[:10])
        mean = np.clip(first, middle - 2.0, middle + 2.0).mean()
        found = _followed(np.append(x, 0.0) if x.size == 5 else x, spread=100.0)
        assert found.baseline[min(x.size, 10), 0] == pytest.approx(mean, rel=1e-2, abs=1e-3)
