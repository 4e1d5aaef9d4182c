"""The surroundings end to end: a depot's barometer, a recorder's gain, turbo exponents, conditions nobody measured."""

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from data_contracts.family import parse_family
from data_contracts.limits import ZERO_CELSIUS_K
from models.physics.speed_density import temperature_u
from models.tracking.assess import Assessment, assess
from models.tracking.standardise import Standardised, standardise
from models.tracking.visits import MAIN_PEAK, repeat_spread, tracked_captures, visits_of
from tests.readings_fleet import FAMILIES_TABLE, ReadingsFleet, families, make_fleet, no_repairs

FLOWS = ("idle_g_s", "first_peak_g_s", "main_peak_g_s", "main_peak_reference_g_s")
AMBIENT = ("intake_air_c", "barometer_kpa", "humidity_pct", "altitude_m")


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return make_fleet(vans=45, weeks=20, seed=4, faulty=0.0)


@pytest.fixture(scope="module")
def measured(fleet) -> Assessment:
    return _judge(fleet, fleet.frame)


def _judge(fleet: ReadingsFleet, frame: pl.DataFrame) -> Assessment:
    return assess(frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1])


def _listed(result: Assessment) -> set[str]:
    return set(result.states.filter("listed")["van_id"])


def _week(fleet: ReadingsFleet) -> pl.Expr:
    return pl.col("week").replace_strict({w: k for k, w in enumerate(fleet.weeks)}, return_dtype=pl.Float64)


def _where(frame: pl.DataFrame, when: pl.Expr, columns: Sequence[str], values: Sequence[pl.Expr]) -> pl.DataFrame:
    return frame.with_columns(
        pl.when(when).then(value).otherwise(pl.col(c)).alias(c) for c, value in zip(columns, values, strict=True)
    )


@pytest.mark.parametrize("hectopascal", [6.0, 15.0])
def test_a_drifting_barometer_lists_no_van(fleet, hectopascal):
    drift = pl.col("barometer_kpa") + hectopascal / 10.0 / 20.0 * _week(fleet)
    result = _judge(fleet, _where(fleet.frame, pl.col("depot") == "depot-1", ["barometer_kpa"], [drift]))
    assert not _listed(result)


@pytest.mark.parametrize("gain", [1.02, 0.96])
def test_a_recorders_gain_lists_none_of_the_vans_that_share_it(fleet, gain):
    when = (pl.col("recorder_serial") == "R2") & (_week(fleet) >= 10)
    assert fleet.frame.filter(when)["van_id"].n_unique() >= 10
    result = _judge(fleet, _where(fleet.frame, when, FLOWS, [pl.col(c) * gain for c in FLOWS]))
    assert not _listed(result)


def test_a_recorder_of_one_van_is_named_as_a_possible_reason(fleet, measured):
    van = fleet.frame.filter(pl.col("family") == "heron-16")["van_id"][0]
    alone = _where(fleet.frame, pl.col("van_id") == van, ["recorder_serial"], [pl.lit("R99")])
    when = (pl.col("van_id") == van) & (_week(fleet) >= 10)
    result = _judge(fleet, _where(alone, when, FLOWS, [pl.col(c) * 0.96 for c in FLOWS]))
    assert van in _listed(result)
    reasons = result.states.row(by_predicate=pl.col("van_id") == van, named=True)["reason_facts"]
    assert any(fact["code"] == "lone_recorder" and fact["words"] == {"recorder": "R99"} for fact in reasons)
    shared = _judge(fleet, _where(fleet.frame, when, FLOWS, [pl.col(c) * 0.94 for c in FLOWS]))
    assert van in _listed(shared)
    reasons = shared.states.row(by_predicate=pl.col("van_id") == van, named=True)["reason_facts"]
    assert not any(fact["code"] == "lone_recorder" for fact in reasons)


@pytest.mark.parametrize(("pressure", "temperature"), [(0.97, 0.52), (0.6, 0.3)])
def test_turbo_exponents_are_what_the_data_say(pressure, temperature):
    # The fleet is drawn with 0.93 and 0.62 for every family; what is put on top is the difference to the wanted ones.
    fleet = make_fleet(vans=90, weeks=40, seed=9, faulty=0.0, missing=0.0)
    more = (
        (pressure - 0.93) * (pl.col("barometer_kpa") / 99.0).log()
        - (temperature - 0.62) * ((pl.col("intake_air_c") + 273.15) / 298.15).log()
    ).exp()
    frame = _where(fleet.frame, pl.col("family") == "heron-16t", FLOWS, [pl.col(c) * more for c in FLOWS])
    captures = tracked_captures(frame.lazy())
    std = standardise(visits_of(captures), repeat_spread(captures), families(), no_repairs())
    slopes = std.covariate_slopes[std.families.index("heron-16t"), std.quantities.index(MAIN_PEAK)]
    u = np.sqrt(np.diag(slopes.covariance)[:2])
    assert np.all(np.abs(slopes.mean[:2] - [pressure, temperature]) < 3.0 * u)
    assert np.all(u < 0.15)


