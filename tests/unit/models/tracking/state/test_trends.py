"""What a van is called for, and against which limit: apparent responses, wild first visits, families that read high."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.tracking.assess import Assessment, assess
from models.tracking.charts.family_limits import family_limits
from tests.readings_fleet import families, make_fleet, no_repairs

RICH = "lambda_to_rich_time_constant_s"


def _judge(fleet, frame: pl.DataFrame) -> Assessment:
    return assess(frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1])


def test_a_response_limit_is_the_sensors_allowance_on_top_of_what_the_family_reads():
    family = families()["heron-16"]  # sensor expected 0.05 s, limit 0.12 s
    assert family_limits(family, RICH, 0.30) == (pytest.approx(np.nan, nan_ok=True), pytest.approx(0.37))
    assert family_limits(family, "bank2_" + RICH, 0.30)[1] == pytest.approx(0.37)
    assert family_limits(family, RICH, 0.03)[1] == 0.12  # never below the register's own
    assert np.isnan(family_limits(family, RICH, np.nan)[1])
    assert np.isnan(family_limits(replace(family, expected_time_constant_s=None), RICH, 0.30)[1])
    assert family_limits(family, "main_peak_reference_g_s", 60.0)[0] == 54.0


def test_a_family_that_reads_slower_than_its_sensors_is_not_beyond_the_limit():
    fleet = make_fleet(vans=45, weeks=16, seed=12, faulty=0.0)
    slow = fleet.frame.with_columns(pl.col(RICH) + 0.2)
    result = _judge(fleet, slow)
    rows = result.trends.filter((pl.col("quantity") == RICH) & (pl.col("week") == fleet.weeks[-1]))
    assert rows["value"].median() > 0.12  # beyond the figure for the sensor alone
    assert (rows["weeks_to_limit"].fill_null(np.inf) > 0).all()
    assert not result.states["limit_crossed"].any()


def test_a_slow_sensor_of_such_a_family_is_still_called_and_told_against_what():
    fleet = make_fleet(vans=45, weeks=16, seed=12, faulty=0.0)
    van = fleet.frame.filter(pl.col(RICH).is_not_null())["van_id"][0]
    late = (pl.col("van_id") == van) & (pl.col("week") >= fleet.weeks[10])
    value = pl.col(RICH) + 0.2
    slow = fleet.frame.with_columns(pl.when(late).then(value + 0.3).otherwise(value).alias(RICH))
    row = _judge(fleet, slow).states.row(by_predicate=pl.col("van_id") == van, named=True)
    assert (row["listed"], row["limit_crossed"], row["weeks_to_limit"]) == (True, False, 0.0)
    assert row["weeks_to_pressing_limit"] in (None, np.inf)  # it costs fuel and the periodic test, rarely more
    codes = [fact["code"] for fact in row["reason_facts"]]
    assert codes[codes.index("limit_crossed") + 1] == "limit_translated"


def test_wild_first_visits_do_not_turn_a_good_van_into_an_alarm():
    fleet = make_fleet(vans=45, weeks=16, seed=12, faulty=0.0)
    van = fleet.frame.filter(pl.col("run_up_time_s").is_not_null())["van_id"][0]
    wild = (pl.col("van_id") == van) & (pl.col("week") < fleet.weeks[6])
    odd = fleet.frame.with_columns(pl.when(wild).then(0.02).otherwise("run_up_time_s").alias("run_up_time_s"))
    result = _judge(fleet, odd)
    assert van not in set(result.states.filter("listed")["van_id"])
