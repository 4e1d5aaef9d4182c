"""Covariates of a visit: where its air is taken from, how sure that is, and how the slopes on them are fitted."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.physics.air import BAROMETER_U_KPA, HUMIDITY_U_PCT, INTAKE_AIR_U_C, textbook_exponents
from models.tracking.covariates import COVARIATES, design, fill_air, fit_covariate_slopes, prior_of

MONDAY = datetime(2026, 3, 2, 10, tzinfo=UTC)
AIR = {"intake_air_c": pl.Float64, "barometer_kpa": pl.Float64, "humidity_pct": pl.Float64, "altitude_m": pl.Float64}


def _visits(*rows: dict[str, object]) -> pl.DataFrame:
    usual = {
        "depot": "north",
        "captured_at": MONDAY,
        "week": "2026-W10",
        "coolant_c": 90.0,
        "hold_s": 1.0,
        "fuel": "E5",
    }
    schema = {
        "captured_at": pl.Datetime("us", "UTC"),
        "coolant_c": pl.Float64,
        "hold_s": pl.Float64,
        "fuel": pl.String,
    } | AIR
    return pl.DataFrame([dict.fromkeys(AIR) | usual | row for row in rows], schema_overrides=schema)


MEASURED = {"intake_air_c": 20.0, "barometer_kpa": 99.0, "humidity_pct": 50.0}


def test_air_is_taken_from_the_nearest_that_was_measured_and_is_less_sure_the_farther():
    visits = _visits(
        MEASURED,
        {"captured_at": MONDAY + timedelta(hours=5)},  # same depot, same day
        {"captured_at": MONDAY + timedelta(days=2)},  # same depot, same week
        {"depot": "south"},  # same week
        {"depot": "south", "week": "2026-W20", "captured_at": MONDAY + timedelta(weeks=10)},
    )
    air, source = fill_air(visits, usual_intake_air_c=11.0)
    assert source.to_list() == ["measured", "depot_day", "depot_week", "unmeasured", "unmeasured"]
    assert air.intake_air_c.tolist() == [20.0, 20.0, 20.0, 20.0, 11.0]
    assert air.barometer_kpa[:3].tolist() == [99.0] * 3
    assert air.intake_air_u[:4].tolist() == [INTAKE_AIR_U_C, 4.0, 6.0, 8.0]
    assert air.barometer_u[:3].tolist() == [BAROMETER_U_KPA, 0.4, 0.9]
    assert air.humidity_u[:4].tolist() == [HUMIDITY_U_PCT, 10.0, 15.0, 20.0]
    assert air.intake_air_u[4] > 8.0
    assert (air.barometer_u[3:] > 0.9).all()


def test_the_middle_of_several_neighbours_is_taken_and_nothing_measured_is_replaced():
    visits = _visits(*({"intake_air_c": t, "barometer_kpa": 98.0} for t in (10.0, 12.0, 30.0)), {"barometer_kpa": 97.0})
    air, source = fill_air(visits)
    assert air.intake_air_c.tolist() == [10.0, 12.0, 30.0, 12.0]
    assert air.barometer_kpa.tolist() == [98.0, 98.0, 98.0, 97.0]
    assert source.to_list() == ["measured", "measured", "measured", "depot_day"]  # the weaker of the two


def test_the_source_is_the_weaker_of_temperature_and_pressure():
    visits = _visits(MEASURED, {"intake_air_c": 25.0, "captured_at": MONDAY + timedelta(days=1)})
    assert fill_air(visits)[1].to_list() == ["measured", "depot_week"]


def test_covariates_are_nothing_at_the_reference_and_what_they_say_beside_it():
    reference = {"reference_intake_air_c": 25.0, "reference_barometer_kpa": 99.0}
    at = MEASURED | {"intake_air_c": 25.0, "humidity_pct": 0.0, "fuel": "E0"}
    visits = _visits(
        at, at | {"coolant_c": 80.0, "hold_s": 1.3}, at | {"coolant_c": 20.0, "hold_s": 9.0}, at | {"fuel": "E10"}
    )
    x, u = design(visits, fill_air(visits)[0], **reference)
    assert x.shape == u.shape == (4, len(COVARIATES))
    assert x[0] == pytest.approx(np.zeros(5), abs=1e-9)
    assert x[1, 2:4] == pytest.approx([-1.0, 0.3])
    assert x[2, 2:4] == pytest.approx([-2.0, 0.5])  # held: no van is colder or held longer than tells
    assert x[3, 4] == pytest.approx(np.log(0.96))
    assert u[0, 0] == pytest.approx(BAROMETER_U_KPA / 99.0)
    assert u[0, 1] == pytest.approx(INTAKE_AIR_U_C / 298.15)
    assert (u[:, 2:] == 0.0).all()


def test_what_nobody_noted_is_taken_as_the_fleets_middle_and_its_doubt_is_told():
    rows = [MEASURED | {"coolant_c": c, "hold_s": h, "fuel": f} for c, h, f in ((80.0, 0.8, "E5"), (100.0, 1.2, "E5"))]
    visits = _visits(
        *rows, MEASURED | {"coolant_c": None, "hold_s": None, "fuel": None}, MEASURED | {"fuel": "tractor"}
    )
    x, u = design(visits, fill_air(visits)[0], reference_intake_air_c=25.0, reference_barometer_kpa=99.0)
    assert x[2, 2:] == pytest.approx([0.0, 0.0, np.log(0.98)])
    assert u[2, 2:].tolist() == [0.5, 0.2, 0.015]
    assert u[3, 2:].tolist() == [0.0, 0.0, 0.015]
    nothing = _visits(MEASURED | {"coolant_c": None, "hold_s": None, "fuel": None})
    assert (
        design(nothing, fill_air(nothing)[0], reference_intake_air_c=25.0, reference_barometer_kpa=99.0)[0][
            0, 2:
        ].tolist()
        == [0.0] * 3
    )


@pytest.mark.parametrize("aspiration", ["natural", "turbo"])
def test_flow_through_the_open_throttle_starts_from_the_textbooks_exponents(aspiration):
    mean, spread = prior_of("main_peak_reference_g_s", aspiration, 0.02)
    text = textbook_exponents(aspiration)
    assert mean[:2].tolist() == [text.pressure, text.temperature]
    assert spread[:2].tolist() == [text.pressure_u, text.temperature_u]


def test_what_is_not_on_a_logarithm_starts_from_nothing_within_its_own_scatter():
    once, twice = (prior_of("lambda_idle", "natural", s) for s in (0.01, 0.02))
    known = once[1] == twice[1]
    assert twice[1][~known] == pytest.approx(2.0 * once[1][~known])
    assert not known[:2].any()


def _fitted(
    n_vans: int, visits: int, *, seed: int = 1, independent: float = 1.0, spread: float = 10.0, odd: float = 0.0
):
    rng = np.random.default_rng(seed)
    van = np.repeat(np.arange(n_vans), visits)
    x = rng.normal(size=(van.size, 2))
    y = 5.0 * rng.normal(size=n_vans)[van] + x @ [0.9, -0.5] + 0.1 * rng.normal(size=van.size)
    y[rng.random(van.size) < odd] += 5.0
    prior = (np.array([0.2, 0.3]), np.full(2, spread))
    return fit_covariate_slopes(y, x, van, scatter=0.1, prior=prior, independent=independent)


def test_slopes_are_found_whatever_the_vans_levels_and_a_few_wild_visits_move_them_little():
    found = _fitted(40, 10)
    u = np.sqrt(np.diag(found.covariance))
    assert np.abs(found.mean - [0.9, -0.5]).max() < 4.0 * u.max()
    assert u == pytest.approx(0.1 / np.sqrt(360), rel=0.15)
    assert np.abs(_fitted(40, 10, odd=0.03).mean - [0.9, -0.5]).max() < 0.05


def test_visits_that_share_their_weather_count_for_less():
    alone, shared = _fitted(40, 10), _fitted(40, 10, independent=0.25)
    assert np.diag(shared.covariance) / np.diag(alone.covariance) == pytest.approx(4.0, rel=0.05)


def test_little_data_leave_the_prior_and_much_overrule_it():
    sure = _fitted(10, 5, spread=1e-4)
    assert sure.mean == pytest.approx([0.2, 0.3], abs=0.01)
    one_each = fit_covariate_slopes(
        np.array([1.0, 2.0, 9.0, 4.0]),
        np.arange(8.0).reshape(4, 2),
        np.arange(4),
        scatter=0.1,
        prior=(np.array([0.2, 0.3]), np.array([0.5, 0.7])),
        independent=1.0,
    )
    assert one_each.mean == pytest.approx([0.2, 0.3])  # a van of one visit has no weight
    assert np.diag(one_each.covariance) == pytest.approx([0.25, 0.49])
    two = fit_covariate_slopes(
        np.array([1.0, 2.0, np.nan]),
        np.arange(6.0).reshape(3, 2),
        np.zeros(3, np.int64),
        scatter=0.1,
        prior=(np.array([0.2, 0.3]), np.array([0.5, 0.7])),
        independent=1.0,
    )
    assert two.mean.tolist() == [0.2, 0.3]
    assert np.diag(two.covariance) == pytest.approx([0.25, 0.49])


def test_the_compiled_regression_is_that_of_whole_arrays():
    rng = np.random.default_rng(5)
    van = np.repeat(np.arange(9), rng.integers(1, 12, 9))
    x, y = rng.normal(size=(van.size, len(COVARIATES))), rng.standard_t(3, van.size)
    y[rng.random(van.size) < 0.1] = np.nan
    mean, spread = rng.normal(size=5), rng.uniform(0.5, 2.0, 5)
    found = fit_covariate_slopes(y, x, van, scatter=0.7, prior=(mean, spread), independent=0.8)

    read = np.isfinite(y)
    kept, of = x[read], van[read][:, None] == np.unique(van[read])
    kept = kept - of @ (of.T @ kept / of.sum(axis=0)[:, None])
    inside = y[read] - of @ np.array([np.median(y[read][column]) for column in of.T])
    weight = np.ones(inside.size)
    for _ in range(10):
        scaled = (weight * 0.8 / 0.7**2)[:, None] * kept
        information = scaled.T @ kept + np.diag(spread**-2.0)
        slopes = np.linalg.solve(information, scaled.T @ inside + mean / spread**2)
        left = inside - kept @ slopes
        left = left - of @ (of.T @ (weight * left) / (of.T @ weight))
        weight = np.minimum(1.0, 1.5 * 0.7 / np.maximum(np.abs(left), 1e-300))
    np.testing.assert_allclose(found.mean, slopes, rtol=1e-10)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(information), rtol=1e-10, atol=1e-12)
