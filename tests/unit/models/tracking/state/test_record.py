"""The record of a quantity: one estimate of level, movement and segment, whatever comes before and after a repair."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.tables import REPAIRS, polars_schema
from models.tracking.assess import Assessment, assess
from models.tracking.charts.onset import Changes, changes
from models.tracking.visits import MAIN_PEAK, MAIN_PEAK_AS_READ
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs

VAN, STEP_AT, WEEKS = "van-00003", 8, 14


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    """Healthy vans, but for one whose main peak steps down by a fifth."""
    fleet = make_fleet(vans=12, weeks=WEEKS, repeats=2, faulty=0.0, missing=0.0, seed=3)
    low = (pl.col("van_id") == VAN) & (pl.col("week") >= fleet.weeks[STEP_AT])
    peak = pl.when(low).then(0.8).otherwise(1.0) * pl.col(MAIN_PEAK_AS_READ)
    return ReadingsFleet(fleet.frame.with_columns(peak.alias(MAIN_PEAK_AS_READ)), fleet.truth, fleet.weeks)


def judged(frame: pl.DataFrame, week: str, repairs: pl.DataFrame | None = None) -> Assessment:
    return assess(frame, families=families(), repairs=no_repairs() if repairs is None else repairs, week=week)


def repaired(at: datetime) -> pl.DataFrame:
    row = {"repair_id": "r", "van_id": VAN, "done_at": at, "work": "air-mass sensor replaced", "touches": [MAIN_PEAK]}
    return pl.DataFrame([row], schema=polars_schema(REPAIRS))


def last(found: Assessment) -> dict[str, object]:
    rows = found.trends.filter(van_id=VAN, quantity=MAIN_PEAK).sort("week")
    return rows.row(-1, named=True)


def last_visit(fleet: ReadingsFleet) -> datetime:
    at = fleet.frame.filter(van_id=VAN)["captured_at"].max()
    assert isinstance(at, datetime)
    return at


def test_a_step_is_told_as_one_and_nothing_is_foretold_of_it(fleet: ReadingsFleet) -> None:
    row = last(judged(fleet.frame, fleet.weeks[-1]))
    rows = judged(fleet.frame, fleet.weeks[-1]).trends.filter(van_id=VAN, quantity=MAIN_PEAK)
    after = rows.filter(pl.col("week") >= fleet.weeks[STEP_AT])["value"].to_numpy()
    assert (row["movement"], row["after_repair"], row["alarm"]) == ("stepped", None, True)
    assert row["level"] == pytest.approx(after.mean(), rel=0.01)  # of all visits since, not of the last alone
    assert row["change"] == pytest.approx(row["level"] - row["baseline"])
    assert row["onset_low"] <= fleet.weeks[STEP_AT] and row["onset_week"] >= fleet.weeks[STEP_AT - 1]  # type: ignore[operator] # noqa: PT018
    inside = rows.filter(pl.col("z").abs() < 1.95)
    assert (inside["value"] > inside["expected_low"]).all()
    assert (inside["value"] < inside["expected_high"]).all()
    outside = rows.filter(pl.col("z").abs() > 1.97)
    assert outside.height >= 4
    assert ((outside["value"] < outside["expected_low"]) | (outside["value"] > outside["expected_high"])).all()


def test_what_was_repaired_since_waits_for_a_visit(fleet: ReadingsFleet) -> None:
    done = last_visit(fleet) + timedelta(hours=2)
    week = fleet.weeks[-1]
    found = judged(fleet.frame, week, repaired(done.replace(tzinfo=UTC)))
    assert last(found)["after_repair"] == "awaited"
    others = found.trends.filter(pl.col("after_repair").is_not_null())
    assert others.select("van_id", "quantity", "week").unique().rows() == [(VAN, MAIN_PEAK, last(found)["week"])]


def test_a_repair_that_helped_is_a_fresh_start_and_one_in_vain_is_none(fleet: ReadingsFleet) -> None:
    third = fleet.weeks[STEP_AT + 3]
    day = fleet.frame.filter(van_id=VAN, week=third)["captured_at"].max()
    assert isinstance(day, datetime)
    repairs = repaired(day.replace(tzinfo=UTC) + timedelta(hours=1))
    mended = (pl.col("van_id") == VAN) & (pl.col("week") > third)
    back = pl.when(mended).then(1.25).otherwise(1.0) * pl.col(MAIN_PEAK_AS_READ)
    row = last(judged(fleet.frame.with_columns(back.alias(MAIN_PEAK_AS_READ)), fleet.weeks[-1], repairs))
    assert (row["after_repair"], row["alarm"], row["movement"], row["onset_week"]) == ("fresh", False, None, None)
    assert row["segment_since"] == fleet.weeks[STEP_AT + 4]
    row = last(judged(fleet.frame, fleet.weeks[-1], repairs))
    assert (row["after_repair"], row["alarm"]) == ("stayed", True)
    assert row["onset_week"] <= fleet.weeks[STEP_AT]  # type: ignore[operator] # what had moved before the repair still stands


def test_a_visit_low_in_every_capture_is_held_and_one_that_is_not_stays_sent_back(fleet: ReadingsFleet) -> None:
    mine = pl.col("van_id") == VAN
    whole, half = fleet.weeks[-1], fleet.weeks[-2]
    first = fleet.frame.filter(mine, week=half).sort("capture_id")["capture_id"][0]
    back = mine & ((pl.col("week") == whole) | (pl.col("capture_id") == first))
    frame = fleet.frame.with_columns(
        grade=pl.when(back).then(pl.lit("repeat")).otherwise("grade"),
        grade_reasons=pl.when(back).then(pl.lit(["throttle_not_full"])).otherwise(pl.lit([], dtype=pl.List(pl.String))),
    )
    held = judged(frame, whole).captures
    of_last = fleet.frame.filter(mine, week=whole)["capture_id"].to_list()
    assert sorted(held.filter(pl.col("held") == "low_throughout")["capture_id"]) == sorted(of_last)
    assert first not in held["capture_id"].to_list()


def after_a_step_to(level: float) -> Changes:
    """What is found at the last of fourteen weekly visits, six of them behind a step; the limit is -5."""
    x = np.r_[np.zeros(8), np.full(6, level)] + np.random.default_rng(0).normal(0.0, 0.2, 14)
    return changes(
        x,
        np.full(14, 0.04),
        np.arange(14.0),
        np.array([0]),
        np.array([13]),
        spread=np.ones(1),
        low=np.array([-5.0]),
        high=np.array([np.nan]),
        limit_variance=np.zeros(1),
        next_visit_weeks=np.ones(1),
    )


def test_level_onset_slope_and_limit_are_of_one_posterior() -> None:
    """A clear step beyond a limit: the level is that behind the step, and no slope is told."""
    found = after_a_step_to(-9.0)
    assert found.stepped[0] > 0.9
    assert found.moving[0] < 0.1
    assert found.level[0] == pytest.approx(-9.0, abs=0.3)
    assert 0.0 < found.level_u[0] < 0.3
    assert (found.slope[0], found.forecast.median[0]) == (pytest.approx(0.0, abs=0.02), 0.0)
    assert 7.0 <= found.onset[0] <= 8.0


def test_no_crossing_is_in_sight_of_what_no_longer_moves() -> None:
    found = after_a_step_to(-4.5)
    assert found.moving[0] < 0.5
    assert np.isinf(found.forecast.median[0])
    assert found.forecast.within_13[0] > 0.0  # the odds allow for what may come