def test_missing_conditions_widen_every_row_and_alarm_nobody(fleet, measured):
    frame, days = fleet.frame, pl.col("captured_at").dt.weekday()
    first = frame.group_by("depot").agg(pl.col("van_id").min())["van_id"].to_list()
    nothing = [pl.lit(None, dtype=pl.Float64)] * len(AMBIENT)
    never = _judge(fleet, _where(frame, pl.lit(True), AMBIENT, nothing))
    some_days = _judge(fleet, _where(frame, days > 2, AMBIENT, nothing))
    neighbour = _judge(fleet, _where(frame, ~pl.col("van_id").is_in(first), AMBIENT, nothing))
    key = ["van_id", "week", "quantity"]
    known = measured.trends.filter((pl.col("quantity") == MAIN_PEAK) & (pl.col("air_from") == "measured"))
    for result, steps in (
        (never, {"unmeasured"}),
        (some_days, {"depot_week"}),
        (neighbour, {"depot_day", "depot_week"}),
    ):
        assert not _listed(result)
        assert not result.trends["alarm"].any()
        rows = result.trends.filter((pl.col("quantity") == MAIN_PEAK) & pl.col("air_from").is_in(list(steps)))
        both = rows.join(known.select(*key, known_u="value_u"), on=key)
        assert both.height > 100
        assert (both["value_u"] > both["known_u"]).mean() > 0.99
    by_step = {
        step: float((rows["value_u"] / rows["value"]).median())
        for result in (never, some_days, neighbour, measured)
        for (step,), rows in result.trends.filter(pl.col("quantity") == MAIN_PEAK).group_by("air_from")
    }
    assert by_step["measured"] < by_step["depot_day"] < by_step["depot_week"] < by_step["unmeasured"]
    assert set(never.trends["corrected"]) == {False}


def test_a_flow_worked_out_by_pressure_counts_the_air_temperature_once(fleet):
    family = parse_family(
        "heron-16", FAMILIES_TABLE["heron-16"] | {"airflow_sensor": {"kind": "map_kpa", "efficiency_u": 0.01}}
    )
    usual = family.main_peak.reference_intake_air_c
    ours = fleet.frame.filter(pl.col("family") == family.name, pl.col("intake_air_c").is_not_null())
    unmeasured = pl.col("captured_at").dt.ordinal_day() % 3 == 0

    def standardised(frame: pl.DataFrame, air_c: pl.Expr, air_u: pl.Expr) -> Standardised:
        """With what the reading adds for efficiency and the temperature that it worked with."""
        part = pl.struct(air_u.alias("u"), air_c.alias("c")).map_batches(
            lambda air: pl.Series(temperature_u(air.struct["u"].to_numpy(), air.struct["c"].to_numpy())), pl.Float64
        )
        wider = [
            (pl.col(n + "_u").pow(2) + (part.pow(2) + 0.01**2) * pl.col(n).pow(2)).sqrt().alias(n + "_u") for n in FLOWS
        ]
        captures = tracked_captures(frame.with_columns(wider).lazy())
        return standardise(visits_of(captures), repeat_spread(captures), {family.name: family}, no_repairs())

    known = standardised(ours, pl.col("intake_air_c"), pl.lit(1.5))
    as_usual = ((pl.col("intake_air_c") + ZERO_CELSIUS_K) / (usual + ZERO_CELSIUS_K)).sqrt()
    guessed = _where(ours, unmeasured, FLOWS, [pl.col(name) * as_usual for name in FLOWS])
    guessed = _where(guessed, unmeasured, ["intake_air_c"], [pl.lit(None, dtype=pl.Float64)])
    taken = pl.col("intake_air_c").fill_null(usual)
    air_u = pl.when(pl.col("intake_air_c").is_null()).then(12.0).otherwise(1.5)
    std = standardised(guessed, taken, air_u)
    rows = std.visits.select(pl.col("intake_air_c").is_null()).to_series().to_numpy()
    assert min(rows.sum(), (~rows).sum()) > 40
    cold = usual - known.visits["intake_air_c"].to_numpy()[rows]
    for name in ("idle_g_s", MAIN_PEAK):
        q = std.quantities.index(name)
        off = std.scaled[rows, q] - known.scaled[rows, q]
        assert abs(np.mean(off)) < 0.002, name
        assert abs(np.polyfit(cold, off, 1)[0]) < 0.5 * 0.5 / (usual + ZERO_CELSIUS_K), name
        assert np.median(std.variance[rows, q]) < 1.5 * np.median(known.variance[rows, q]), name
