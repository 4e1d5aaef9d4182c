"""Visits: representative repeats, combined degrees of freedom."""

import numpy as np
import polars as pl
import pytest

from models.tracking.visits import (
    effective_degrees_of_freedom,
    medoids,
    throttle_from_channel,
    tracked_captures,
    visits_of,
)
from tests.readings_fleet import make_fleet


def test_medoid_is_a_member_and_not_the_odd_one():
    points = np.array([[[0.0, 0.0], [0.1, 0.0], [9.0, 9.0]], [[8.0, np.nan], [0.0, 1.0], [np.nan, 1.05]]])
    assert medoids(points).tolist() == [1, 2]  # of the second set the last shares only near features


def test_gum_example_h1():
    # JCGM 100:2008 H.1: contributions 25, 9.7, 3.9, 5.8... combine to 32 nm with 16 effective degrees of freedom (as remembered:
    # 25 nm with 18, 9.7 with 25.6, 2.9 with 50, 16.6 with 2 degrees).
    u, degrees = np.array([25.0, 9.7, 2.9, 16.6]), np.array([18.0, 25.6, 50.0, 2.0])
    assert np.sqrt(np.sum(u**2)) == pytest.approx(31.66, abs=0.05)
    assert effective_degrees_of_freedom(u, degrees) == pytest.approx(16.75, abs=0.2)


def test_a_visit_is_the_median_of_its_repeats_and_the_last_of_its_week():
    fleet = make_fleet(vans=4, weeks=3, seed=2)
    captures = tracked_captures(fleet.frame)
    visits = visits_of(captures)
    assert visits.select("van_id", "week").is_duplicated().sum() == 0
    row = visits.row(0, named=True)
    own = captures.filter(visit=row["visit"])
    assert row["idle_g_s"] == pytest.approx(np.median(own["idle_g_s"].to_numpy()))
    assert row["idle_g_s_n"] == row["repeats"] == 3


def test_a_visit_low_in_every_capture_is_the_van_and_not_the_foot():
    """A low main peak sends a capture back; where every capture of a visit is low, the van is tracked all the same."""
    low, cold = ["throttle_not_full", "low_rate"], ["cold", "throttle_not_full"]
    frame = pl.DataFrame(
        {
            "capture_id": list("abcdef"),
            "van_id": ["v"] * 6,
            "visit": ["one", "one", "two", "two", "three", "three"],
            "captured_at": list(range(6)),
            "grade": ["good", "repeat", "repeat", "repeat", "repeat", "repeat"],
            "grade_reasons": [[], low, low, low, cold, ["flat"]],
        }
    )
    assert tracked_captures(frame)["capture_id"].to_list() == ["a", "c", "d"]


def test_a_throttle_opening_told_from_the_shape_is_not_followed():
    channel, unknown_open, shape, doubted = (
        0.01,
        0.04,
        0.08,
        0.20,
    )  # models/reading/air_trace/throttle.py's own four uncertainties
    captures = pl.LazyFrame(
        {
            "throttle_opened": [0.7, 0.7, 0.7, 0.7, None],
            "throttle_opened_u": [channel, unknown_open, shape, doubted, None],
        }
    )
    followed = throttle_from_channel(captures).collect()
    assert followed["throttle_opened"].to_list() == [0.7, 0.7, None, None, None]
    assert followed["throttle_opened_u"].to_list() == [channel, unknown_open, None, None, None]
    without = pl.LazyFrame({"idle_g_s": [1.0]})
    assert throttle_from_channel(without).collect().equals(without.collect())
