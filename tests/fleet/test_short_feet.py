"""A fleet whose snaps are all held 0.15 to 0.6 s is watched all the same; the study `tests.studies.short_feet` in small."""

from datetime import datetime, timedelta

import polars as pl
import pytest

from data_contracts.tables import REPAIRS, polars_schema
from models.tracking.assess import Assessment, assess
from models.tracking.visits import tracked_captures
from sample_fleet.families import built_in_families
from sample_fleet.parameters import HEALTHY
from sample_fleet.scenario import LOCAL_TIME, FaultPlan, Scenario
from tests.studies.sample_readings import ReadFleet, read_fleet
from tests.studies.short_feet import SHORT_S, feet_of

FAMILY, WEEKS = "brook-20", 9
START = datetime(2026, 1, 5, tzinfo=LOCAL_TIME)
FAULTS = ("airflow_over_reading", "unmetered_air")


@pytest.fixture(scope="module")
def short() -> ReadFleet:
    """Ten vans of one family, two of them with a fault that an idle tells."""
    onset = START + timedelta(weeks=5)
    planted = {n: FaultPlan(cause, 1.0, onset, "step", 1.0, 1.0, HEALTHY) for n, cause in enumerate(FAULTS)}
    scenario = Scenario(
        vans=10,
        weeks=WEEKS,
        repeats=2,
        visit_every=(1,),
        spoiled=0.0,
        cold_visits=0.0,
        long_share=0.0,
        planted=planted,
        families={FAMILY: built_in_families()[FAMILY]},
        feet=feet_of(SHORT_S),
    )
    return read_fleet(scenario, 3)


def test_snaps_of_short_feet_are_kept_and_say_what_they_lack(short: ReadFleet) -> None:
    brief = short.frame.filter(pl.col("hold_s").is_between(0.2, 0.5))
    assert brief.height > 60
    assert (brief["grade"] == "usable").mean() >= 0.95
    assert brief["grade_reasons"].list.contains("hold_short").mean() >= 0.95  # type: ignore[operator]
    assert brief["main_peak_reference_g_s"].null_count() == brief.height
    for name in ("idle_g_s", "first_peak_g_s", "trim_idle_pct"):
        assert tracked_captures(short.frame)[name].count() > 0.7 * short.frame.height, name


def test_faulty_vans_are_listed_and_healthy_ones_left_alone(short: ReadFleet) -> None:
    repairs = pl.DataFrame(schema=polars_schema(REPAIRS))
    found: Assessment = assess(short.frame, families=short.families, repairs=repairs, week=short.weeks[-1])
    assert found.states.height == 10
    assert set(found.states.filter("listed")["van_id"]) == {"V001", "V002"}
