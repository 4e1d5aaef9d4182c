"""What bears on the next test of a van: visits, wear, signs and suspicions, with columns left out or half empty."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.tables import CAPTURES, REPAIRS, TRENDS, VANS, WATCHLIST, polars_schema
from data_contracts.weeks import week_of
from models.work.testing_plan import VanToTest
from models.work.vans_to_test import (
    CODE_READ,
    LEAST_WEAR,
    MOST_WEAR,
    REPAIRED,
    REPAIRED_WEEKS,
    WARNED,
    Known,
    bearing_on_tests,
    vans_to_test,
)
from tests.readings_fleet import families

WEEK = "2026-W14"
LAST = datetime(2026, 4, 2, 9, tzinfo=UTC)


def frame(table: object, rows: list[dict[str, object]]) -> pl.DataFrame:
    schema = polars_schema(table)  # type: ignore[arg-type]
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema=schema)


def captures(*rows: dict[str, object]) -> pl.DataFrame:
    base = {"week": WEEK, "visit": "one", "grade": "good", "grade_reasons": [], "fault_codes": [], "captured_at": LAST}
    return frame(CAPTURES, [base | row for row in rows])


def found(
    taken: pl.DataFrame,
    vans: list[dict[str, object]],
    *,
    p: dict[str, float | None] | None = None,
    trends: list[dict[str, object]] | None = None,
    listed: list[dict[str, object]] | None = None,
    repairs: list[dict[str, object]] | None = None,
    columns: tuple[str, ...] = ("in_service_on", "odometer_km"),
    **more: object,
) -> dict[str, VanToTest]:
    known = Known(
        frame(VANS, [{"family": "heron-16", "depot": "north"} | van for van in vans]).select(
            "van_id", "family", "depot", *columns
        ),
        families(),
        pl.DataFrame(
            {"van_id": list(p or {}), "anomaly_p": list((p or {}).values())},
            schema={"van_id": pl.String, "anomaly_p": pl.Float64},
        ),
        frame(TRENDS, trends or []),
        frame(WATCHLIST, listed or []),
        frame(REPAIRS, repairs or []),
        **more,  # type: ignore[arg-type]
    )
    of_all = vans_to_test(known, taken, WEEK)
    assert vans_to_test(replace(known, trends=bearing_on_tests(known.trends)), taken, WEEK) == of_all
    return {van.van_id: van for van in of_all}


def codes(van: VanToTest) -> list[str]:
    return [fact.code for fact in van.signs]


def test_days_with_a_usable_recording_are_visits_and_nothing_later_counts() -> None:
    rows = [
        {"van_id": "a"},
        {"van_id": "a", "captured_at": LAST + timedelta(minutes=4)},
        {"van_id": "a", "captured_at": LAST - timedelta(days=8)},
        {"van_id": "a", "captured_at": LAST - timedelta(days=1), "grade": "repeat"},
        {"van_id": "a", "captured_at": LAST + timedelta(days=9), "week": "2026-W15"},
        {"van_id": "b", "grade": "repeat"},
    ]
    vans = found(captures(*rows), [{"van_id": name} for name in "abc"])
    assert vans["a"].visits == (date(2026, 3, 25), date(2026, 4, 2))
    assert vans["b"].visits == vans["c"].visits == ()
    assert math.isnan(vans["c"].severity)
    assert vans["c"].turbo is False


def test_what_is_tracked_is_a_visit_though_it_was_sent_back() -> None:
    rows = [
        {"van_id": "idle", "grade": "repeat", "grade_reasons": ["idle_only", "no_snap"], "fault_codes": ["P0171"]},
        {"van_id": "low", "grade": "repeat", "grade_reasons": ["throttle_not_full"]},
        {"van_id": "cold", "grade": "repeat", "grade_reasons": ["cold"]},
    ]
    vans = found(captures(*rows), [{"van_id": name} for name in ("idle", "low", "cold")])
    assert vans["idle"].visits == vans["low"].visits == (LAST.date(),)
    assert codes(vans["idle"]) == ["test_code"]
    assert vans["cold"].visits == ()


@pytest.mark.parametrize("columns", [(), ("in_service_on",), ("odometer_km",), ("in_service_on", "odometer_km")])
def test_age_and_mileage_may_be_left_out(columns: tuple[str, ...]) -> None:
    vans = [
        {"van_id": name, "in_service_on": day}
        for name, day in (("new", date(2025, 4, 2)), ("old", date(2016, 4, 2)), ("between", date(2021, 4, 2)))
    ]
    told = found(captures(), vans, columns=columns)
    if "in_service_on" in columns:
        assert told["new"].wear == pytest.approx(LEAST_WEAR)
        assert told["between"].wear == pytest.approx(1.0)
        assert told["old"].wear == pytest.approx(math.sqrt(2.0), rel=0.01)
        assert codes(told["old"]) == ["test_worn"]
        assert codes(told["between"]) == []
    else:
        assert {van.wear for van in told.values()} == {1.0}


def test_mileage_read_at_a_visit_wins_over_the_register_s_and_over_age() -> None:
    vans = [{"van_id": name, "odometer_km": 1000.0, "in_service_on": date(2020, 1, 1)} for name in "abcd"]
    vans[3]["odometer_km"] = None
    read = captures(
        *({"van_id": name, "odometer_km": km} for name, km in (("a", 40_000.0), ("b", 160_000.0), ("c", 0.0)))
    )
    told = found(read, vans)
    middle = 40_000.0  # of 40,000, 160,000 and the register's 1,000
    assert told["a"].wear == pytest.approx(math.sqrt(40_000 / middle))
    assert told["b"].wear == MOST_WEAR
    assert told["c"].wear == LEAST_WEAR
    assert told["d"].wear == pytest.approx(1.0)  # by age, as the others


def test_signs_of_a_van_that_is_not_on_the_list() -> None:
    taken = captures(*({"van_id": name} for name in "abdef"), {"van_id": "c", "fault_codes": ["P0171", "X9"]})
    trends = [
        {"van_id": van_id, "week": week, "quantity": quantity, "z": z, "alarm": False}
        for van_id, week, quantity, z in (
            ("b", WEEK, "idle_g_s", -2.4),
            ("b", WEEK, "trim_idle_pct", 0.4),
            ("d", WEEK, "idle_g_s", 2.2),
            ("e", "2026-W10", "idle_g_s", 2.9),  # earlier; nothing at its last visit
            ("e", WEEK, "idle_g_s", None),
        )
    ]
    told = found(
        taken, [{"van_id": name} for name in "abcdef"], p={"a": 0.01, "b": 0.6, "c": None, "f": 0.3}, trends=trends
    )
    assert told["a"].sign == pytest.approx(-1.0 / (math.e * 0.01 * math.log(0.01)))
    assert codes(told["a"]) == ["test_unusual"]
    assert (told["b"].sign, codes(told["b"]), told["b"].signs[0].quantity) == (WARNED, ["test_moving"], "idle_g_s")
    assert (told["c"].sign, codes(told["c"])) == (CODE_READ, ["test_code"])
    assert (told["d"].sign, told["e"].sign) == (1.0, 1.0)
    assert (told["f"].sign, codes(told["f"])) == (1.0, [])  # hardly unusual


def test_a_van_on_the_list_brings_its_causes_and_a_dangerous_one_is_told() -> None:
    row = {
        "van_id": "a",
        "leading_cause": "unmetered_air",
        "causes": [{"code": "unmetered_air", "probability": 0.6}, {"code": "none", "probability": 0.4}],
        "reason_facts": [],
    }
    other = row | {
        "van_id": "b",
        "leading_cause": "not_separable",
        "causes": [{"code": "lambda_slow", "probability": 1.0}],
    }
    third = other | {
        "van_id": "c",
        "causes": [{"code": "fuel_aeration", "probability": 0.3}, {"code": "lambda_slow", "probability": 0.7}],
        "reason_facts": [Fact.of("dangers_likely", probability=0.3, cause="fuel_aeration").row()],
    }
    told = found(
        captures({"van_id": "a", "fault_codes": ["P0171"]}),
        [{"van_id": "a"}, {"van_id": "b"}, {"van_id": "c"}],
        p={"a": 1e-4},
        listed=[row, other, third],
        severity={"a": 0.7},
    )
    assert told["a"].probability == {"unmetered_air": 0.6, "none": 0.4}
    assert (told["a"].sign, told["a"].severity) == (1.0, 0.7)  # what the readings say is in the causes already
    assert codes(told["a"]) == ["test_listed", "test_danger"]
    assert told["a"].signs[0].numbers["probability"] == pytest.approx(0.6)
    assert told["a"].signs[0].words == {"cause": "unmetered_air"}
    assert codes(told["b"]) == ["test_listed"]
    assert codes(told["c"]) == ["test_listed", "test_danger"]  # as the list has it
    assert told["b"].signs[0].words == {}


def test_recent_work_and_a_repair_being_proven() -> None:
    repairs = [
        {"repair_id": name, "van_id": name, "done_at": LAST - timedelta(weeks=weeks), "work": "w"}
        for name, weeks in (("a", 2), ("b", 12), ("c", 2))
    ]
    told = found(captures(), [{"van_id": name} for name in "abc"], repairs=repairs, proving={"c": "2026-03-19"})
    assert (told["a"].wear, codes(told["a"])) == (REPAIRED, ["test_repaired"])
    assert (told["b"].wear, codes(told["b"])) == (1.0, [])
    assert (told["c"].wear, codes(told["c"]), told["c"].proving_since) == (REPAIRED, [], "2026-03-19")


def test_no_van_no_row_and_a_family_nobody_knows() -> None:
    assert found(captures(), []) == {}
    told = found(captures({"van_id": "stranger"}), [{"van_id": "a", "family": "unknown"}])
    assert list(told) == ["a"]
    assert told["a"].turbo is None


def test_signs_of_earlier_visits_are_kept_with_their_day() -> None:
    rows = [
        {"van_id": "a", "captured_at": LAST - timedelta(weeks=ago), "week": f"2026-W{14 - ago}"} for ago in (0, 1, 3)
    ]
    trends = [
        {"van_id": "a", "week": week, "quantity": quantity, "z": z, "alarm": False}
        for week, quantity, z in (
            ("2026-W11", "idle_g_s", -3.0),
            ("2026-W11", "trim_idle_pct", 0.1),
            ("2026-W13", "idle_g_s", 2.0),
            (WEEK, "idle_g_s", 2.6),
        )
    ]
    van = found(captures(*rows), [{"van_id": "a"}], trends=trends)["a"]
    assert van.signs_before == {date(2026, 3, 12): WARNED}
    assert van.sign == WARNED


def test_residuals_count_again_once_a_repair_is_some_weeks_old() -> None:
    days = [LAST - timedelta(weeks=weeks) for weeks in (0, 2, 4, 6)]
    rows = [{"van_id": van_id, "captured_at": day, "week": week_of(day.date())} for van_id in "abc" for day in days]
    trends = [{"van_id": row["van_id"], "week": row["week"], "quantity": "idle_g_s", "z": 5.0} for row in rows]
    repairs = [
        {"repair_id": van_id, "van_id": van_id, "done_at": LAST - timedelta(weeks=weeks), "work": "w"}
        for van_id, weeks in (("a", REPAIRED_WEEKS - 1), ("b", REPAIRED_WEEKS + 3))
    ]
    told = found(captures(*rows), [{"van_id": name} for name in "abc"], trends=trends, repairs=repairs)
    assert (told["a"].sign, told["a"].signs_before) == (1.0, {})
    assert (told["b"].sign, list(told["b"].signs_before)) == (WARNED, [days[1].date()])
    assert sorted(told["c"].signs_before) == sorted(day.date() for day in days[1:])
