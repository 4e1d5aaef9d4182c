"""How long parts last: lives made of a record of work, held against fleets whose parts last as drawn."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import EVERY_CAUSE
from data_contracts.limits import LEAST_REMOVALS
from data_contracts.tables import PART_LIVES, polars_schema
from data_contracts.weeks import DAYS_A_MONTH
from models.work.odometers import readings_of
from models.work.part_lives import lives_of, part_lives, parts_of, turbo_only

SINCE, UNTIL = date(2018, 1, 1), date(2026, 7, 5)
WORKS = {"van_id": pl.String, "day": pl.Date, "part": pl.String}
NO_READINGS = readings_of(
    pl.DataFrame(schema={"van_id": pl.String, "captured_at": pl.Datetime("us", "UTC"), "odometer_km": pl.Float64})
)


def vans(*rows: tuple[str, date | None], turbo: bool | None = None) -> pl.DataFrame:
    schema = {"van_id": pl.String, "in_service_on": pl.Date, "turbo": pl.Boolean}
    return pl.DataFrame([(*row, turbo) for row in rows], schema=schema, orient="row")


def works(*rows: tuple[str, date, str]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=WORKS, orient="row")


def drawn_fleet(seed: int, count: int, *, since: date) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Vans, their work and odometers: lambda sensors of a median of 40 months, on vans that drive 1,500 km a month; what was
    done before `since` is not on record."""
    rng = np.random.default_rng(seed)
    service = {f"v{n}": date(2019, 1, 1) + timedelta(days=int(rng.uniform(0, 2500))) for n in range(count)}
    done, read = [], []
    for van_id, first in service.items():
        day = first
        while True:
            day += timedelta(days=float(rng.weibull(3.0)) * 40 / np.log(2) ** (1 / 3) * DAYS_A_MONTH)
            if day > UNTIL:
                break
            if day >= since:
                done.append((van_id, day, "lambda_sensor"))
        for weeks in (26, 0):
            at = UNTIL - timedelta(weeks=weeks)
            moment = datetime(at.year, at.month, at.day, tzinfo=UTC)
            read.append((van_id, moment, max((at - first).days, 0) / DAYS_A_MONTH * 1500.0))
    readings = pl.DataFrame(
        read,
        schema={"van_id": pl.String, "captured_at": pl.Datetime("us", "UTC"), "odometer_km": pl.Float64},
        orient="row",
    )
    return vans(*service.items()), works(*done), readings_of(readings)


def test_the_lives_that_were_drawn_come_back() -> None:
    fleet, done, readings = drawn_fleet(1, 300, since=date(2018, 1, 1))
    rows = part_lives(lives_of(done, fleet, readings, since=SINCE, until=UNTIL), week="2026-W27", since=SINCE)
    assert list(polars_schema(PART_LIVES)) == rows.columns
    km, months = rows.iter_rows(named=True)
    assert (km["unit"], months["unit"]) == ("km", "months")
    assert months["removals"] == done.height
    assert months["running"] == 300  # one in every van goes on
    assert months["early"] == 0
    for row, true in ((months, 40.0), (km, 60_000.0)):
        for name in ("half", "weibull_half"):
            assert row[name] == pytest.approx(true, rel=0.1)
            assert row[f"{name}_low"] <= true <= row[f"{name}_high"]
        assert row["shape_low"] > 2.0


def test_a_record_that_began_late_does_not_lengthen_lives() -> None:
    """Half of the vans are older than the record; only work in its two and a half years is known. Their first parts were
    replaced before, unseen, in part: counted as first ones they would last too long, and this is said by `early`."""
    since = date(2024, 1, 1)
    fleet, done, readings = drawn_fleet(2, 600, since=since)
    young = fleet.filter(pl.col("in_service_on") >= date(2021, 1, 1))
    lives = lives_of(done, young, readings, since=since, until=UNTIL)
    rows = part_lives(lives, week="2026-W27", since=since)
    months = rows.filter(pl.col("unit") == "months").row(0, named=True)
    assert 0 < months["early"] < months["removals"] + months["running"]
    assert months["weibull_half"] == pytest.approx(40.0, rel=0.15)
    early = lives.filter("early")
    assert (early["entry_months"] > 0).all()
    assert early["entry_months"].max() == pytest.approx(36.0, abs=0.5)  # from 2021 to 2024


