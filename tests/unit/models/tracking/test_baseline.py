"""What a healthy van is expected to read: scatter, centre and spread by hand on made-up families."""

from dataclasses import replace

import numpy as np
import pytest

from models.tracking.baseline import family_level, least_scatter, specification, visit_scatter
from tests.readings_fleet import families

PEAK, RESPONSE, LAMBDA = "main_peak_reference_g_s", "lambda_to_rich_time_constant_s", "lambda_full_throttle"


def _family(rng: np.random.Generator, *, vans: int, visits: int, spread: float, noise: float):
    level = 5.0 + spread * rng.normal(size=(vans, 1))
    return (level + noise * rng.normal(size=(vans, visits))).ravel(), np.repeat(np.arange(vans), visits)


def test_scatter_of_normal_visits_is_their_standard_deviation_whatever_the_vans_levels():
    y, van = _family(np.random.default_rng(1), vans=120, visits=20, spread=9.0, noise=0.4)
    assert visit_scatter(y, van, least=0.01, usual=0.4) == pytest.approx(0.4, rel=0.06)
    drifting = y + 0.002 * np.tile(np.arange(20), 120)
    assert visit_scatter(drifting, van, least=0.01, usual=0.4) == pytest.approx(0.4, rel=0.06)


def test_scatter_rests_on_what_is_usual_while_there_is_little_and_never_falls_below_its_floor():
    nothing = np.empty(0), np.empty(0, np.int64)
    assert visit_scatter(*nothing, least=0.1, usual=0.7) == pytest.approx(0.7)
    assert visit_scatter(*nothing, least=0.9, usual=0.7) == pytest.approx(0.9)
    still, van = np.full(60, 3.0), np.repeat(np.arange(6), 10)
    assert visit_scatter(still, van, least=0.2, usual=0.2) == pytest.approx(0.2)
    # 54 pairs that never move weigh like 54, what is usual like ten
    assert visit_scatter(still, van, least=0.2, usual=1.0) == pytest.approx(np.sqrt((54 * 0.04 + 10) / 64))
    assert visit_scatter(np.append(still, np.nan), np.append(van, 5), least=0.2, usual=0.2) == pytest.approx(0.2)


def test_a_slow_wander_between_visits_five_apart_widens_the_scatter():
    rng = np.random.default_rng(4)
    walk = np.cumsum(rng.normal(0.0, 1.0, (80, 30)), axis=1)
    van = np.repeat(np.arange(80), 30)
    # neighbours differ by 1 / sqrt(2), visits five apart by sqrt(5 / 2)
    assert visit_scatter(walk.ravel(), van, least=0.01, usual=1.0) == pytest.approx(np.sqrt(2.5), rel=0.15)


def test_the_floor_is_a_plain_change_or_three_tenths_of_what_readings_report():
    plain = least_scatter(LAMBDA, np.array([]))
    assert plain > 0
    assert least_scatter(LAMBDA, np.array([np.nan])) == plain
    assert least_scatter(LAMBDA, np.array([10.0, 20.0, np.nan, 90.0])) == pytest.approx(6.0)
    assert least_scatter(LAMBDA, np.array([plain])) == plain


def test_a_family_level_is_the_vans_centre_and_spread():
    y, van = _family(np.random.default_rng(2), vans=400, visits=12, spread=2.0, noise=1.0)
    found = family_level(y, van, scatter=1.0, spec=None)
    assert found.level == pytest.approx(5.0, abs=0.4)
    assert found.spread == pytest.approx(2.0, rel=0.1)
    assert (found.vans, found.degrees) == (400, pytest.approx(3.0 + 0.6 * 400))
    noise2 = 1.57 / 8  # of the median of eight first visits
    assert found.u == pytest.approx(np.sqrt(1.57 * (found.spread**2 + noise2) / 400))


def test_only_first_visits_count_and_a_fault_in_few_vans_moves_little():
    y, van = _family(np.random.default_rng(3), vans=30, visits=16, spread=1.0, noise=0.5)
    usual = family_level(y, van, scatter=0.5, spec=None)
    later = y.reshape(30, 16).copy()
    later[:, 8:] += 50.0
    assert family_level(later.ravel(), van, scatter=0.5, spec=None) == usual
    faulty = y.reshape(30, 16).copy()
    faulty[:3] += 50.0
    found = family_level(faulty.ravel(), van, scatter=0.5, spec=None)
    assert abs(found.level - usual.level) < 0.4
    assert found.spread < 2.0 * usual.spread


def test_a_register_figure_pulls_by_its_certainty_and_stands_alone_before_any_visit():
    y, van = np.full(24, 2.0), np.repeat(np.arange(3), 8)
    free = family_level(y, van, scatter=1.0, spec=None)
    assert free.level == 2.0
    alike = family_level(y, van, scatter=1.0, spec=(4.0, free.u))
    assert (alike.level, alike.u) == (pytest.approx(3.0), pytest.approx(free.u / np.sqrt(2)))
    assert family_level(y, van, scatter=1.0, spec=(4.0, 1e6)).level == pytest.approx(2.0, abs=1e-6)
    assert family_level(y, van, scatter=1.0, spec=(4.0, 1e-6)).level == pytest.approx(4.0, abs=1e-6)
    nothing = np.array([np.nan]), np.array([0])
    unread = family_level(*nothing, scatter=2.0, spec=(4.0, 0.3))
    assert (unread.level, unread.u, unread.spread, unread.degrees, unread.vans) == (4.0, 0.3, 3.0, 3.0, 0)
    unknown = family_level(*nothing, scatter=2.0, spec=None)
    assert np.isnan([unknown.level, unknown.u]).all()


@pytest.mark.parametrize("scatter", [1.0, 3.0])
def test_a_lone_van_has_the_usual_spread(scatter):
    found = family_level(np.array([1.0, 1.2, 1.4]), np.zeros(3, np.int64), scatter=scatter, spec=None, usual_spread=2.0)
    assert (found.level, found.spread, found.vans) == (1.2, pytest.approx(2.0 * scatter), 1)
    assert found.u == pytest.approx(np.sqrt(1.57 * (4.0 + 1.57 / 3.0)) * scatter)


def test_the_register_names_peaks_and_responses_and_nothing_else():
    family = families()["heron-16"]
    level, u = specification(family, PEAK)
    assert (np.exp(level), u > 0) == (pytest.approx(family.main_peak.expected_g_s), True)
    assert specification(family, RESPONSE)[0] == pytest.approx(np.log(family.expected_time_constant_s))
    assert specification(family, LAMBDA) is None
    assert specification(replace(family, expected_time_constant_s=None), RESPONSE) is None
