"""Warranties by date and by kilometres, and the odometers they rest on."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.facts.rendering import render
from models.work.odometers import mileage_on, readings_of
from models.work.warranty import LEAST_READINGS, Warranty, days_to_drive, warranty_of

DAY = date(2026, 7, 5)
LATER, EARLIER = date(2027, 1, 1), date(2026, 1, 1)
WEEKLY = [(date(2026, 5, 3) + timedelta(weeks=week), 60_000.0 + 500.0 * week) for week in range(10)]


def captures(readings: list[tuple[str, date, float | None]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(van, datetime(day.year, day.month, day.day, 9, tzinfo=UTC), km) for van, day, km in readings],
        schema={"van_id": pl.String, "captured_at": pl.Datetime("us", "UTC"), "odometer_km": pl.Float64},
        orient="row",
    )


@pytest.mark.parametrize(
    ("until", "until_km", "km", "covered"),
    [
        (LATER, None, None, LATER),
        (EARLIER, None, None, None),
        (DAY, None, None, DAY),
        (LATER, 100_000.0, 99_999.0, LATER),
        (LATER, 100_000.0, 100_000.0, None),
        (EARLIER, 100_000.0, 5.0, None),
        (LATER, 100_000.0, None, LATER),
        (None, 100_000.0, None, None),
        (None, 100_000.0, 5.0, date.max),
        (None, 100_000.0, 100_001.0, None),
    ],
)
def test_it_ends_by_whichever_comes_first(
    until: date | None, until_km: float | None, km: float | None, covered: date | None
) -> None:
    readings = [] if km is None else [(DAY - timedelta(days=3), km)]
    warranty = warranty_of(until, until_km, readings, day=DAY)
    assert warranty is not None
    assert warranty.covered_until(DAY) == covered
    (fact,) = warranty.facts(DAY)
    assert ("by_date" in fact.words, "by_km" in fact.words) == (until is not None, until_km is not None)


def test_no_entry_is_no_warranty() -> None:
    assert warranty_of(None, None, WEEKLY, day=DAY) is None


def test_a_warranty_by_date_alone_is_said_without_kilometres() -> None:
    for until, said in ((LATER, f"until {LATER} by date"), (EARLIER, f"ended {EARLIER} by date")):
        warranty = warranty_of(until, None, WEEKLY, day=DAY)
        assert warranty is not None
        assert [render(fact) for fact in warranty.facts(DAY)] == [f"Warranty: {said}, no mileage limit on record."]
    by_km = warranty_of(None, 60_000.0, WEEKLY[:1], day=DAY)
    assert by_km is not None
    assert [render(fact, "de", "imperial") for fact in by_km.facts(DAY)] == [
        "Garantie: nach Laufleistung abgelaufen (Grenze 37.282\u00a0mi); letzter Stand 37.282\u00a0mi am 2026-05-03."
    ]


def test_kilometres_run_out_at_the_vans_own_mileage() -> None:
    warranty = warranty_of(LATER, 66_500.0, WEEKLY, day=DAY)  # 64,500 km at the last reading, 500 a week
    assert warranty is not None
    assert warranty.runs_out == (DAY + timedelta(weeks=4),) * 3  # it never varied
    assert warranty.covered_until(DAY) == DAY + timedelta(weeks=4)
    assert warranty.covered_until(DAY + timedelta(weeks=5)) is None  # the last reading is old: it will have passed them
    (fact,) = warranty.facts(DAY)
    assert fact.words["runs_out"] == "2026-08-02"
    past = warranty_of(EARLIER, 66_500.0, WEEKLY, day=DAY)
    assert past is not None
    assert "runs_out" not in past.facts(DAY)[0].words  # the date is over: kilometres no longer matter


def test_where_its_mileage_has_used_it_up_since_the_reading_sentence_and_money_agree() -> None:
    """Last read in October, used up by the end of December at its own mileage, judged in January."""
    read = [(date(2025, 8, 4) + timedelta(weeks=week), 90_000.0 + 500.0 * week) for week in range(11)]
    judged = date(2026, 1, 4)
    warranty = warranty_of(LATER, 100_000.0, read, day=judged)
    assert warranty is not None
    assert warranty.runs_out is not None
    assert read[-1][0] < warranty.runs_out[0] < judged
    assert warranty.covered_until(judged) is None
    (fact,) = warranty.facts(judged)
    assert (fact.words["by_date"], fact.words["by_km"]) == ("stands", "driven")
    assert "probably ended by mileage since the last reading (limit 100,000\u00a0km)" in render(fact)
    in_german_miles = render(fact, "de", "imperial")
    assert "nach Laufleistung seit dem letzten Stand wohl abgelaufen (Grenze 62" in in_german_miles
    assert "ilometer" not in in_german_miles
    earlier = warranty.runs_out[0]
    assert warranty.facts(earlier)[0].words["by_km"] == "stands"
    assert warranty.covered_until(earlier) == earlier


def test_the_interval_holds_four_times_in_five() -> None:
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(400):
        daily = rng.gamma(0.6, 90.0, 700)
        driven = np.concatenate([[0.0], np.cumsum(daily)])
        readings = [(EARLIER + timedelta(days=int(day)), float(driven[day])) for day in range(0, 183, 7)]
        span = days_to_drive(readings, 4000.0)
        assert span is not None
        came = float(np.argmax(driven >= readings[-1][1] + 4000.0)) - 182
        held += span.low <= came <= span.high
    assert 0.72 <= held / 400 <= 0.88


def test_too_few_readings_or_a_van_that_stands_tell_nothing() -> None:
    assert days_to_drive(WEEKLY[: LEAST_READINGS - 1], 100.0) is None
    assert days_to_drive(WEEKLY[:3], 100.0) is None  # two weeks
    assert days_to_drive([(day, 5.0) for day, _ in WEEKLY], 100.0) is None
    assert Warranty(LATER, 100.0).by_km is None


def test_readings_that_cannot_be_right_are_left_out() -> None:
    days = [date(2026, 3, 1) + timedelta(weeks=week) for week in range(6)]
    slips = captures(
        [("a", day, km) for day, km in zip(days, [100.0, 600.0, 71_100.0, 1_600.0, 2_100.0, 260.0], strict=True)]
        + [("b", day, km) for day, km in zip(days, [100.0, None, 6.0, 1_600.0, 2_100.0, 26_000.0], strict=True)]
        + [("c", days[0], -5.0), ("c", days[1], float("nan")), ("d", days[0], 40.0)]
    )
    left = dict(readings_of(slips).group_by("van_id").agg("km").iter_rows())
    assert left == {"a": [100.0, 600.0, 1_600.0, 2_100.0], "b": [100.0, 1_600.0, 2_100.0], "d": [40.0]}
    assert readings_of(slips.clear()).is_empty()


def test_mileage_lies_on_a_line_between_readings_and_is_carried_on_for_a_while() -> None:
    readings = readings_of(captures([("a", date(2026, 3, 1), 1000.0), ("a", date(2026, 3, 11), 2000.0)]))
    vans = pl.DataFrame(
        {"van_id": ["a", "b"], "in_service_on": [date(2025, 2, 24), None]},
        schema={"van_id": pl.String, "in_service_on": pl.Date},
    )
    asked = pl.DataFrame(
        {
            "van_id": ["a", "a", "a", "a", "a", "b", "a"],
            "day": [
                date(2025, 2, 24),
                date(2026, 3, 6),
                date(2026, 3, 11),
                date(2026, 4, 1),
                date(2026, 7, 1),
                DAY,
                date(2025, 1, 1),
            ],
        }
    )
    km = mileage_on(readings, vans, asked)["km"].to_list()
    assert km[:3] == [0.0, 1500.0, 2000.0]
    assert km[3] == pytest.approx(2000.0 + 21 * 2000.0 / 380)
    assert km[4:] == [None, None, None]