def test_what_makes_a_life() -> None:
    fleet = vans(("a", date(2020, 1, 1)), ("b", None), ("c", date(2027, 1, 1)), ("d", date(2022, 7, 5)))
    done = works(
        ("a", date(2019, 5, 1), "ignition"),  # before it was in service
        ("a", date(2022, 1, 1), "ignition"),
        ("a", date(2022, 1, 4), "ignition"),  # the same job, written down twice
        ("a", date(2023, 1, 1), "ignition"),
        ("b", date(2024, 1, 1), "ignition"),  # its first part's beginning is not known
        ("b", date(2026, 8, 1), "ignition"),  # not yet
        ("e", date(2024, 1, 1), "ignition"),  # no van of the register
    )
    lives = lives_of(done, fleet, NO_READINGS, since=SINCE, until=UNTIL)
    told = [
        (row["van_id"], row["ended"], round(row["exit_months"]))
        for row in lives.sort("van_id", "exit_months").iter_rows(named=True)
    ]
    assert told == [("a", True, 12), ("a", True, 24), ("a", False, 42), ("b", False, 30), ("d", False, 48)]
    assert lives["exit_km"].null_count() == lives.height
    assert lives_of(works(), fleet, NO_READINGS, since=SINCE, until=UNTIL).is_empty()
    nobody = lives_of(done, vans(), NO_READINGS, since=SINCE, until=UNTIL)
    assert part_lives(nobody, week="2026-W27", since=SINCE).is_empty()


def test_little_is_counted_and_not_judged() -> None:
    fleet = vans(*((f"v{n}", date(2020, 1, 1)) for n in range(20)))
    for removals in (LEAST_REMOVALS - 1, LEAST_REMOVALS):
        done = works(*((f"v{n}", date(2022, 1, 1) + timedelta(days=40 * n), "ignition") for n in range(removals)))
        rows = part_lives(lives_of(done, fleet, NO_READINGS, since=SINCE, until=UNTIL), week="2026-W27", since=SINCE)
        km, months = rows.iter_rows(named=True)
        assert (months["removals"], months["running"], km["removals"]) == (removals, 20, 0)
        assert (months["weibull_half"] is not None) == (removals == LEAST_REMOVALS)
        assert km["weibull_half"] is None
        assert months["half"] is None  # most still run


def test_early_ends_that_the_curve_leaves_out_are_said() -> None:
    """Four young parts ended before thirty old vans came under observation: the curve is of those that outlast them."""
    since = date(2020, 1, 1)
    young = {f"y{n}": date(2020, 1, 1) for n in range(4)}
    old = {f"o{n}": date(2017, 1, 1) for n in range(30)}
    done = [(van, day + timedelta(days=60 + 30 * n), "ignition") for n, (van, day) in enumerate(young.items())]
    done += [(van, date(2020, 6, 1) + timedelta(days=40 * n), "ignition") for n, van in enumerate(list(old)[:25])]
    lives = lives_of(works(*done), vans(*young.items(), *old.items()), NO_READINGS, since=since, until=UNTIL)
    first = lives.filter(pl.col("ended") | pl.col("early"))  # without the parts put in, which are young again
    rows = part_lives(first, week="2026-W27", since=since)
    months = rows.filter(pl.col("unit") == "months").row(0, named=True)
    assert months["removals"] == 29
    assert months["half_from"] == pytest.approx((60 + 90) / DAYS_A_MONTH)
    assert months["half"] > 36.0
    fleet, done_all, readings = drawn_fleet(1, 60, since=date(2018, 1, 1))
    rows = part_lives(lives_of(done_all, fleet, readings, since=SINCE, until=UNTIL), week="2026-W27", since=SINCE)
    assert rows["half_from"].to_list() == [None, None]  # of all


def test_only_turbocharged_vans_have_charge_air() -> None:
    assert turbo_only("charge_air")
    assert not turbo_only("ignition")
    done = works(("v0", date(2022, 1, 1), "charge_air"))
    names = [(f"v{n}", date(2020, 1, 1)) for n in range(4)]
    for turbo, running in ((True, 4), (None, 4), (False, 1)):
        lives = lives_of(done, vans(*names, turbo=turbo), NO_READINGS, since=SINCE, until=UNTIL)
        assert lives.filter(~pl.col("ended")).height == running


def test_parts_of_repairs() -> None:
    assert parts_of(["lambda_sensor", "brakes", "service"]) == ("lambda_sensor",)
    assert parts_of(["lambda_slow", "lambda_sensor"]) == ("lambda_sensor",)
    assert parts_of(["ignition_weak"]) == ("ignition",)
    assert parts_of(["tank-unit"], {"tank-unit"}) == ("tank-unit",)
    assert parts_of(["tank-unit"]) == ()
    assert all(len(parts_of([code])) <= 1 for code in EVERY_CAUSE)
    named = {code: parts_of([code]) for code in ("airflow_under_reading", "injector_leaking", "throttle_not_full")}
    assert named == {
        "airflow_under_reading": ("air_mass_sensor",),
        "injector_leaking": ("injectors",),
        "throttle_not_full": ("throttle",),
    }
