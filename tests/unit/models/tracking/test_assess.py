"""The whole of tracking on fleets of readings with known truth (another structure than the models assume)."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from data_contracts.errors import InputError
from data_contracts.tables import READ_FROM_WORDS, REPAIRS, TRENDS, polars_schema
from models.tracking import gather, parts
from models.tracking.assess import Assessment, TrackingSettings, assess
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs


def _judge(fleet: ReadingsFleet, week: str | None = None, frame: pl.DataFrame | None = None, **more) -> Assessment:
    return assess(
        fleet.frame if frame is None else frame,
        families=families(),
        week=week or fleet.weeks[-1],
        **({"repairs": no_repairs()} | more),
    )


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return make_fleet(vans=45, weeks=20, seed=8)


@pytest.fixture(scope="module")
def judged(fleet) -> Assessment:
    return _judge(fleet)


def _listed(result: Assessment) -> set[str]:
    return set(result.states.filter("listed")["van_id"])


def test_grown_faults_are_listed_and_healthy_vans_left_alone(fleet, judged):
    week = len(fleet.weeks) - 1
    grown = fleet.truth.filter((pl.col("fault") != "") & ((week - pl.col("onset")) / pl.col("ramp_weeks") >= 0.5))
    healthy = set(fleet.truth.filter(pl.col("fault") == "")["van_id"])
    assert grown.height >= 5
    assert set(grown["van_id"]) <= _listed(judged)
    assert len(_listed(judged) & healthy) <= 1


def test_same_data_in_any_order_gives_the_same_state(fleet, judged):
    shuffled = fleet.frame.sample(fraction=1.0, shuffle=True, seed=3)
    again = _judge(fleet, frame=shuffled)
    assert again.states.equals(judged.states)
    assert again.trends.equals(judged.trends)
    assert again.captures.equals(judged.captures)


def test_as_of_a_week_uses_nothing_later(fleet):
    week = fleet.weeks[11]
    cut = _judge(fleet, week, frame=fleet.frame.filter(pl.col("week") <= week))
    whole = _judge(fleet, week)
    assert whole.states.equals(cut.states)
    assert whole.trends.equals(cut.trends)
    assert whole.trends["week"].max() <= week


def test_trends_keep_to_their_schema_and_key(judged):
    assert dict(judged.trends.schema) == dict(polars_schema(TRENDS))
    assert not judged.trends.select("van_id", "week", "quantity").is_duplicated().any()
    outside = judged.trends.filter("alarm")
    assert outside["alarm_since"].null_count() == 0
    assert (
        judged.trends.filter(~pl.col("alarm"))["alarm_since"].null_count()
        == judged.trends.filter(~pl.col("alarm")).height
    )
    no_limit = judged.trends.filter(pl.col("quantity") == "first_peak_g_s")
    assert no_limit.height
    assert no_limit["weeks_to_limit"].null_count() == no_limit.height


def test_every_listed_van_has_reasons_and_a_residual_row(judged):
    listed = judged.states.filter("listed")
    assert (listed["reason_facts"].list.len() > 0).all()
    assert judged.residuals.van_ids == tuple(listed["van_id"])
    assert judged.residuals.shift.shape == (listed.height, len(judged.residuals.quantities))
    assert np.isfinite(judged.residuals.shift_u[np.isfinite(judged.residuals.shift)]).all()


def test_contributions_sum_to_the_score(judged):
    flagged = judged.states.filter("anomaly")
    assert flagged.height > 0
    for row in flagged.iter_rows(named=True):
        assert sum(part["part"] for part in row["contributions"]) == pytest.approx(row["anomaly_score"], rel=1e-6)


def test_one_representative_per_visit(fleet, judged):
    chosen = judged.captures.filter("representative").join(fleet.frame.select("capture_id", "visit"), on="capture_id")
    assert chosen.height == fleet.frame["visit"].n_unique()
    assert not chosen["visit"].is_duplicated().any()


def test_captures_to_repeat_are_not_tracked(fleet, judged):
    van = fleet.frame["van_id"][0]
    spoiled = fleet.frame.with_columns(
        pl.when(pl.col("van_id") == van).then(pl.lit("repeat")).otherwise("grade").alias("grade")
    )
    result = _judge(fleet, frame=spoiled)
    assert van not in result.states["van_id"].to_list()
    assert van in judged.states["van_id"].to_list()


def test_nothing_tracked_is_an_empty_state(fleet):
    result = _judge(fleet, frame=fleet.frame.head(0))
    assert result.states.height == result.trends.height == 0


def test_a_quantity_that_never_moves_raises_nothing(fleet):
    still = fleet.frame.with_columns(cycle_ripple=pl.lit(0.004), cycle_ripple_u=pl.lit(0.0))
    result = _judge(fleet, frame=still)
    assert not result.trends.filter(pl.col("quantity") == "cycle_ripple")["alarm"].any()


def test_a_van_that_arrives_faulty_is_compared_with_its_family():
    fleet = make_fleet(vans=45, weeks=16, seed=12, faulty=0.0)
    van = fleet.frame.filter(pl.col("family") == "heron-16")["van_id"][0]
    low = fleet.frame.with_columns(
        pl.when(pl.col("van_id") == van).then(pl.col(c) * 0.75).otherwise(pl.col(c)).alias(c)
        for c in ("main_peak_g_s", "first_peak_g_s")
    )
    result = _judge(fleet, frame=low)
    assert van in _listed(result)
    row = result.residuals.van_ids.index(van)
    peak = result.residuals.quantities.index("main_peak_reference_g_s")
    assert result.residuals.shift[row, peak] / result.residuals.expected[row, peak] == pytest.approx(-0.25, abs=0.06)


def test_a_drifting_recorder_is_accused_before_its_vans():
    fleet = make_fleet(vans=60, weeks=20, seed=4, faulty=0.0, recorder_drift={"depot-1": 0.006})
    result = _judge(fleet)
    assert any(n.depot == "depot-1" and [fact.code for fact in n.facts] == ["moved_together"] for n in result.notices)
    assert len(_listed(result)) <= 2


def test_a_repair_restarts_only_what_it_touched():
    fleet = make_fleet(vans=45, weeks=20, seed=5, faulty=0.0)
    van = fleet.frame.filter(pl.col("family") == "heron-16")["van_id"][0]
    after = pl.col("week") >= fleet.weeks[14]
    moved = fleet.frame.with_columns(
        pl.when((pl.col("van_id") == van) & after).then(pl.col(c) * 1.055).otherwise(pl.col(c)).alias(c)
        for c in ("main_peak_g_s", "first_peak_g_s", "idle_g_s")
    )
    moment = fleet.frame.filter(pl.col("week") == fleet.weeks[14])["captured_at"].min()
    repair = pl.DataFrame(
        {
            "repair_id": ["r1"],
            "van_id": [van],
            "done_at": [moment],
            "work": ["air-mass sensor replaced"],
            "parts": [None],
            "work_order": [None],
            "note": [None],
        },
        schema={name: kind for name, kind in polars_schema(REPAIRS).items() if name not in READ_FROM_WORDS},
    ).with_columns(pl.col("done_at").dt.offset_by("-1d"))
    assert van in _listed(_judge(fleet, frame=moved))
    repaired = _judge(fleet, frame=moved, repairs=repair)
    own = repaired.trends.filter((pl.col("van_id") == van) & (pl.col("quantity") == "main_peak_reference_g_s"))
    assert not own["alarm"][-1]
    assert own["baseline"][-1] > 1.03 * own["baseline"][8]


def test_a_lone_outlier_is_no_alarm():
    fleet = make_fleet(vans=45, weeks=16, seed=6, faulty=0.0)
    van = fleet.frame["van_id"][0]
    row = (pl.col("van_id") == van) & (pl.col("week") == fleet.weeks[-3])
    odd = fleet.frame.with_columns(
        pl.when(row).then(pl.col("main_peak_g_s") * 0.8).otherwise("main_peak_g_s").alias("main_peak_g_s")
    )
    result = _judge(fleet, frame=odd)
    own = result.trends.filter((pl.col("van_id") == van) & (pl.col("quantity") == "main_peak_reference_g_s"))
    assert not own["alarm"].any()


def test_the_setting_moves_the_limits(fleet, judged):
    strict = _judge(fleet, settings=TrackingSettings(false_alarms_per_100_van_weeks=0.02))
    assert strict.trends["ewma_limit"].mean() > judged.trends["ewma_limit"].mean()
    with pytest.raises(InputError):
        replace(TrackingSettings(), false_alarms_per_100_van_weeks=0.0)


def test_exponents_come_from_the_fleet_and_keep_their_doubt(fleet, judged):
    # The fleet was drawn with pressure^0.93 and temperature^-0.62; the textbook prior says 1 and -0.5.
    both = judged.captures.join(fleet.frame, on="capture_id", suffix="_as_read")
    assert (both["main_peak_reference_g_s_u"] > 0).all()
    ratio = (both["main_peak_reference_g_s"] / both["main_peak_g_s"]).log().to_numpy()
    p = np.log(both["barometer_kpa"].to_numpy() / 99.0)
    known = np.isfinite(p) & np.isfinite(both["intake_air_c"].to_numpy())
    t = np.log((both["intake_air_c"].to_numpy() + 273.15) / 298.15)
    slopes = np.linalg.lstsq(np.column_stack([p, t])[known], ratio[known], rcond=None)[0]
    assert -slopes[0] == pytest.approx(0.93, abs=0.15)
    assert slopes[1] == pytest.approx(0.62, abs=0.15)


def test_what_is_told_of_the_last_weeks_does_not_depend_on_how_many_are_asked_for(fleet, judged):
    last = _judge(fleet, settings=TrackingSettings(trend_weeks=2))
    assert last.states.equals(judged.states)
    assert last.trends.equals(judged.trends.filter(pl.col("week") >= fleet.weeks[-2]))
    assert last.trends["weeks_to_limit"].count()


@pytest.mark.parametrize("weeks", [None, 2])
def test_how_many_vans_are_in_memory_at_a_time_changes_nothing(fleet, monkeypatch, weeks):
    repairs = pl.DataFrame(
        {
            "van_id": [f"van-{n:05d}" for n in range(0, 45, 3)],
            "done_at": fleet.frame["captured_at"].unique().sort()[200],
            "touches": [["main_peak_reference_g_s", "trim_idle_pct"]] * 15,
        }
    )
    settings = TrackingSettings(trend_weeks=weeks)
    whole = _judge(fleet, repairs=repairs, settings=settings)
    monkeypatch.setattr(gather, "AT_A_TIME", 200)
    monkeypatch.setattr(parts, "AT_A_TIME", 60)
    some = _judge(fleet, repairs=repairs, settings=settings)
    threaded = _judge(fleet, repairs=repairs, settings=replace(settings, threads=3))
    for name in ("captures", "trends", "states"):
        assert getattr(threaded, name).equals(getattr(some, name))  # to the last bit
    assert threaded.residuals.van_ids == some.residuals.van_ids
    np.testing.assert_array_equal(threaded.residuals.shift_u, some.residuals.shift_u)
    assert threaded.model_cards == some.model_cards
    for name in ("captures", "trends", "states"):
        assert_frame_equal(getattr(some, name), getattr(whole, name), rel_tol=1e-9, abs_tol=1e-12)
    assert some.residuals.van_ids == whole.residuals.van_ids
    for name in ("expected", "shift", "shift_u", "scatter", "visits"):
        found = getattr(some.residuals, name)
        np.testing.assert_allclose(found, getattr(whole.residuals, name), rtol=1e-9, atol=1e-12)
    assert some.notices == whole.notices
