"""Every part of a stated uncertainty has a case in which it alone matters: of trends, of residuals, of distances to limits."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from models.tracking.baseline import FamilyLevel
from models.tracking.charts.alarms import raise_alarms
from models.tracking.charts.limit_forecasts import fleet_forecasts
from models.tracking.charts.recursion import follow_vans
from models.tracking.covariates import COVARIATES
from models.tracking.repeats import RepeatScatter
from models.tracking.restarts import CHANGED, HELD, NO_RESTART, REPAIRED
from models.tracking.standardise import standardise, vans_spread
from models.tracking.state.record import Judged
from models.tracking.state.residuals import residuals_of
from models.tracking.state.trends import trends_of
from models.tracking.visits import MAIN_PEAK, repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import families, make_fleet, no_repairs

PEAK = 50.0  # g/s, followed on a log scale: 1 % of it is 0.01 there
SLOPE = np.zeros(len(COVARIATES))
SLOPE[0] = 0.9


def _one_visit(
    *, variance: float = 0.0, reported: float = 0.0, air_u: float = 0.0, repeat_u: float = np.nan, **of: float
) -> dict[str, float]:
    """The trend of one visit of a main peak whose family scatters by 2 %, all of it certain but what is given."""
    conditions_u = np.zeros((1, len(COVARIATES)))
    conditions_u[0, 0] = air_u
    std = SimpleNamespace(
        visits=pl.DataFrame(
            {
                "van_id": "v",
                "week": "2026-W14",
                "air_from": "measured",
                MAIN_PEAK + "_u": reported,
                MAIN_PEAK + "_n": 2,
            }
        ),
        quantities=(MAIN_PEAK,),
        families=("f",),
        family=np.zeros(1, np.int64),
        weeks=np.zeros(1, np.int64),
        van=np.zeros(1, np.int64),
        starts=np.array([0, 1]),
        restart=np.zeros((1, 1), np.int8),
        x=np.zeros((1, 1)),
        scaled=np.full((1, 1), np.log(PEAK)),
        variance=np.full((1, 1), variance),
        conditions_u=conditions_u,
        scatter=np.full((1, 1), 0.02),
        levels={(0, 0): FamilyLevel(np.log(PEAK), 0.0, 0.03, 20.0, 9)},
        covariate_slopes={(0, 0): SimpleNamespace(mean=SLOPE)},
    )
    known = {"baseline": 0.0, "baseline_variance": 0.0, "slope": 0.0, "var_slope": 0.0, "z": 0.0, "ewma": 0.0} | of
    followed = SimpleNamespace(**{name: np.full((1, 1), value) for name, value in known.items()})
    still = np.zeros((1, 1))
    alarms = SimpleNamespace(
        any=still > 0, since=np.full((1, 1), -1), ewma_limit=still, cusum_high=still, cusum_low=still
    )
    unsteady, unknown = SimpleNamespace(quantities=()), np.full((1, 1), np.nan)
    forecasts = SimpleNamespace(
        by_quantity={},
        onset=unknown,
        onset_low=unknown,
        onset_high=unknown,
        level=still,
        level_u=still + 0.5,
        moving=unknown,
        stepped=unknown,
        limits={},
        drift=lambda followed, rows, q: (followed.slope[rows, q], np.sqrt(followed.var_slope[rows, q])),
    )
    scatter = {MAIN_PEAK: RepeatScatter(np.array([repeat_u]), np.array([0 if repeat_u == repeat_u else -1]))}
    judged = Judged(std, followed, alarms, forecasts, unsteady, scatter)  # type: ignore[arg-type]
    return trends_of(judged, no_repairs(), -9).row(0, named=True)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("unsure", "value_u"),
    [
        ({"variance": 4.0}, 2.0 * 0.02 * PEAK),  # how far visits scatter
        ({"reported": 1.5}, 1.5),  # what the reading says of itself
        ({"air_u": 0.03}, 0.9 * 0.03 * PEAK),  # air that nobody measured
        ({"reported": 1.2, "air_u": 1.6 / PEAK / 0.9}, 2.0),
        ({"repeat_u": 3.0}, 3.0 / np.sqrt(2.0)),  # how far the two snaps of the visit lie apart
        ({"reported": 2.0, "repeat_u": 1.5 * np.sqrt(2.0)}, 2.5),
        ({"variance": 4.0, "reported": 1.5}, 2.0),  # the scatter holds the reading's own already
    ],
)
def test_a_value_is_as_unsure_as_each_of_its_parts_alone(unsure, value_u):
    row = _one_visit(**unsure)
    assert row["value_u"] == pytest.approx(value_u)
    assert (row["value"], row["baseline_u"]) == (pytest.approx(PEAK), 0.0)


def test_baseline_and_slope_carry_their_own_uncertainty():
    row = _one_visit(baseline=1.0, baseline_variance=9.0, slope=0.5, var_slope=0.25)
    assert row["baseline"] == pytest.approx(PEAK * np.exp(0.02))
    assert row["peer_baseline"] == pytest.approx(PEAK)
    assert row["baseline_u"] == pytest.approx(3.0 * 0.02 * row["baseline"])
    assert row["slope_per_week"] == pytest.approx(0.5 * 0.02 * PEAK)
    assert row["slope_low"] == pytest.approx((0.5 - 1.959964 * 0.5) * 0.02 * PEAK)
    assert row["slope_high"] == pytest.approx((0.5 + 1.959964 * 0.5) * 0.02 * PEAK)
    assert row["level_u"] == pytest.approx(0.5 * 0.02 * PEAK)
    assert row["change"] == pytest.approx(row["level"] - row["baseline"])


def test_the_expected_range_is_the_one_the_visit_was_judged_by():
    row = _one_visit(baseline=1.0, baseline_variance=9.0, variance=16.0)
    low, high = (PEAK * np.exp(0.02 * (1.0 + side * 1.959964 * 5.0)) for side in (-1.0, 1.0))
    assert (row["expected_low"], row["expected_high"]) == (pytest.approx(low), pytest.approx(high))


def _shift(
    x: tuple[float, ...] = (0.0, 0.0),
    *,
    variance: float = 0.0,
    baseline_variance: float = 0.0,
    repeats: float = 0.0,
    peer: bool = False,
    baseline: float = 0.0,
    mark: tuple[int, int] = (0, NO_RESTART),
) -> SimpleNamespace:
    """The residual of one van's idle flow, of plain visits at 3 g/s: family scatter 2 %, repeats half of it."""
    n = len(x)
    std = SimpleNamespace(
        visits=pl.DataFrame({"van_id": ["v"] * n, "captured_at": range(n)}),
        quantities=(MAIN_PEAK,),
        families=("f",),
        van=np.zeros(n, np.int64),
        restart=np.full((n, 1), NO_RESTART, np.int8),
        starts=np.array([0, n]),
        family=np.zeros(n, np.int64),
        x=np.array(x).reshape(-1, 1),
        variance=np.full((n, 1), variance),
        scatter=np.full((1, 1), 0.02),
        repeat_share=np.full((1, 1), 0.5),
        levels={(0, 0): FamilyLevel(np.log(PEAK), 0.0, 0.03, 20.0, 9)},
    )
    std.restart[mark[0]] = mark[1]
    followed = SimpleNamespace(baseline=np.full((n, 1), baseline), baseline_variance=np.full((n, 1), baseline_variance))
    flags = np.full((n, 1), peer)
    alarms = SimpleNamespace(own=flags & False, peer=flags, any=flags)
    scatter = [repeats] * n if not mark[1] else [9.0 * repeats if row < mark[0] else repeats for row in range(n)]
    within = pl.DataFrame({"van_id": ["v"] * n, "captured_at": range(n), MAIN_PEAK: scatter})
    with np.errstate(invalid="ignore", divide="ignore"):
        found = residuals_of(std, followed, alarms, within, ["v"], within_weeks=8)  # type: ignore[arg-type]
    return SimpleNamespace(
        shift=found.shift[0, 0],
        u=found.shift_u[0, 0],
        expected=found.expected[0, 0],
        visits=found.visits[0],
        scatter=found.scatter[0, 0],
    )


