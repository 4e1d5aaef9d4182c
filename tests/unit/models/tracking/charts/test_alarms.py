"""What limits cost and how they follow the fleet: shares, scatter known from few visits, averages that move more than stated."""

from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.tracking.baseline import FamilyLevel
from models.tracking.charts.alarms import (
    ANOMALY_SHARE,
    OWN_SHARE,
    PEER_SHARE,
    REPEATABILITY_SHARE,
    held_otherwise,
    raise_alarms,
)
from models.tracking.charts.chart_limits import VISIT_DEGREES
from models.tracking.charts.dispersion import (
    DIFFERENCE_DEGREES,
    NARROWEST,
    dispersion_of,
    own_scatter,
    shared_dispersion_factors,
    van_scatter,
)
from models.tracking.charts.recursion import BASELINE_STEP, follow_vans
from models.tracking.restarts import CHANGED, HELD, NO_RESTART, REPAIRED


def _fleet(vans: int, visits: int, *, seed: int = 1, scale: float = 1.0, moved: float = 0.0, shift: float = 0.0):
    """One quantity of one family in control, or with a share of the vans shifted from their sixth visit on."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0.0, 1.0, (vans, 1)) + np.cumsum(rng.normal(0.0, BASELINE_STEP, (vans, visits)), axis=1)
    noise = rng.standard_t(VISIT_DEGREES, (vans, visits)) / np.sqrt(VISIT_DEGREES / (VISIT_DEGREES - 2.0))
    x = level + scale * noise
    x[: round(moved * vans), 6:] += shift
    std = SimpleNamespace(
        x=x.reshape(-1, 1),
        variance=np.ones((vans * visits, 1)),
        peer_variance=np.zeros((vans * visits, 1)),
        visits=pl.DataFrame(
            {
                "depot": np.repeat(np.array([f"depot-{d}" for d in range(5)])[np.arange(vans) % 5], visits),
                "hold_s": np.full(vans * visits, 1.2),
            }
        ),
        quantities=("idle_g_s",),
        families=("heron-16",),
        family=np.zeros(vans * visits, np.int64),
        van=np.repeat(np.arange(vans), visits),
        starts=np.arange(vans + 1) * visits,
        restart=np.zeros((vans * visits, 1), np.int8),
        scatter=np.ones((1, 1)),
        levels={(0, 0): FamilyLevel(0.0, 0.1, 1.0, 20.0, vans)},
    )
    followed = follow_vans(
        std.x,
        std.variance,
        weeks=np.tile(np.arange(visits), vans),
        starts=std.starts,
        restart=std.restart,
        vans_spread=np.ones((vans, 1)),
    )
    return std, followed


def _of_averages(std, followed):
    return dispersion_of(std, [van_scatter(std, followed)]).of_averages


def test_the_shares_spend_the_setting_once():
    assert sum((OWN_SHARE, PEER_SHARE, REPEATABILITY_SHARE, ANOMALY_SHARE)) == pytest.approx(1.0)


def test_a_fleet_in_control_moves_as_stated():
    std, followed = _fleet(2000, 20)
    assert np.sqrt(shared_dispersion_factors(std, van_scatter(std, followed))[0, 0]) == pytest.approx(1.0, abs=0.03)
    assert (
        1.0 <= np.median(_of_averages(std, followed)) < 1.06
    )  # the larger of own and shared, so never below the shared


def test_what_moves_all_vans_widens_and_a_scatter_stated_too_wide_narrows_to_its_floor():
    assert _of_averages(*_fleet(200, 20, scale=2.0))[0, 0] > 1.5
    assert _of_averages(*_fleet(200, 20, scale=0.4))[0, 0] == NARROWEST


def test_a_fault_in_a_few_vans_hardly_widens_the_limits_of_the_others():
    quiet, faulty = (_of_averages(*_fleet(12, 20, moved=share, shift=8.0))[0, 0] for share in (0.0, 2.0 / 12.0))
    assert faulty < 1.15 * max(quiet, 1.0)


def test_what_moves_the_vans_of_one_depot_widens_that_depot():
    std, followed = _fleet(60, 20)
    at_depot = np.arange(60) % 5 == 1
    followed = followed._replace(ewma=np.where(at_depot[std.van][:, None], 3.0 * followed.ewma, followed.ewma))
    shared = np.sqrt(shared_dispersion_factors(std, van_scatter(std, followed)))[:, 0]
    factor = _of_averages(std, followed)[:, 0]
    assert shared[at_depot].min() > 1.4
    assert shared[~at_depot].max() < 1.2
    assert factor[at_depot].min() > 1.4
    assert np.median(factor[~at_depot]) < 1.2  # single vans may have wider limits, by their own scatter
    assert factor[~at_depot].max() < factor[at_depot].min()


def test_a_van_that_always_jumps_between_two_values_is_no_alarm_and_a_step_to_the_second_is():
    """As in long tails of short recordings: one visit in three reads a second mode, eight scatters off."""
    jumps, step = _fleet(60, 30, seed=4), _fleet(60, 30, seed=4)
    modes = np.random.default_rng(5).random(30) < 0.3
    for (std, _), other in ((jumps, modes), (step, np.arange(30) >= 20)):
        std.x[:30, 0] += 8.0 * other
    found = [
        raise_alarms(
            std,
            follow_vans(
                std.x,
                std.variance,
                weeks=np.tile(np.arange(30), 60),
                starts=std.starts,
                restart=std.restart,
                vans_spread=np.ones((60, 1)),
            ),
            per_van_week=0.0005,
        ).own[:30, 0]
        for std, _ in (jumps, step)
    ]
    assert not found[0].any()
    assert found[1][22:].all()
    assert not found[1][:20].any()


def test_limits_are_wider_while_the_scatter_rests_on_few_visits():
    def width(vans: int, visits: int) -> float:
        std, followed = _fleet(vans, visits)
        alarms = raise_alarms(std, followed, per_van_week=0.005)
        third = np.arange(vans) * visits + 2
        return float(
            np.median(alarms.ewma_limit[third, 0] / followed.ewma_spread[third, 0] / _of_averages(std, followed)[:, 0])
        )

    assert width(6, 3) > 1.2 * width(200, 20)


@pytest.mark.parametrize(
    ("quantity", "hold_s", "apart"),
    [
        ("tip_in_lean_blip", 1.2, True),
        ("tip_in_lean_blip", 0.9, True),
        ("tip_in_lean_blip", 0.5, False),  # so brief a hold never comes to the limit of speed
        ("idle_g_s", 0.5, True),
        ("tip_in_lean_blip", None, True),
    ],
)
def test_a_van_held_otherwise_than_its_family_is_no_peer_in_what_depends_on_the_hold(
    quantity: str, hold_s: float | None, apart: bool
) -> None:
    std, _ = _fleet(20, 12)
    std.quantities = (quantity,)
    std.x[:12] += 15.0
    held = [hold_s] * 12 + [1.2] * (12 * 19)
    std.visits = std.visits.with_columns(hold_s=pl.Series(held, dtype=pl.Float64))
    followed = follow_vans(
        std.x,
        std.variance,
        weeks=np.tile(np.arange(12), 20),
        starts=std.starts,
        restart=std.restart,
        vans_spread=np.ones((20, 1)),
    )
    assert raise_alarms(std, followed, per_van_week=0.005).peer[11, 0] == apart


def test_of_two_vans_none_is_held_otherwise_than_its_family() -> None:
    """Each lies as far from the middle of both as the other."""
    std, _ = _fleet(2, 12)
    std.quantities = ("tip_in_lean_blip",)
    std.visits = std.visits.with_columns(hold_s=pl.Series([0.3] * 12 + [1.0] * 12))
    assert not held_otherwise(std).any()


def test_own_charts_cost_no_more_than_their_share_of_visits():
    std, followed = _fleet(4000, 52, seed=9)
    per_van_week = 0.02
    assert raise_alarms(std, followed, per_van_week=per_van_week).own.mean() <= 1.1 * OWN_SHARE * per_van_week


def test_own_scatter_is_the_variance_between_visits_and_neither_drift_nor_step_moves_it():
    rng = np.random.default_rng(8)
    vans, visits = 200, 60
    noise, when = rng.normal(0.0, 2.0, (vans, visits)), np.arange(visits)
    gone = np.where(rng.random((vans, visits)) < 0.15, np.nan, noise)
    starts = np.arange(vans + 1) * visits
    calm, bends = own_scatter(noise.ravel(), starts)
    assert bends.tolist() == [visits - 2] * vans
    assert calm.mean() == pytest.approx(4.0, rel=0.05)
    assert 2.0 * calm.mean() ** 2 / calm.var() == pytest.approx(DIFFERENCE_DEGREES * (visits - 2), rel=0.25)
    for moved in (noise + 0.2 * when, noise + 30.0 * (when > 20), gone):
        variance, _ = own_scatter(moved.ravel(), starts)
        assert variance.mean() == pytest.approx(calm.mean(), rel=0.15)  # a step is two bends of 58
    two_modes = noise + 20.0 * (rng.random((vans, visits)) < 0.3)
    assert own_scatter(two_modes.ravel(), starts)[0].mean() > 5.0 * calm.mean()
    assert [part.tolist() for part in own_scatter(np.array([1.0]), np.array([0, 1]))] == [[0.0], [0]]


def _stands_at(
    three: float = 3.0, *, scatter: float = 1.0, u: float = 0.0, spread: float = 1.0, air: float = 0.0, **of
):
    """A fleet of which every baseline and level stands three off its family, all else certain but what is given."""
    std, followed = _fleet(20, 12)
    shape = std.x.shape
    std.levels[0, 0] = FamilyLevel(0.0, u, spread, 20.0, 20)
    std.scatter[:] = scatter
    std.peer_variance[:] = air
    fixed = {
        "baseline": three,
        "level": three,
        "ewma": 0.0,
        "ewma_spread": 1e-6,
        "baseline_variance": 0.0,
        "var_level": 0.0,
    }
    followed = followed._replace(**{name: np.full(shape, value) for name, value in (fixed | of).items()})
    alarms = raise_alarms(std, followed, per_van_week=0.005)
    assert np.ptp(alarms.peer_z) == np.ptp(alarms.level_z) == 0.0
    return alarms.peer_z[0, 0], alarms.level_z[0, 0]


@pytest.mark.parametrize(
    ("unsure", "peer_z", "level_z"),
    [
        ({}, 3.0, 3.0),
        ({"u": 8**0.5}, 1.0, 1.0),  # of the family's level
        ({"air": 8.0}, 1.0, 1.0),  # of conditions unlike the family's
        ({"spread": 3.0}, 1.0, 1.0),  # of healthy vans around their family
        ({"ewma_spread": 8**0.5}, 1.0, 3.0),  # of the moving average
        ({"var_level": 8.0}, 3.0, 1.0),  # of the present level
        ({"baseline_variance": 0.5}, 3.0 / 0.5**0.5, 3.0),  # a shrunk baseline scatters less than vans do
        ({"baseline_variance": 0.9}, 3.0 / 0.3**0.5, 3.0),
        ({"scatter": 2.0, "u": 2.0 * 8**0.5, "spread": 2.0}, 1.0, 1.0),
        ({"ewma": 1.5}, 4.5, 3.0),
    ],
)
def test_each_doubt_alone_makes_a_distance_from_the_family_less_telling(unsure, peer_z, level_z):
    assert _stands_at(**unsure) == (pytest.approx(peer_z, rel=1e-6), pytest.approx(level_z, rel=1e-6))


def test_a_level_back_with_the_family_is_no_peer_alarm_and_its_own_baseline_no_longer_speaks():
    def judged(baseline: float, level: float):
        std, followed = _fleet(20, 12)
        std.levels[0, 0] = FamilyLevel(0.0, 0.0, 1.0, 20.0, 20)
        shape = std.x.shape
        fixed = {
            "baseline": baseline,
            "level": level,
            "ewma": -9.0,
            "ewma_spread": 0.3,
            "var_level": 0.0,
            "baseline_variance": 0.0,
        }
        return raise_alarms(
            std, followed._replace(**{name: np.full(shape, value) for name, value in fixed.items()}), per_van_week=0.005
        )

    back = judged(4.1, 1.9)
    assert back.rejoined.all()
    assert not back.any.any()
    usual = judged(3.9, 1.9)  # a baseline that healthy vans have
    assert not usual.rejoined.any()
    assert usual.own.all()
    assert not usual.peer.any()


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_towards_the_family_from_a_baseline_that_strayed_is_no_alarm(side):
    def own(baseline: float, ewma: float, level: float) -> bool:
        std, followed = _fleet(20, 12)
        std.levels[0, 0] = FamilyLevel(0.0, 0.0, 1.0, 20.0, 20)
        fixed = {"baseline": baseline, "level": level, "ewma": ewma, "ewma_spread": 0.3, "var_level": 0.0}
        moved = followed._replace(**{name: np.full(std.x.shape, side * value) for name, value in fixed.items()})
        found = raise_alarms(std, moved._replace(ewma_spread=np.full(std.x.shape, 0.3)), per_van_week=0.005)
        assert found.own.all() == found.own.any()
        return bool(found.own.all())

    assert not own(6.0, -9.0, 3.0)  # on its way back
    assert own(6.0, 9.0, 9.0)  # farther out still
    assert own(3.9, -9.0, 2.5)  # a healthy van's baseline counts both ways
    assert not own(6.0, -9.0, -3.9)
    assert own(6.0, -9.0, -4.1)  # past the family by as much as the baseline is out of it


@pytest.mark.parametrize(("mark", "since"), [(NO_RESTART, 6), (CHANGED, 6), (HELD, 9), (REPAIRED, 9)])
def test_outside_since_never_precedes_a_repair(mark, since):
    std, followed = _fleet(20, 14)
    std.levels[0, 0] = FamilyLevel(0.0, 0.0, 1.0, 20.0, 20)
    ewma = np.where(np.tile(np.arange(14), 20) >= 6, 9.0, 0.0)[:, None]
    std.restart[9] = mark
    found = raise_alarms(std, followed._replace(ewma=ewma, ewma_spread=np.full(std.x.shape, 0.3)), per_van_week=0.005)
    assert found.any[6:14].all()
    assert found.since[13, 0] == since
    assert found.since[8, 0] == 6
    assert found.since[27, 0] == 20  # of the next van
