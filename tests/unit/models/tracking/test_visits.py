"""Visits: the representative repeat, and what stands for a visit."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.reasons import REPEAT_REASONS
from models.at_the_van.repeats import accepted
from models.tracking.representative import medoids, representatives
from models.tracking.visits import is_good, repeat_spread, throttle_from_channel, tracked_captures, visits_of
from tests.readings_fleet import make_fleet


def test_medoid_is_a_member_and_not_the_odd_one():
    points = np.array([[[0.0, 0.0], [0.1, 0.0], [9.0, 9.0]], [[8.0, np.nan], [0.0, 1.0], [np.nan, 1.05]]])
    assert medoids(points).tolist() == [1, 2]  # of the second set the last shares only near features


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


def test_where_one_snap_failed_otherwise_none_counts_for_the_throttle_at_the_van_and_in_tracking_alike():
    reasons = [["throttle_not_full"], ["throttle_not_full"], ["clipped"]]
    assert set(reasons[2]) <= set(REPEAT_REASONS)
    frame = pl.DataFrame(
        {
            "capture_id": list("abc"),
            "van_id": ["v"] * 3,
            "visit": ["one"] * 3,
            "captured_at": list(range(3)),
            "grade": ["repeat"] * 3,
            "grade_reasons": reasons,
        }
    )
    assert not tracked_captures(frame).height
    assert not accepted(frame["grade"].to_list(), reasons).size


def test_idles_are_tracked_in_visits_that_brought_no_snap_that_counts():
    idle, low = ["idle_only", "low_rate"], ["throttle_not_full"]
    frame = pl.DataFrame(
        {
            "capture_id": list("abcdefgh"),
            "van_id": ["v"] * 8,
            "visit": ["one", "one", "two", "two", "three", "three", "four", "four"],
            "captured_at": list(range(8)),
            "grade": ["good", *["repeat"] * 7],
            "grade_reasons": [[], idle, idle, idle, ["cold"], idle, low, idle],
        }
    )
    assert tracked_captures(frame)["capture_id"].to_list() == ["a", "c", "d", "f", "g"]
    assert frame.filter(is_good())["capture_id"].to_list() == ["a", "g"]  # snaps


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


def _captures(*rows: dict[str, object]) -> pl.DataFrame:
    """Captures of van v, an hour apart, with what is told of each."""
    usual: dict[str, object] = {
        "van_id": "v",
        "family": "f",
        "depot": "d",
        "visit": "one",
        "week": "2026-W10",
        "grade": "good",
        "grade_reasons": [],
        "recorder_serial": None,
        "ecu_software": None,
        "fuel": None,
        "intake_air_c": 20.0,
        "barometer_kpa": 99.0,
        "humidity_pct": 50.0,
        "altitude_m": 100.0,
        "coolant_c": 90.0,
        "hold_s": 1.0,
        "length_s": 5.0,
        "rate_hz": 1000.0,
        "idle_g_s": 3.0,
        "idle_g_s_u": 0.1,
        "lean_needles": 0.0,
        "lean_needles_u": 0.3,
        "main_peak_g_s": 60.0,
        "main_peak_g_s_u": 0.5,
        "main_peak_reference_g_s": 1.0,
        "main_peak_reference_g_s_u": 1.0,
        "held_long": True,
    }
    start = datetime(2026, 3, 2, tzinfo=UTC)
    made = [
        usual | {"capture_id": f"c{n}", "captured_at": start + timedelta(hours=n)} | row for n, row in enumerate(rows)
    ]
    text = dict.fromkeys(("recorder_serial", "ecu_software", "fuel"), pl.String)
    return pl.DataFrame(made, schema_overrides={**text, "grade_reasons": pl.List(pl.String)})


def test_each_quantity_stands_for_its_visit_by_median_or_mean_with_its_own_uncertainty():
    rows = [
        {"idle_g_s": v, "idle_g_s_u": u, "lean_needles": k, "main_peak_g_s": p, "main_peak_g_s_u": w}
        for v, u, k, p, w in ((3.0, 0.1, 0.0, 60.0, 0.5), (3.2, 0.2, 6.0, 61.0, 0.7), (9.0, 0.9, 0.0, 65.0, 0.9))
    ]
    visit = visits_of(_captures(*rows)).row(0, named=True)
    assert (visit["idle_g_s"], visit["idle_g_s_u"], visit["idle_g_s_n"]) == (3.2, 0.2, 3)
    assert visit["lean_needles"] == 2.0  # a fault that comes and goes would hide from a median
    peak = "main_peak_reference_g_s"  # as read: tracking brings it to reference conditions itself
    assert (visit[peak], visit[peak + "_u"], visit[peak + "_n"]) == (61.0, 0.7, 3)
    assert (visit["repeats"], visit["visit"], visit["captured_at"].hour) == (3, "one", 2)


def test_what_fewer_than_half_of_the_repeats_could_tell_is_not_told():
    half, third = (
        visits_of(_captures(*({"idle_g_s": v, "lean_needles": v} for v in values))).row(0, named=True)
        for values in ((3.0, None), (3.0, None, None))
    )
    assert (half["idle_g_s"], half["lean_needles"], half["idle_g_s_n"]) == (3.0, 3.0, 1)
    assert (third["idle_g_s"], third["lean_needles"], third["idle_g_s_n"]) == (None, None, 1)


def test_the_last_visit_of_a_week_stands_for_it_and_names_are_the_last_that_were_noted():
    visits = visits_of(
        _captures(
            {"visit": "one", "recorder_serial": "R1", "fuel": "E5"},
            {"visit": "two", "idle_g_s": 4.0, "recorder_serial": "R2"},
            {
                "visit": "two",
                "idle_g_s": 4.0,
                "recorder_serial": "R3",
                "fuel": "E10",
                "barometer_kpa": 97.0,
                "hold_s": 2.0,
            },
            {"visit": "two", "idle_g_s": 4.0, "barometer_kpa": 98.0, "hold_s": 1.5},
            {"visit": "six", "week": "2026-W11"},
        )
    )
    assert visits["visit"].to_list() == ["two", "six"]
    row = visits.row(0, named=True)
    assert (row["recorder_serial"], row["fuel"], row["ecu_software"]) == ("R3", "E10", None)
    assert (row["barometer_kpa"], row["hold_s"], row["idle_g_s"]) == (98.0, 1.5, 4.0)


def test_repeats_scatter_by_their_standard_deviation_and_one_alone_by_none():
    spread = repeat_spread(
        _captures(
            *({"idle_g_s": v, "main_peak_g_s": 10 * v} for v in (1.0, 2.0, 3.0)), {"visit": "two", "week": "2026-W11"}
        )
    )
    assert spread["visit"].to_list() == ["one", "two"]
    assert spread["idle_g_s"].to_list() == [1.0, None]
    assert spread["main_peak_reference_g_s"].to_list() == [10.0, None]
    assert (spread["family"][0], spread["captured_at"][0].hour) == ("f", 2)


def test_captures_come_by_van_and_time_and_what_is_to_be_repeated_is_left_out():
    frame = _captures({"van_id": "w"}, {}, {"grade": "repeat", "grade_reasons": ["flat"]}, {"grade": "doubtful"})
    shuffled = frame.reverse()
    assert tracked_captures(shuffled)["capture_id"].to_list() == ["c1", "c3", "c0"]
    assert "grade_reasons" not in tracked_captures(frame.lazy()).columns


def test_the_medoid_is_the_member_nearest_to_all_others_and_the_first_of_equals():
    line = np.array([[[0.0], [1.0], [3.0], [9.0]]])
    assert medoids(line).tolist() == [1]  # 1 + 2 + 8 = 11 against 13, 11 and 23: the first of two
    assert medoids(np.array([[[5.0], [5.0], [5.0]]])).tolist() == [0]
    gaps = np.array([[[0.0, np.nan], [0.0, 4.0], [np.nan, np.nan]]])
    assert medoids(gaps).tolist() == [0]
    two = np.array([[[0.0, 0.0], [2.0, 8.0], [2.0, 0.0]]])
    assert medoids(two).tolist() == [2]


def _chosen(captures: pl.DataFrame, shapes: pl.DataFrame | None) -> set[str]:
    return set(captures.filter(pl.Series(representatives([captures], shapes)[0]))["capture_id"])


def test_the_representative_is_the_middle_waveform_or_reading():
    rows = [{"idle_g_s": v} for v in (3.0, 3.1, 9.0)] + [{"visit": "two", "idle_g_s": v} for v in (4.0, 3.0, 3.2)]
    captures = _captures(*rows, {"visit": "six"})
    assert _chosen(captures, None) == {"c1", "c5", "c6"}
    traces = {"c0": [0.0, 0.0], "c1": [9.0, 9.0], "c2": [1.0, 1.0], "c3": [0.0, 0.0]}
    shapes = pl.DataFrame({"capture_id": list(traces), "airflow": list(traces.values())})
    assert _chosen(captures, shapes) == {"c2", "c5", "c6"}  # of the second visit not every waveform is known
    assert _chosen(captures, shapes.clear()) == {"c1", "c5", "c6"}


def test_a_snap_held_briefly_tells_what_it_can_and_leaves_the_rest_to_the_others_of_its_visit():
    brief, low = ["hold_short"], ["throttle_not_full"]
    frame = _captures(
        {"idle_g_s": 3.0, "main_peak_g_s": 20.0, "main_peak_reference_g_s": None, "grade_reasons": brief},
        {"idle_g_s": 3.2, "main_peak_g_s": 25.0, "main_peak_reference_g_s": None, "grade_reasons": brief},
        {"idle_g_s": 3.4, "main_peak_g_s": 60.0, "grade_reasons": []},
        {"visit": "low", "week": "2026-W11", "main_peak_reference_g_s": None, "grade_reasons": brief},
        {"visit": "low", "week": "2026-W11", "main_peak_g_s": 40.0, "grade": "repeat", "grade_reasons": low},
        {"visit": "low", "week": "2026-W11", "main_peak_g_s": 41.0, "grade": "repeat", "grade_reasons": low},
        {"visit": "one low", "week": "2026-W12", "main_peak_reference_g_s": None, "grade_reasons": brief},
        {"visit": "one low", "week": "2026-W12", "grade": "repeat", "grade_reasons": low},
    ).drop("held_long")
    captures = tracked_captures(frame)
    assert captures["capture_id"].to_list() == ["c0", "c1", "c2", "c3", "c4", "c5", "c6"]
    assert captures["main_peak_g_s"].to_list() == [None, None, 60.0, None, 40.0, 41.0, None]
    # what was held long speaks for the van; one alone may be a plate half open
    assert captures["low_throughout"].to_list() == [False] * 4 + [True, True, False]
    whole, weak, idle = visits_of(captures).iter_rows(named=True)
    peak = "main_peak_reference_g_s"
    assert (whole["idle_g_s"], whole[peak], whole[peak + "_n"], whole["repeats"]) == (3.2, 60.0, 1, 3)
    assert (weak[peak], idle[peak], idle["idle_g_s"]) == (40.5, None, 3.0)
    assert _chosen(captures, None) == {"c2", "c4", "c6"}
    reasons = frame["grade_reasons"].to_list()
    assert accepted(["good", "good", "good"], reasons[:3]).tolist() == [0, 1, 2]
    assert accepted(["usable", "repeat", "repeat"], reasons[3:6]).tolist() == [0, 1, 2]
    assert accepted(["usable", "repeat"], reasons[6:]).tolist() == [0]


def test_one_short_snap_in_three_is_no_visit_and_short_ones_are_left_to_the_long_ones_of_their_visit():
    brief = {"grade_reasons": ["hold_short"], "hold_s": 0.5, "main_peak_reference_g_s": None}
    name = "lambda_to_lean_time_constant_s"
    frame = _captures(
        *({**brief, name: value, name + "_u": value} for value in (0.3, None, None)),
        *({**brief, name: 0.3, name + "_u": 0.02, "visit": "mixed", "week": "2026-W11"} for _ in range(3)),
        {name: 0.1, name + "_u": 0.01, "visit": "mixed", "week": "2026-W11", "hold_s": 1.1},
        *(
            {**brief, "hold_s": hold, name: value, "visit": "brief", "week": "2026-W12"}
            for hold, value in ((0.2, None), (0.4, 0.3))
        ),
    ).drop("held_long")
    captures = tracked_captures(frame)
    third, mixed, brief_one = visits_of(captures).iter_rows(named=True)
    assert (third[name], third["idle_g_s"], third["hold_s"]) == (None, 3.0, 0.5)
    assert (mixed[name], mixed[name + "_u"], mixed[name + "_n"], mixed["repeats"]) == (0.1, 0.01, 1, 4)
    assert (brief_one[name], brief_one[name + "_n"]) == (0.3, 1)  # the other was too short to be asked
    assert repeat_spread(captures)[name].to_list() == [None, None, None]  # short and long ones scatter otherwise


def test_a_slow_record_keeps_its_main_peak_and_one_that_ends_in_the_climb_does_not():
    slow = {"grade": "usable", "grade_reasons": ["low_rate"], "rate_hz": 10.0, "main_peak_reference_g_s": None}
    ended = {"grade": "usable", "grade_reasons": ["ends_before_settle"], "main_peak_reference_g_s": None}
    short = slow | {"grade_reasons": ["low_rate", "hold_short"]}
    captures = tracked_captures(_captures(slow, ended, short, {}).drop("held_long"))
    assert captures["main_peak_g_s"].to_list() == [60.0, None, None, 60.0]
    assert captures["main_peak_g_s_u"].to_list() == [0.5, None, None, 0.5]
