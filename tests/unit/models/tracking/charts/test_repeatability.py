"""Repeats that disagree: something that comes and goes is called by its scatter, where its middle value shows nothing."""

import polars as pl
import pytest

from data_contracts.facts.fact import UNSTEADY
from models.tracking.assess import Assessment, assess
from models.tracking.charts.alarms import REPEATABILITY_SHARE
from models.tracking.charts.repeatability import chart_repeatability
from models.tracking.repeats import repeats_at_visits
from models.tracking.standardise import standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from pipelines.decisions.lessons import flags_of
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs

LEVEL = "lambda_full_throttle"


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return make_fleet(vans=45, weeks=20, seed=21, faulty=0.0)


def _restless(fleet: ReadingsFleet, when: pl.Expr, times: float) -> tuple[str, pl.DataFrame]:
    """One van's repeats moved away from the visit's middle one, which stays where it was."""
    van = fleet.frame.filter(pl.col(LEVEL).is_not_null())["van_id"][0]
    middle = pl.col(LEVEL).median().over("van_id", "visit")
    spread = middle + times * (pl.col(LEVEL) - middle)
    return van, fleet.frame.with_columns(
        pl.when((pl.col("van_id") == van) & when).then(spread).otherwise(LEVEL).alias(LEVEL)
    )


def _judge(fleet: ReadingsFleet, frame: pl.DataFrame) -> Assessment:
    return assess(frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1])


def test_a_van_whose_repeats_begin_to_disagree_is_listed_though_its_middle_value_stands(fleet):
    van, frame = _restless(fleet, pl.col("week") >= fleet.weeks[-6], 40.0)
    before, after = _judge(fleet, fleet.frame), _judge(fleet, frame)
    assert van not in set(before.states.filter("alarm")["van_id"])
    row = after.states.row(by_predicate=pl.col("van_id") == van, named=True)
    assert row["alarm"]
    assert row["listed"]
    assert ("repeats_disagree", LEVEL) in [(fact["code"], fact["quantity"]) for fact in row["reason_facts"]]
    charted = after.trends.filter((pl.col("van_id") == van) & (pl.col("quantity") == LEVEL))
    assert (charted["alarm"] == charted["unsteady"]).all()  # its chart of the level shows nothing
    assert charted["unsteady"].any()


def test_one_wild_visit_is_no_alarm_and_steadier_than_usual_is_none(fleet):
    for when, times in ((pl.col("week") == fleet.weeks[-1], 30.0), (pl.col("week") >= fleet.weeks[8], 0.01)):
        van, frame = _restless(fleet, when, times)
        assert van not in set(_judge(fleet, frame).states.filter("alarm")["van_id"])


def test_without_repeats_nothing_is_unsteady():
    fleet = make_fleet(vans=20, weeks=6, seed=3, repeats=1)
    judged = _judge(fleet, fleet.frame)
    assert not any(fact["code"] == "repeats_disagree" for facts in judged.states["reason_facts"] for fact in facts)


def test_healthy_heavy_tailed_repeats_cost_no_more_than_their_share():
    fleet = make_fleet(vans=300, weeks=26, seed=5, faulty=0.0)
    captures = tracked_captures(fleet.frame)
    repeats = repeat_spread(captures)
    std = standardise(visits_of(captures), repeats, families(), no_repairs())
    per_van_week = 0.05  # ten times the usual setting, so that there is something to count
    found = chart_repeatability(std, repeats_at_visits(std, repeats), per_van_week=per_van_week)
    assert found.alarm.any(axis=1).mean() <= REPEATABILITY_SHARE * per_van_week


def test_a_van_listed_for_its_repeats_alone_is_credited_to_them(fleet):
    van, frame = _restless(fleet, pl.col("week") >= fleet.weeks[-6], 40.0)
    result = _judge(fleet, frame)
    assert flags_of(result)[van] == (UNSTEADY + LEVEL,)
    last = (
        result.trends.filter((pl.col("van_id") == van) & (pl.col("quantity") == LEVEL)).sort("week").row(-1, named=True)
    )
    assert last["alarm"]
    assert last["unsteady"]
    assert last["alarm_since"] >= fleet.weeks[-6]


def test_an_alarm_of_repeats_is_dated_by_the_visit_at_which_it_rose(fleet):
    """Not by an earlier one at which the same chart had raised another: the crosses of a picture begin where its words say."""
    seen = 0
    for times in (6.0, 12.0, 40.0):
        _, frame = _restless(fleet, pl.col("week") >= fleet.weeks[-8], times)
        trends = _judge(fleet, frame).trends.sort("week")
        for rows in trends.filter(pl.col("unsteady").any().over("van_id", "quantity")).partition_by(
            "van_id", "quantity"
        ):
            run = rows.filter(pl.col("alarm").reverse().cum_min().reverse())
            if run.height and rows["unsteady"][-1]:
                assert rows["alarm_since"][-1] == run["week"][0]
                seen += 1
    assert seen


def test_where_all_repeats_read_alike_one_step_of_the_channel_is_no_fault_and_a_restless_van_is_found(fleet):
    alike = fleet.frame.with_columns(pl.col(LEVEL).median().over("van_id", "visit"))
    vans = alike.filter(pl.col(LEVEL).is_not_null())["van_id"].unique(maintain_order=True)
    late = pl.col("week") >= fleet.weeks[-6]
    first = pl.int_range(pl.len()).over("van_id", "visit") == 0

    def moved(van: str, by: float) -> pl.Expr:
        return pl.when((pl.col("van_id") == van) & late & first).then(pl.col(LEVEL) + by).otherwise(LEVEL).alias(LEVEL)

    stepping, restless = vans[0], vans[1]
    judged = _judge(fleet, alike.with_columns(moved(stepping, 0.001)).with_columns(moved(restless, 0.06)))
    told = {
        (row["van_id"], fact["quantity"]): fact["numbers"]
        for row in judged.states.iter_rows(named=True)
        for fact in row["reason_facts"]
        if fact["code"] == "repeats_disagree"
    }
    assert list(told) == [(restless, LEVEL)]
