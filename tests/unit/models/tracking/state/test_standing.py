"""An alarm stands though a van's last visits did not read its quantity, as a short record doesn't; for weeks, not for ever."""

from datetime import UTC, datetime

import polars as pl
import pytest

from data_contracts.tables import REPAIRS, polars_schema
from data_contracts.weeks import week_number, week_of
from models.tracking.assess import Assessment, TrackingSettings, assess
from models.tracking.state.residuals import PRESENT_VISITS
from tests.readings_fleet import ReadingsFleet, families, make_fleet, no_repairs

RESPONSES = [f"lambda_to_{edge}_{what}_s" for edge in ("rich", "lean") for what in ("time_constant", "dead_time")]


@pytest.fixture(scope="module")
def fleet() -> ReadingsFleet:
    return make_fleet(vans=36, weeks=20, seed=8)


@pytest.fixture(scope="module")
def slow(fleet: ReadingsFleet) -> str:
    """A van with a slow sensor that is listed for nothing else."""
    judged = judge(fleet, fleet.frame)
    mine = fleet.truth.filter((pl.col("fault") == "lambda_slow") & (pl.col("onset") < 8))["van_id"].to_list()
    listed = judged.states.filter("listed" & pl.col("van_id").is_in(mine))
    assert listed.height
    return str(listed["van_id"][0])


def judge(fleet: ReadingsFleet, frame: pl.DataFrame, repairs: pl.DataFrame | None = None) -> Assessment:
    return assess(
        frame, families=families(), week=fleet.weeks[-1], repairs=no_repairs() if repairs is None else repairs
    )


def unread_since(fleet: ReadingsFleet, van_id: str, visits: int) -> pl.DataFrame:
    """The fleet's readings, without the responses at a van's last visits."""
    weeks = sorted(fleet.frame.filter(pl.col("van_id") == van_id)["week"].unique())[-visits:]
    here = (pl.col("van_id") == van_id) & pl.col("week").is_in(weeks)
    return fleet.frame.with_columns(pl.when(here).then(None).otherwise(pl.col(name)).alias(name) for name in RESPONSES)


def state(judged: Assessment, van_id: str) -> dict[str, object]:
    return judged.states.filter(pl.col("van_id") == van_id).row(0, named=True)


@pytest.mark.parametrize("visits", [1, PRESENT_VISITS + 2])
def test_an_alarm_stands_through_visits_that_did_not_read_its_quantity(fleet, slow, visits):
    judged = judge(fleet, unread_since(fleet, slow, visits))
    found = state(judged, slow)
    assert found["listed"]
    outside = found["outside"]
    assert isinstance(outside, list)
    assert set(outside) & set(RESPONSES)
    facts = [fact for fact in found["reason_facts"] if fact["quantity"] in RESPONSES]  # type: ignore[attr-defined]
    assert facts
    rows = judged.residuals.van_ids.index(slow)
    column = judged.residuals.quantities.index(sorted(set(outside) & set(RESPONSES))[-1])
    assert judged.residuals.shift[rows, column] > 0  # and the causes see it
    last = judged.trends.filter((pl.col("van_id") == slow) & (pl.col("week") == found["last_week"]))
    assert not set(last["quantity"]) & set(RESPONSES)  # nothing is said of that week that was not read in it


def test_it_lapses_when_the_quantity_stays_unread_for_weeks(fleet, slow):
    weeks = sorted({week_number(week) for week in fleet.frame.filter(pl.col("van_id") == slow)["week"]})
    since = sum(week > weeks[-1] - TrackingSettings().forget_after_weeks for week in weeks)
    assert since > PRESENT_VISITS
    found = state(judge(fleet, unread_since(fleet, slow, since)), slow)
    assert not set(found["outside"]) & set(RESPONSES)  # type: ignore[call-overload]


@pytest.mark.parametrize("visits", [1, PRESENT_VISITS + 2])
def test_a_repair_that_touched_it_ends_it(fleet, slow, visits):
    frame = unread_since(fleet, slow, visits)
    last = frame.filter(pl.col("van_id") == slow)["captured_at"].max()
    assert isinstance(last, datetime)
    done_at = datetime(last.year, last.month, last.day, tzinfo=UTC)
    before = frame.filter((pl.col("van_id") == slow) & (pl.col("week") < week_of(last)))["captured_at"].max()
    assert before < done_at
    work = {"repair_id": "r1", "van_id": slow, "done_at": done_at, "work": "replaced lambda sensor", "parts": ""}
    repairs = pl.DataFrame([work], schema=polars_schema(REPAIRS))
    assert not set(state(judge(fleet, frame, repairs), slow)["outside"]) & set(RESPONSES)  # type: ignore[call-overload]