@pytest.mark.parametrize(("kind", "since"), [(NO_RESTART, 2), (CHANGED, 2), (REPAIRED, 1), (HELD, 1)])
def test_what_a_cause_rests_on_never_reaches_back_past_a_repair(kind: int, since: int) -> None:
    """Neither the present level nor the scatter of the repeats."""
    found = _shift((5.0, 5.0, 5.0, 0.1), repeats=0.03, mark=(3, kind))
    assert found.visits == since
    repaired = since == 1
    assert (abs(found.shift) < 0.01 * PEAK) == repaired
    of_one = _shift((0.1, 0.1), repeats=0.03).scatter
    assert (found.scatter == pytest.approx(of_one)) == (repaired or kind == NO_RESTART)


ONE_PERCENT = 0.01 * PEAK


def test_a_shift_is_as_unsure_as_each_of_its_parts_alone():
    assert _shift().u == 0.0
    assert _shift(variance=4.0).u == pytest.approx(2.0 * 2 * ONE_PERCENT / np.sqrt(2))  # of the mean of two visits
    assert _shift(baseline_variance=4.0).u == pytest.approx(2.0 * 2 * ONE_PERCENT)
    # two visits five scatters apart, though each is stated to be certain: half of 12.5 over three, of the mean of two
    assert _shift((0.0, 5.0)).u == pytest.approx(np.sqrt(12.5 / 3.0 / 2.0) * 2 * ONE_PERCENT)
    # repeats three times as far apart as usual: the eight ninths nobody stated, of the mean of two
    assert _shift(repeats=3.0 * ONE_PERCENT).u == pytest.approx(np.sqrt((9.0 - 1.0) / 2.0) * ONE_PERCENT)
    assert _shift(repeats=0.9 * ONE_PERCENT).u == 0.0  # steadier than usual earns nothing


def test_the_parts_of_a_shifts_uncertainty_add_in_quadrature():
    parts = [_shift(variance=4.0).u, _shift(baseline_variance=4.0).u, _shift(repeats=3.0 * ONE_PERCENT).u]
    together = _shift(variance=4.0, baseline_variance=4.0, repeats=3.0 * ONE_PERCENT).u
    assert together == pytest.approx(np.sqrt(np.sum(np.square(parts))))


def test_a_van_apart_since_its_first_visits_is_held_against_the_family_with_the_familys_spread():
    x = (-5.0, -5.0)
    own = _shift(x, baseline=-5.0, baseline_variance=0.01)
    assert (own.expected, own.shift) == (pytest.approx(PEAK * np.exp(-0.1)), pytest.approx(0.0))
    apart = _shift(x, baseline=-5.0, baseline_variance=0.01, peer=True)
    assert apart.expected == pytest.approx(PEAK)
    assert apart.shift == pytest.approx(PEAK * (np.exp(-0.1) - 1.0))
    assert apart.u == pytest.approx(0.03 * PEAK)  # 0.03 is how far healthy vans stand from their family
    near = _shift(
        (-3.0, -3.0), baseline=-3.0, peer=True
    )  # within 2.5 spreads of 1.5 scatters each: its own baseline stands
    assert near.shift == pytest.approx(0.0)


@pytest.fixture(scope="module")
def tracked():
    fleet = make_fleet(vans=24, weeks=10, seed=5, faulty=0.0)
    captures = tracked_captures(fleet.frame)
    return standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())


def _beyond(std, quantity: str) -> np.ndarray:
    followed = follow_vans(
        std.x, std.variance, weeks=std.weeks, starts=std.starts, restart=std.restart, vans_spread=vans_spread(std)
    )
    alarms = raise_alarms(std, followed, per_van_week=0.005)
    return fleet_forecasts(std, followed, alarms, families(), usual_interval=1.0).beyond[
        :, std.quantities.index(quantity)
    ]


@pytest.mark.parametrize(("quantity", "of_family"), [(MAIN_PEAK, False), ("lambda_to_rich_time_constant_s", True)])
def test_a_limit_is_as_unsure_as_what_it_is_held_against(tracked, quantity, of_family):
    """A main peak: the reading's own u. A response: the family's level, which the sensor's allowance stands on."""
    q, usual = tracked.quantities.index(quantity), _beyond(tracked, quantity)
    read = np.isfinite(usual)
    assert read.any()
    assert usual[read].max() < 0.3
    unsure_level = replace(
        tracked, levels={(f, n): replace(at, u=9.0) if n == q else at for (f, n), at in tracked.levels.items()}
    )
    name = quantity + "_u"
    unsure_reading = replace(
        tracked, visits=tracked.visits.with_columns(pl.when(pl.col(name).is_not_null()).then(900.0).alias(name))
    )
    level, reading = _beyond(unsure_level, quantity), _beyond(unsure_reading, quantity)
    doubted, other = (level, reading) if of_family else (reading, level)
    assert np.median(doubted[read]) == pytest.approx(0.5, abs=0.1)  # as good as nothing is known
    assert np.median(doubted[read]) > np.median(usual[read]) + 0.2
    assert other[read] == pytest.approx(usual[read], abs=1e-9)


def test_one_unsure_reading_among_sure_ones_does_not_make_the_limit_unsure(tracked):
    """What all readings of a van share is no larger than the least of their uncertainties; more visits reduce the rest."""
    name, last = MAIN_PEAK + "_u", tracked.starts[1:] - 1
    usual = _beyond(tracked, MAIN_PEAK)
    at = pl.Series(np.isin(np.arange(tracked.van.size), last)) & tracked.visits[name].is_not_null()
    doubtful = replace(tracked, visits=tracked.visits.with_columns(pl.when(at).then(900.0).otherwise(name).alias(name)))
    assert at.sum() > 5
    assert _beyond(doubtful, MAIN_PEAK)[at.to_numpy()] == pytest.approx(usual[at.to_numpy()], abs=0.01)
